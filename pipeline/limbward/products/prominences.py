"""`limbward prominences`: each prominence of the merge at its own scale, with its height."""

from __future__ import annotations

from typing import Any

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray
from scipy.ndimage import zoom

from limbward.config import Config
from limbward.errors import LimbwardError
from limbward.geometry.disc import Disc
from limbward.geometry.grid import Grid, read_geometry
from limbward.products.shelf import Product, artefact, shelve
from limbward.radiance.fits import read_picture
from limbward.render.colour import solar_white, to_linear_srgb
from limbward.render.space import SRGB
from limbward.render.writers import Caption, write_png, write_tiff
from limbward.sequences.canvas import Canvas, Label
from limbward.sequences.layout import places
from limbward.sequences.prominences import Prominence, excess_map, find_prominences
from limbward.sky.ephemeris import ARCSEC
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace

Pixels = NDArray[np.float32]

FOLDER = "sequences/prominences"
EDGE_PX = 3.0  # a blurred limb is about this wide
ENLARGED_PX = 360  # about the side of a crop on the overview


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Write a crop of each prominence and an overview with the measures.

    Raises
    ------
    LimbwardError
        If there is no corona, or no prominence in it.
    """
    options = config.prominences
    path = workspace.path(Workspace.corona)
    if not path.exists():
        raise LimbwardError(
            f"There is no merged corona ({path.name}) in the workspace, so there are no "
            "prominences to measure: run `limbward run` on a card with totality."
        )
    with reporter.progress(2, "prominences") as advance:
        radiance, header, _ = read_picture(path)
        grid, sun, _ = read_geometry(header)
        linear = _white_corona(radiance, grid, sun, header)
        del radiance
        near, (x0, y0) = _near(linear, sun)
        angle, height, excess = excess_map(
            near,
            (sun.x - x0, sun.y - y0),
            sun.radius,
            grid.scale_arcsec,
            grid.up_position_angle,
        )
        edge = EDGE_PX * grid.scale_arcsec
        found = find_prominences(angle, height, excess, edge)[: options.count]
        advance()
        if not found:
            raise LimbwardError("No prominence stands out in the merged corona.")
        km = km_per_arcsec(header)
        _remove_old(workspace)
        entries, files = [], []
        for number, p in enumerate(found, start=1):
            box = _box(p, grid, sun, options.margin_arcsec)
            crop = SRGB.encode(_toned(linear[:, box[1], box[0]]))
            name = f"{FOLDER}/{number:02d}-pa{p.position_angle:05.1f}"
            words = _words(p, km)
            for write, suffix in ((write_tiff, "tif"), (write_png, "png")):
                with workspace.writing(f"{name}.{suffix}") as part:
                    write(part, crop, Caption(f"Prominence, {words}"))
                files.append(f"{name}.{suffix}")
            entries.append(_entry(p, km, box, f"{name}.tif") | {"crop": crop})
        overview = "sequences/prominences.png"
        with workspace.writing(overview) as part:
            write_png(part, _overview(found, entries, km), Caption("Prominences"))
        advance()
    details = {
        "scale_arcsec": grid.scale_arcsec,
        "up_position_angle": grid.up_position_angle,
        "km_per_arcsec": round(km, 3),
        "limb": "the Sun's, by the ephemeris",
        "prominences": [{k: v for k, v in e.items() if k != "crop"} for e in entries],
    }
    shelve(
        workspace,
        Product(
            name="prominences",
            title="Prominences",
            caption="Crops of the linear merge at its own scale (enlarged here), each with its "
            "position angle from celestial north and its height above the Sun's limb: where the "
            "red of hydrogen is half as bright as the corona behind it.",
            alt=f"{len(found)} crops of the Sun's limb with prominences",
            picture=overview,
            numbers={f"{n}": _words(p, km) for n, p in enumerate(found, start=1)},
            files=[*files, artefact("prominences")],
            details=details,
        ),
    )


def _white_corona(radiance: Pixels, grid: Grid, sun: Disc, header: Header) -> Pixels:
    """Return the merge in linear sRGB with a white corona."""
    y, x = np.ogrid[: radiance.shape[1], : radiance.shape[2]]
    rho = (np.hypot(x - sun.x, y - sun.y) / sun.radius).astype(np.float32)
    daylight = np.array([header[f"DAYWB{c}"] for c in (1, 2, 3)], np.float32)
    matrix = np.array([[header[f"SRGB{i}_{j}"] for j in (1, 2, 3)] for i in (1, 2, 3)], np.float32)
    return to_linear_srgb(radiance, solar_white(radiance, rho, daylight), matrix)


def _near(linear: Pixels, sun: Disc, reach: float = 1.35) -> tuple[Pixels, tuple[int, int]]:
    """Return the part of a picture around the Sun, and its first pixel (x, y)."""
    half = reach * sun.radius
    y0, x0 = max(0, int(sun.y - half)), max(0, int(sun.x - half))
    y1, x1 = int(sun.y + half) + 2, int(sun.x + half) + 2
    return linear[:, y0:y1, x0:x1], (x0, y0)


def km_per_arcsec(header: Header) -> float:
    """Return how many kilometres at the Sun's distance an arcsecond is."""
    return float(header["DSUN_OBS"]) / 1000.0 / ARCSEC


