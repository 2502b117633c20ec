"""A merge made up, of any size, with its Moon, and a workspace around it without a run."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import tifffile
from astropy.table import Table
from astropy.time import Time
from PIL import Image

from limbward.config.loading import load_config
from limbward.geometry.disc import Disc
from limbward.geometry.grid import Grid, Observer, add_moon, world_header
from limbward.radiance.fits import write_picture
from limbward.runs.records import Records
from limbward.runs.runner import load_stages
from limbward.workspace import Workspace
from limbward.workspace.frames import FRAME_COLUMNS

DAYLIGHT = np.array([2.0, 1.0, 1.6])
RED_AIR = np.array([1.25, 1.0, 0.8])  # what low air does to the corona


def made_merge(width: int, height: int):
    """Return picture, noise, header, surface and its place: a corona with streamers."""
    radius = height / 6.0
    grid = Grid(width, height, 950.0 / radius, 20.0)
    start, middle, end = (Time(f"2026-08-12T17:4{m}:00") for m in (5, 6, 7))
    header = world_header(grid, Observer(15.0, 40.0, 6.0, 100.0, 1.5e8, 950.0), start, middle, end)
    moon = Disc(grid.sun_x + 0.02 * radius, grid.sun_y, 1.04 * radius)
    add_moon(header, moon, height)
    header["NAXIS"], header["NAXIS1"], header["NAXIS2"], header["NAXIS3"] = 3, width, height, 3
    header["CAMERA"], header["NFRAMES"], header["EXPTOTAL"] = "Invented One", 12, 3.5
    for c in range(3):
        header[f"DAYWB{c + 1}"] = DAYLIGHT[c]
        for j in range(3):
            header[f"SRGB{c + 1}_{j + 1}"] = float(c == j)
    rng = np.random.default_rng(1)
    y, x = np.indices((height, width), dtype=np.float32, sparse=True)
    rho = np.maximum(np.hypot(x - grid.sun_x, y - grid.sun_y) / radius, 1.0)
    angle = np.arctan2(y - grid.sun_y, x - grid.sun_x)
    light = 1e5 * (0.0532 * rho**-2.5 + 1.425 * rho**-7 + 2.565 * rho**-17)
    light *= 1 + 0.3 * np.cos(7 * angle) + 0.1 * np.cos(40 * angle)
    light += 12.0
    image = np.empty((3, height, width), np.float32)
    sigma = np.empty_like(image)
    dark = np.hypot(x - moon.x, y - moon.y) < moon.radius + 1
    for c, colour in enumerate(RED_AIR / DAYLIGHT):
        sigma[c] = 0.1 * np.sqrt(light) + 0.05
        image[c] = colour * light + sigma[c] * rng.standard_normal(light.shape, dtype=np.float32)
        image[c][dark] = np.nan
    reach = int(moon.radius) + 2
    left, top = int(moon.x) - reach, int(moon.y) - reach
    yy, xx = np.indices((2 * reach + 1, 2 * reach + 1), dtype=np.float32)
    shade = 5.0 + 2.0 * np.sin(xx / radius * 4) * np.sin(yy / radius * 5)
    surface = np.stack([shade * c for c in RED_AIR / DAYLIGHT]).astype(np.float32)
    header["MOONTOP"], header["MOONLEFT"] = top, left
    return image, sigma, header, surface


def write_merge(path, width: int, height: int) -> None:
    """Write a made-up merge as corona.fits."""
    image, sigma, header, surface = made_merge(width, height)
    write_picture(path, image, header, {"SIGMA": sigma, "MOON": surface})


CONFIG = """\
# The Lava field, first try.
site: {latitude: 65.0, longitude: -23.4, height: 40.0, name: Lava field}   # by the road
eclipse: 2026-08-12
input: {cards: [card]}

enhance:
  - name: fine           # streamers
    steps:
      - filter: nrgf     # the radial fall is taken out

compose:
  detail_strength: 0.16  # not more
