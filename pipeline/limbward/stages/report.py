"""The report: one HTML file about everything the other stages made."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np
from astropy.io.fits import Header
from astropy.table import Table

import limbward
from limbward.camera.card import dcf_number
from limbward.clock.wording import clock_drift, clock_error, clock_name, clock_zone
from limbward.config import Config
from limbward.errors import LimbwardError
from limbward.geometry.grid import north_known, read_geometry
from limbward.radiance.fits import read_picture
from limbward.radiance.noise import NoiseRecord
from limbward.report import (
    ClockAudit,
    Corona,
    Frame,
    Material,
    Sample,
    build_report,
    measure_coverage,
)
from limbward.report.limbs import LimbView
from limbward.sky.wording import contacts_heading
from limbward.stages.report_pictures import (
    SEQUENCES,
    read_enhanced,
    read_products,
    read_variants,
    there,
)
from limbward.stages.stage import Stage
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.columns import flags, floats, texts
from limbward.workspace.noise import read_noise
from limbward.workspace.stored import read_crop, read_limbs, read_planes

WORST_LIMBS = 12
GREEN = 1
PLACES = ("sun_x", "sun_y", "sun_radius", "moon_x", "moon_y", "moon_radius", "limb_sigma")


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Write report.html from what artefacts there are."""
    with reporter.progress(2, "writing the report") as advance:
        material = read_material(config, workspace)
        advance()
        workspace.write_text(Workspace.report, build_report(material))
        advance()


def read_material(config: Config, workspace: Workspace) -> Material:
    """Return all that a report tells.

    Parameters
    ----------
    config : Config
    workspace : Workspace
    """
    contacts = _json(workspace, Workspace.contacts)
    noise = read_noise(workspace)
    corona = read_corona(workspace, noise)
    coverage = None
    if corona is not None:
        coverage = measure_coverage(_samples(workspace), corona.noise)
    return Material(
        title=config.report.title or _title(config, contacts),
        author=config.report.author,
        heading=contacts_heading(contacts) if contacts else "",
        version=limbward.__version__,
        contacts=contacts,
        frames=read_frames(workspace),
        clocks=[_audit(clock) for clock in _json(workspace, Workspace.clock).get("cameras", [])],
        pointings=_json(workspace, Workspace.pointing).get("cameras", []),
        corona=corona,
        coverage=coverage,
        composite=there(workspace, Workspace.composite_png),
        composite_caption=_caption(config, corona),
        noise=[] if noise is None else [asdict(model) for model in noise.models],
        sky=None if noise is None else noise.sky,
        cloud=None if noise is None else noise.cloud,
        ghost=None if noise is None else noise.ghost,
        variants=read_variants(workspace),
        tone=_json(workspace, Workspace.tone),
        products=read_products(workspace),
        enhanced=read_enhanced(config, workspace),
        limbs=_worst_limbs(workspace),
    )


