"""`limbward strip`: the diamond rings and beads around second and third contact."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from astropy.time import Time
from numpy.typing import NDArray

from limbward.config import Config
from limbward.errors import LimbwardError
from limbward.products.shelf import Product, artefact, shelve
from limbward.products.shots import UP_WORDS, Shots, cuts, read_shots
from limbward.render.space import SRGB
from limbward.render.writers import Caption, write_png, write_tiff
from limbward.sequences.beads import Bead, find_beads
from limbward.sequences.canvas import Canvas, Label
from limbward.sequences.cut import Cut, View
from limbward.stages import setting
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]

NAMES = ("sequences/strip.tif", "sequences/strip.png")
FIELD = 1.5  # lunar radii from the centre to the sides of a frame
SOFT = 25.0  # arcsinh: a 25th of white is drawn at a fifth
LONGEST = 20.0  # exposures this many times the shortest near the contact are left out


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Write the contact strip.

    Raises
    ------
    LimbwardError
        If no frame was taken near a contact without a filter.
    """
    options = config.strip
    shots = read_shots(config, workspace, ("contact", "totality"), options.camera, "strip")
    circumstances = setting.eclipse(config)
    totality = setting.covered(config, circumstances)
    if totality is None or not len(shots):
        raise LimbwardError(
            "There are no frames of totality or of the minute around it, so there are no contacts "
            "to show."
        )
    seconds = [float((t - shots.epoch).to_value("s")) for t in totality]
    rows = [near_contact(shots, s, options.span_s, options.count) for s in seconds]
    chosen = np.concatenate(rows)
    if not chosen.size:
        raise LimbwardError(
            f"No frame was taken within {options.span_s:g} s of second or third contact; a larger "
            "strip.span_s looks further."
        )
    picked = shots.take(chosen)
    names = ["C2"] * rows[0].size + ["C3"] * rows[1].size
    since = picked.middle_s - np.where([n == "C2" for n in names], *seconds)
    native = picked.scale_arcsec()
    radius = float(np.nanmedian(picked.moon[:, 2]))
    scale = FIELD * radius * native / (options.cell_px / 2.0)
    shown = [View(options.cell_px, scale, float(u)) for u in picked.up(options.up)]
    # Beads are measured at the camera's own scale, whatever the strip's.
    side = 2 * math.ceil(1.15 * radius) + 1
    measured = [View(side, native, o.up_position_angle) for o in picked.orientation]
    brightest = picked.light.max()
    canvas = Canvas.blank(
        max(r.size for r in rows) * options.cell_px,
        sum(1.25 * options.cell_px for r in rows if r.size) + 0.15 * options.cell_px,
    )
    notes: list[str] = []
    entries: list[dict[str, Any]] = []
    centres = _centres(rows, options.cell_px)
    with reporter.progress(2 * len(picked), "frames at the contacts") as advance:
        beads: list[list[Bead] | None] = []
        for i, made in cuts(config, picked, picked.moon[:, :2], measured):
            beads.append(None if isinstance(made, str) else _beads(made, measured[i], picked, i))
            advance()
        for i, made in cuts(config, picked, picked.moon[:, :2], shown):
            advance()
            if isinstance(made, str):
                notes.append(f"{picked.file[i]} is not on the strip: {made}")
                continue
            gain = np.float32(math.sqrt(brightest * picked.light.min()) / picked.light[i])
            x, y = canvas.lighten(toned(made, gain), *centres[i])
            _mark(canvas, beads[i] or [], shown[i], x, y, radius * native / scale)
            text = f"{picked.clock_text(i, 1)}   {names[i]} {_signed(since[i])} s"
            height = max(10.0, 0.05 * options.cell_px)
            canvas.labels.append(Label(text, x, y + 0.53 * options.cell_px, height))
            entries.append(_entry(picked, i, names[i], float(since[i]), beads[i]))
    caption = Caption(
        description=f"Second and third contact of {config.eclipse.isoformat()}, registered on the "
        f"Moon, {UP_WORDS[options.up]}",
        title=config.report.title,
        author=config.report.author,
        site=config.site.name,
        start=picked.utc(0)[:19] + "Z",
        end=picked.utc(len(picked) - 1)[:19] + "Z",
    )
    canvas.labels.append(
        Label(
            f"{caption.text()}. Ticks: beads, with their position angles from celestial north.",
            0.05 * options.cell_px,
            canvas.picture.shape[1] - 0.09 * options.cell_px,
            max(10.0, 0.042 * options.cell_px),
            centred=False,
        )
    )
    picture = canvas.drawn()
    tif, png = NAMES
    with workspace.writing(tif) as part:
        write_tiff(part, picture, caption)
    with workspace.writing(png) as part:
        write_png(part, picture, caption)
    sigma = float(np.nanmedian(picked.sigma_s))
    details = {
        "up": options.up,
        "scale_arcsec": round(scale, 5),
        "contacts": {n: _iso(t) for n, t in zip(("C2", "C3"), totality, strict=True)},
        "caution": setting.contacts_json(config, circumstances)["caution"],
        "time_sigma_s": round(sigma, 3) if math.isfinite(sigma) else None,
        "frames": entries,
    }
    shelve(
        workspace,
        Product(
            name="strip",
            title="The contacts",
            caption=f"{len(entries)} frames within {options.span_s:g} s of second and third "
            "contact, registered on the Moon, as if equally exposed. Times are those of the "
            "middle of the exposure, corrected for the camera's clock.",
            alt="The Moon's disc with the last and the first light of the Sun beside it",
            picture=png,
            numbers={
                "frames": str(len(entries)),
                "beads found": str(sum(len(e["beads"] or []) for e in entries)),
                "exposed too long to tell beads": str(sum(e["beads"] is None for e in entries)),
                "standard error of the times": f"{sigma:.1f} s",
            },
            warnings=notes,
            files=[*NAMES, artefact("strip")],
            details=details,
        ),
    )
    for note in notes:
        reporter.warn(note)