def _words(p: Prominence, km: float) -> str:
    return (
        f"position angle {p.position_angle:.1f}°, {p.height_arcsec:.1f} arcsec "
        f"({p.height_arcsec * km / 1000.0:.1f} thousand km) high"
    )


def _box(p: Prominence, grid: Grid, sun: Disc, margin: float) -> tuple[slice, slice]:
    """Return the columns and rows of a crop: limb, prominence and some room."""
    xs, ys = [], []
    span = (p.last - p.first) % 360.0
    for a in p.first + np.linspace(0.0, span, 9):
        for h in (-margin, p.height_arcsec + margin):
            r = sun.radius + h / grid.scale_arcsec
            dx, dy = grid.orientation.towards(a)
            xs.append(sun.x + float(dx) * r)
            ys.append(sun.y + float(dy) * r)
    room = margin / grid.scale_arcsec
    return (
        slice(max(0, int(min(xs) - room)), min(grid.width, int(max(xs) + room) + 1)),
        slice(max(0, int(min(ys) - room)), min(grid.height, int(max(ys) + room) + 1)),
    )


def _toned(crop: Pixels) -> Pixels:
    """Return a crop from 0 to 1: a gentle curve under which the pink neither clips nor pales."""
    shown = np.nan_to_num(np.clip(crop, 0.0, None))
    seen = shown.max(axis=0)
    top = float(np.quantile(seen[seen > 0], 0.998)) if (seen > 0).any() else 1.0
    soft = np.float32(8.0)
    level = seen / np.float32(top)
    drawn = np.arcsinh(soft * np.minimum(level, 1.0)) / np.arcsinh(soft)
    return np.asarray(shown * (0.9 * drawn / np.maximum(seen, 1e-30)), np.float32)


def _entry(p: Prominence, km: float, box: tuple[slice, slice], file: str) -> dict[str, Any]:
    return {
        "file": file,
        "position_angle": round(p.position_angle, 2),
        "from_position_angle": round(p.first, 2),
        "to_position_angle": round(p.last, 2),
        "height_arcsec": round(p.height_arcsec, 2),
        "height_thousand_km": round(p.height_arcsec * km / 1000.0, 2),
        "red_excess": round(p.excess, 2),
        "columns": [box[0].start, box[0].stop],
        "rows": [box[1].start, box[1].stop],
    }


def _overview(found: list[Prominence], entries: list[dict[str, Any]], km: float) -> Pixels:
    """Return the crops side by side, enlarged, with their measures."""
    largest = max(max(e["crop"].shape[1:]) for e in entries)
    times = max(1.0, ENLARGED_PX / largest)
    cell = largest * times + 60.0
    centres, size = places("grid", len(found), cell)
    canvas = Canvas.blank(*size)
    for n, (p, e, (x, y)) in enumerate(zip(found, entries, centres, strict=True), start=1):
        crop = np.clip(zoom(e["crop"], (1, times, times), order=1), 0.0, 1.0)
        canvas.lighten(crop, float(x), float(y) - 25.0)
        top = float(y) + 0.5 * cell - 48.0
        canvas.labels.append(Label(f"{n}   P {p.position_angle:.1f}°", float(x), top, 16.0))
        height = f"{p.height_arcsec:.1f}″ = {p.height_arcsec * km / 1000.0:.1f} thousand km"
        canvas.labels.append(Label(height, float(x), top + 22.0, 16.0))
    return canvas.drawn()


def _remove_old(workspace: Workspace) -> None:
    """Remove the crops of an earlier run: there may be fewer now."""
    for path in sorted(workspace.path(FOLDER).glob("??-pa*.*")):
        workspace.remove(f"{FOLDER}/{path.name}")