def read_frames(workspace: Workspace) -> list[Frame]:
    """Return the files of frames.ecsv, with what the stages' own tables know besides.

    Parameters
    ----------
    workspace : Workspace
    """
    if not workspace.path(Workspace.frames).exists():
        return []
    frames = workspace.read_table(Workspace.frames)
    ingest = _table(workspace, "ingest", frames)
    timing = _table(workspace, "timing", frames)
    merge = _table(workspace, "merge", frames)
    number = {
        name: floats(frames, name)
        for name in (
            "size",
            "exposure",
            "iso",
            "sun_x",
            "sun_y",
            "sun_radius",
            "moon_x",
            "moon_y",
            "moon_radius",
            "limb_sigma",
        )
    }
    text = {n: texts(frames, n) for n in ("file", "phase", "camera", "serial", "time_utc", "note")}
    used = flags(frames, "used")
    residual = floats(timing, "clock_residual_s")
    relative = floats(merge, "relative_exposure")
    width, height = floats(ingest, "width"), floats(ingest, "height")
    preview = texts(ingest, "preview")
    found = []
    for i, file in enumerate(text["file"]):
        path = PurePosixPath(file)
        picture = workspace.path(preview[i]) if preview[i] else None
        found.append(
            Frame(
                file=file,
                phase=text["phase"][i] or "other",
                camera=clock_name({"camera": text["camera"][i], "serial": text["serial"][i]}),
                size=int(np.nan_to_num(number["size"][i])),
                exposure_s=number["exposure"][i],
                iso=number["iso"][i],
                time=_time(text["time_utc"][i]),
                **{
                    name: float(number[name][i])
                    for name in (
                        "sun_x",
                        "sun_y",
                        "sun_radius",
                        "moon_x",
                        "moon_y",
                        "moon_radius",
                        "limb_sigma",
                    )
                },
                width=width[i],
                height=height[i],
                clock_residual_s=residual[i],
                relative_exposure=relative[i],
                used=bool(used[i]),
                note=text["note"][i],
                number=dcf_number(Path(file)),
                # The count runs on across the folders of one DCIM, and is the camera's own.
                roll=f"{path.parent.parent.as_posix()}/{path.stem[:4]}",
                preview=picture,
            )
        )
    return found


def read_corona(workspace: Workspace, noise: NoiseRecord | None) -> Corona | None:
    """Return the merged corona's green plane, None if there is no corona."""
    path = there(workspace, Workspace.corona)
    if path is None:
        return None
    green, header, more = read_picture(path, ["SIGMA", "COUNT"], plane=GREEN)
    _, sun, moon = read_geometry(header)
    moon = moon or sun
    return Corona(
        radiance=green,
        sigma=np.asarray(more.get("SIGMA", np.full_like(green, np.nan)), np.float32),
        count=more.get("COUNT", np.zeros(green.shape, np.int16)),
        sun_x=sun.x,
        sun_y=sun.y,
        sun_radius=sun.radius,
        moon_x=moon.x,
        moon_y=moon.y,
        moon_radius=moon.radius,
        frames=int(header.get("NFRAMES", 0)),
        exposure_s=float(header.get("EXPTOTAL", 0.0)),
        noise=_noise(noise),
        history=_history(header),
        north_known=north_known(header),
        sun_sigma_arcsec=float(header.get("CSYER1", 0.0)),
        linear=bool(header.get("LINEAR", True)),
    )


def _noise(record: NoiseRecord | None) -> dict[float, tuple[float, float]]:
    """Return gain, ADU an electron, and read noise, ADU, by ISO."""
    models = [] if record is None else record.models
    return {m.iso: (1.0 / m.gain_electrons_per_adu, m.read_noise_adu) for m in models}


def _history(header: Header) -> list[str]:
    """Return what was done; a line of more than 72 letters was broken when it was written."""
    lines: list[str] = []
    length = 0
    for card in header.get("HISTORY", []):
        line = str(card)
        if length >= 71:  # 71 where the 72nd was a space, which is not kept
            lines[-1] += line if length == 72 else f" {line}"
        else:
            lines.append(line)
        length = len(line)
    return lines


def _samples(workspace: Workspace) -> Iterator[Sample]:
    """Yield the reduced frames of the merge with the Sun's place in them."""
    frames = workspace.read_table(Workspace.frames)
    reduced = texts(_table(workspace, "ingest", frames), "reduced")
    x, y, radius = (floats(frames, f"sun_{n}") for n in ("x", "y", "radius"))
    exposure, iso = floats(frames, "exposure"), floats(frames, "iso")
    for i in np.flatnonzero(flags(frames, "used") & np.isfinite(x + y + radius)):
        path = workspace.path(reduced[i])
        if not reduced[i] or not path.exists():
            continue
        planes, factor = read_planes(path)
        plane = planes[GREEN]
        yield Sample(
            exposure_s=float(exposure[i]),
            iso=float(np.nan_to_num(iso[i])),
            plane=plane,
            sun_x=(float(x[i]) + 0.5) / factor - 0.5,
            sun_y=(float(y[i]) + 0.5) / factor - 0.5,
            sun_radius=float(radius[i]) / factor,
        )