def near_contact(shots: Shots, contact_s: float, span_s: float, count: int) -> NDArray[np.int64]:
    """Return the frames nearest to a contact whose exposures are much alike, in order of time."""
    since = np.abs(shots.middle_s - contact_s)
    near = np.flatnonzero((since < span_s) & np.isfinite(shots.moon).all(axis=1))
    if not near.size:
        return near
    near = near[shots.light[near] < LONGEST * shots.light[near].min()]
    return np.sort(near[np.argsort(since[near], kind="stable")][:count])


def toned(made: Cut, gain: np.float32) -> Pixels:
    """Return a cut as it is shown: equally exposed, bright light drawn in."""
    value = made.picture * gain
    value[:, made.clipped] = np.maximum(value[:, made.clipped], 1.0)
    drawn = np.arcsinh(np.float32(SOFT) * np.clip(value, 0.0, 1.0)) / np.float32(np.arcsinh(SOFT))
    return SRGB.encode(drawn**2)


def _beads(made: Cut, view: View, shots: Shots, i: int) -> list[Bead] | None:
    picture = made.picture.copy()
    picture[:, made.clipped] = 1.0
    return find_beads(picture, view, float(shots.moon[i, 2]))


def _mark(canvas: Canvas, beads: list[Bead], view: View, x: float, y: float, radius: float) -> None:
    """Put a tick and the angle outside the limb at each bead."""
    height = max(10.0, 0.04 * view.side)
    for bead in beads:
        ux, uy = (float(d) for d in view.orientation.towards(bead.position_angle))
        for step in np.linspace(1.12, 1.2, 24) * radius:
            row, column = round(y + uy * step), round(x + ux * step)
            if 0 <= row < canvas.picture.shape[1] and 0 <= column < canvas.picture.shape[2]:
                canvas.picture[:, row, column] = 0.8
        tx, ty = x + ux * 1.32 * radius, y + uy * 1.27 * radius - 0.5 * height
        canvas.labels.append(Label(f"{bead.position_angle:.1f}°", tx, ty, height))


def _centres(rows: list[NDArray[np.int64]], cell: int) -> list[tuple[float, float]]:
    widest = max(r.size for r in rows)
    out, top = [], 0.0
    for r in rows:
        left = (widest - r.size) / 2.0
        out += [((left + k + 0.5) * cell, top + 0.55 * cell) for k in range(r.size)]
        top += 1.25 * cell if r.size else 0.0
    return out


def _signed(seconds: float) -> str:
    return f"{'+' if seconds >= 0 else '−'}{abs(seconds):.1f}"


def _iso(time: Time) -> str:
    return f"{Time(time, precision=1).utc.isot}Z"


def _entry(
    shots: Shots, i: int, contact: str, since: float, beads: list[Bead] | None
) -> dict[str, Any]:
    sigma = float(shots.sigma_s[i])
    return {
        "file": str(shots.file[i]),
        "utc": shots.utc(i),
        "utc_sigma_s": round(sigma, 3) if math.isfinite(sigma) else None,
        "contact": contact,
        "seconds_from_contact": round(since, 2),
        "moon_x": float(shots.moon[i, 0]),
        "moon_y": float(shots.moon[i, 1]),
        # Null: exposed too long to tell beads from prominences.
        "beads": beads
        and [
            {
                "position_angle": round(b.position_angle, 2),
                "width_deg": round(b.width_deg, 2),
                "light": round(b.light, 3),
            }
            for b in beads
        ],
    }