"""
PHASES = ("partial", "partial", "contact", "totality", "totality", "totality", "contact", "partial")


def write_workspace(folder: Path, width: int, height: int, frames: int = 40) -> Path:
    """Write a config, a card of linear TIFFs and a workspace as if a run had made it.

    Returns the config file.
    """
    config = folder / "limbward.yaml"
    config.write_text(CONFIG)
    workspace = Workspace(folder / "workspace")
    workspace.claim()
    with workspace.writing(Workspace.corona) as part:
        write_merge(part, width, height)
    _write_frames(folder, workspace, frames)
    as_if_run(config)
    return config


def as_if_run(config: Path) -> None:
    """Record that the stages up to the merge have run: what follows is made from what is there."""
    records = Records(load_config(config), Workspace(config.parent / "workspace"))
    for stage in load_stages()[:4]:
        records.write(stage, reads=records.digests(stage.inputs(records.config)), seconds=1.0)


def _write_frames(folder: Path, workspace: Workspace, count: int) -> None:
    card = folder / "card" / "DCIM" / "100TESTA"
    card.mkdir(parents=True)
    wide, high, radius = 360, 240, 40.0
    y, x = np.indices((high, wide), dtype=np.float32)
    start = datetime(2026, 8, 12, 17, 45)
    rows: list[dict] = []
    for i in range(count):
        phase = PHASES[i * len(PHASES) // count]
        sun_x, sun_y = 180.0 + i % 5, 120.0 - i % 3
        rho = np.hypot(x - sun_x, y - sun_y) / radius
        light = np.maximum(rho, 1.0) ** -4.0 * 3000.0 * (1 + i % 4)
        light[np.hypot(x - sun_x - 1, y - sun_y) < 1.03 * radius] = 40.0
        if phase == "partial":
            light = np.where((rho < 1) & (np.hypot(x - sun_x - 30, y - sun_y) > radius), 4e4, 30.0)
        file = card / f"TEST{i + 1:04d}.tif"
        pixels = np.clip(light[..., None] * [1.0, 0.9, 0.8], 0, 65535).astype(np.uint16)
        if i < 8 or phase == "totality":
            tifffile.imwrite(file, pixels, photometric="rgb")
        name = f"previews/{i:04d}.jpg"
        with workspace.writing(name) as part:
            grey = np.clip(255 * np.arcsinh(pixels / 3000.0) / 3.5, 0, 255).astype(np.uint8)
            Image.fromarray(grey).save(part, "JPEG")
        note = "the Moon's limb is not sharp" if i % 7 == 3 else ""
        rows.append(
            {
                "file": f"card/DCIM/100TESTA/{file.name}",
                "sha256": f"{i:064x}",
                "size": 520_000,
                "camera": "Testcam One",
                "serial": "77",
                "exposure": 0.001 * 4.0 ** (i % 5),
                "iso": 100.0,
                "time_utc": (start + timedelta(seconds=4.0 * i)).isoformat() + "Z",
                "phase": phase,
                "sun_x": sun_x,
                "sun_y": sun_y,
                "sun_radius": radius,
                "moon_x": sun_x + (30.0 if phase == "partial" else 1.0),
                "moon_y": sun_y,
                "moon_radius": 1.03 * radius,
                "used": phase == "totality" and not note,
                "note": note,
                "width": float(wide),
                "height": float(high),
                "preview": name,
                "limb_width": 0.9,
                "clock_residual_s": (0.1 * (i % 7 - 3) if phase == "partial" else np.nan),
                "relative_exposure": 1.0,
                "rotation_deg": 0.0,
            }
        )
    columns = {
        "ingest": ("file", "width", "height", "preview", "limb_width"),
        "timing": ("file", "clock_residual_s"),
        "align": ("file", "rotation_deg"),
        "merge": ("file", "used", "relative_exposure"),
    }
    for stage, names in columns.items():
        table = Table(rows=[{n: row[n] for n in names} for row in rows])
        workspace.write_table(Workspace.table(stage), table)
    frame_names = [n for n in rows[0] if n in FRAME_COLUMNS]
    workspace.write_table(Workspace.frames, Table([{n: r[n] for n in frame_names} for r in rows]))
    camera = {
        "camera": "Testcam One", "serial": "77", "utc_offset_hours": 3.0, "offset_s": -58.3,
        "offset_sigma_s": 0.1, "drift_s_per_hour": 2.4, "drift_sigma_s_per_hour": 0.3,
        "epoch_utc": "2026-08-12T17:46:50.816Z", "frames_used": 10, "residual_rms_s": 0.2,
        "sources": ["crescents"], "warnings": [],
    }  # fmt: skip
    workspace.write_json(Workspace.clock, {"cameras": [camera]})