def _audit(clock: dict[str, Any]) -> ClockAudit:
    return ClockAudit(
        name=clock_name(clock),
        error=clock_error(clock),
        zone=clock_zone(clock),
        drift=clock_drift(clock),
        entry=clock,
    )


def _title(config: Config, contacts: dict[str, Any]) -> str:
    kind = f"{contacts['kind'].capitalize()} eclipse" if contacts.get("kind") else "Eclipse"
    return f"{kind} of the Sun, {config.eclipse.day} {config.eclipse:%B %Y}"


def _caption(config: Config, corona: Corona | None) -> str:
    if corona is None:
        return ""
    up = config.compose.up.replace("_", " ")
    up = "As the camera stood." if up == "camera" else f"{up.capitalize()} is up."
    return f"Made of {corona.frames} frames. {up}"


def _time(text: str) -> datetime | None:
    return datetime.fromisoformat(text.rstrip("Z")) if text else None


def _json(workspace: Workspace, name: str) -> dict[str, Any]:
    if not workspace.path(name).exists():
        return {}
    told = workspace.read_json(name)
    if not isinstance(told, dict):
        raise LimbwardError(f"{workspace.path(name)} is damaged; delete it and run again.")
    return told


def _table(workspace: Workspace, stage: str, frames: Table) -> Table:
    """Return a stage's table if it is there and fits the frames, else one without columns."""
    name = Workspace.table(stage)
    if workspace.path(name).exists():
        table = workspace.read_table(name)
        if list(table["file"]) == list(frames["file"]):
            return table
    return frames["file",]


def _worst_limbs(workspace: Workspace) -> list[LimbView]:
    """Return the frames of totality whose limb lies furthest from where the alignment has it."""
    names = [Workspace.table(name) for name in ("ingest", "align")]
    if not all(workspace.path(name).exists() for name in names):
        return []
    ingest, align = (workspace.read_table(name) for name in names)
    miss, reduced = floats(align, "limb_miss"), texts(ingest, "reduced")
    worst = np.argsort(np.nan_to_num(-miss, nan=np.inf), kind="stable")[:WORST_LIMBS]
    found = []
    for row in worst[np.isfinite(miss[worst])]:
        path = workspace.path(reduced[row])
        crop = read_crop(path)
        if crop is None:
            continue
        found.append(
            LimbView(
                file=texts(align, "file")[row],
                exposure_s=float(floats(ingest, "exposure")[row]),
                miss_px=float(miss[row]),
                values=crop.values,
                scale=crop.scale,
                origin=crop.origin,
                points=read_limbs(path)[1][:, :2],
                moon=(
                    float(floats(align, "moon_x")[row]),
                    float(floats(align, "moon_y")[row]),
                    float(floats(align, "moon_radius")[row]),
                ),
            )
        )
    return found


def _reads(config: Config) -> tuple[str, ...]:
    return (
        Workspace.frames,
        Workspace.contacts,
        Workspace.clock,
        Workspace.pointing,
        Workspace.corona,
        Workspace.composite_png,
        Workspace.noise,
        Workspace.annotated,
        Workspace.side_by_side,
        Workspace.polar,
        Workspace.tone,
        SEQUENCES,
        Workspace.reduced,
        Workspace.previews,
        *(Workspace.table(name) for name in ("ingest", "timing", "align", "merge")),
        *(Workspace.enhanced(recipe.name)[2] for recipe in config.enhance),
    )


STAGE = Stage(
    name="report",
    run=run,
    sections=("eclipse", "report", "enhance", "compose"),
    loads=("report",),
    reads=_reads,
    writes=(Workspace.report,),
)
