"""`limbward chromosphere`: the Sun in hydrogen-alpha, stacked from all phases, and measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from astropy.io.fits import Header
from astropy.time import TimeDelta
from numpy.typing import NDArray

from limbward.camera.bands import is_narrow
from limbward.config import Config, place_and_time
from limbward.errors import LimbwardError
from limbward.geometry.disc import Disc
from limbward.geometry.grid import Grid, Observer, world_header
from limbward.products.shots import cuts, read_shots
from limbward.radiance.field import observer_of
from limbward.radiance.fits import write_picture
from limbward.render.line import shown
from limbward.render.writers import Caption, write_png
from limbward.sequences.cut import Cut, View
from limbward.sequences.line_disc import (
    LineDisc,
    Stack,
    flattened,
    off_limb,
    prominences_of,
    shift_of,
)
from limbward.sequences.prominences import TOP_ARCSEC, Prominence, km_per_arcsec
from limbward.sequences.shots import Shots
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.columns import floats, texts
from limbward.workspace.product import Product, artefact, write_product
from limbward.workspace.stored import read_stage_tables

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]

FITS, PNG = Workspace.chromosphere, "sequences/chromosphere.png"
# The Moon's edge is where the Sun's place puts it, so that a frame is cut anew where it was found.
ROUNDS = 2
BEYOND_ARCSEC = TOP_ARCSEC + 20.0  # of the limb, to the sides of the picture


@dataclass(frozen=True)
class Session:
    """Frames of one body, the Sun's place in each, and how they lie in the picture."""

    shots: Shots
    centre: Floats  # (N, 2), raw pixels
    blur_px: Floats  # of the limb, raw pixels; NaN where not measured
    view: View

    def take(self, index: NDArray[np.int64], centre: Floats) -> Session:
        """Return some of the frames, with the Sun at other places."""
        return Session(self.shots.take(index), centre, self.blur_px[index], self.view)

    def moon(self, k: int) -> Disc:
        """Return the Moon in the picture, by the ephemeris and the frame's time."""
        t = np.array([self.shots.middle_s[k]])
        east, north = self.shots.track.offset_arcsec(t)[0]
        dx, dy = self.view.orientation.to_pixels(east, north)
        radius = float(self.shots.track.moon_radius_arcsec(t)[0]) / self.view.scale_arcsec
        return Disc(self.view.centre + float(dx), self.view.centre + float(dy), radius)

    def blur(self, k: int) -> float:
        """Return a frame's blur in the picture, pixels; the usual one where it is not known."""
        known = self.blur_px[np.isfinite(self.blur_px)]
        usual = float(np.median(known)) if known.size else 1.0
        mine = self.blur_px[k]
        return float(mine) if np.isfinite(mine) else usual


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Write the Sun in the line as FITS and PNG, and the prominences that are measured in it.

    Raises
    ------
    LimbwardError
        If no frame of a body in a spectral line shows the Sun's disc.
    """
    camera = config.chromosphere.camera or _line_camera(workspace)
    partial = read_shots(config, workspace, ("partial",), camera, "chromosphere")
    if not len(partial):
        raise LimbwardError(
            "There are no frames of the partial phases in hydrogen-alpha. Say which camera took "
            "them by bodies: [{camera: ..., band: h-alpha}] in the config."
        )
    excess, excess_sigma = _excess(workspace, partial)
    session = _session(workspace, partial, excess)
    arcsec = float(partial.track.sun_radius_arcsec(np.zeros(1))[0])
    stack = Stack(session.view, (1.0 + excess) * arcsec / session.view.scale_arcsec)
    notes: list[str] = []
    with reporter.progress(len(partial), "stacking the disc") as advance:
        for k, cut in cuts(config, partial, session.centre, [session.view] * len(partial)):
            _add(stack, session, k, cut, notes)
            advance()
    placed = _totality(config, workspace, camera, session, stack, reporter, notes)
    disc = stack.disc()
    found = prominences_of(disc, excess, stack.away)[: config.prominences.count]
    _write(config, workspace, session, disc, stack)
    km = km_per_arcsec(_observer(config, partial).distance_km * 1000.0)
    product = Product(
        name="chromosphere",
        title="Chromosphere",
        caption="The Sun in hydrogen-alpha: frames of all phases registered on its disc, without "
        "limb darkening and scattered light. Heights are above the limb in white light, to where a "
        "prominence falls to half of its brightness at the top, or to 1 % of the disc's centre.",
        alt="The Sun's disc in hydrogen-alpha with prominences",
        picture=PNG,
        numbers=_numbers(excess, excess_sigma, len(partial), len(placed), found, km),
        warnings=notes,
        files=[FITS, artefact("chromosphere")],
        details={
            "camera": partial.camera,
            "serial": partial.serial,
            "sun_radius_excess": excess,
            "sun_radius_excess_sigma": excess_sigma,
            "frames": len(partial) + len(placed),
            "registered_in_totality": placed,
            "prominences": [_entry(p, km) for p in found],
        },
    )
    write_product(workspace, reporter, product)


def _line_camera(workspace: Workspace) -> str | None:
    """Return the camera with most frames in a spectral line; None before the first run.

    Raises
    ------
    LimbwardError
        If no frame is in such a line.
    """
    if not workspace.path(Workspace.table("ingest")).exists():
        return None
    (ingest,) = read_stage_tables(workspace, "ingest")
    band, camera, serial = (texts(ingest, name) for name in ("band", "camera", "serial"))
    lines = np.array([is_narrow(b) for b in band], bool)
    if not lines.any():
        raise LimbwardError(
            "No frame is in the light of a spectral line; say which are by a band under bodies in "
            "the config, such as bodies: [{name: solar telescope, files: ['card-2/*'], band: "
            "h-alpha}]."
        )
    names, counts = np.unique(camera[lines].astype(str), return_counts=True)
    name = str(names[np.argmax(counts)])
    return name or str(serial[lines][0]) or None


def _excess(workspace: Workspace, shots: Shots) -> tuple[float, float | None]:
    """Return by what part the line shows the Sun larger; by the discs where timing has no word."""
    told = workspace.read_json(Workspace.pointing)["cameras"]
    for entry in told:
        mine = (entry["camera"] or "", entry["serial"] or "") == (shots.camera, shots.serial)
        if mine and "sun_radius_excess" in entry:
            return float(entry["sun_radius_excess"]), float(entry["sun_radius_excess_sigma"])
    expected = shots.track.sun_radius_arcsec(shots.middle_s)
    scale = np.array([o.pixel_scale_arcsec for o in shots.orientation])
    return float(np.median(shots.sun[:, 2] * scale / expected - 1.0)), None


def _session(workspace: Workspace, shots: Shots, excess: float) -> Session:
    arcsec = (1.0 + excess) * float(np.max(shots.track.sun_radius_arcsec(shots.middle_s)))
    scale = shots.orientation[0].pixel_scale_arcsec
    side = 2 * int(np.ceil((arcsec + BEYOND_ARCSEC) / scale)) + 1
    view = View(side, scale, float(shots.solar_north[len(shots) // 2]))
    return Session(shots, shots.sun[:, :2], _blurs(workspace, shots), view)


def _blurs(workspace: Workspace, shots: Shots) -> Floats:
    (ingest,) = read_stage_tables(workspace, "ingest")
    by_file = dict(zip(texts(ingest, "file"), floats(ingest, "limb_width"), strict=True))
    return np.array([by_file.get(file, np.nan) for file in shots.file], float)


def _add(stack: Stack, session: Session, k: int, cut: Cut | str, notes: list[str]) -> None:
    """Add a frame, with a weight by its sharpness: half as sharp is a sixteenth of the weight."""
    if isinstance(cut, str):
        notes.append(cut)
        return
    blur = session.blur(k)
    clear = stack.clear(session.moon(k), blur)
    relative = stack.relative(cut, float(session.shots.light[k]), clear)
    if relative is not None:
        stack.add(relative, clear, blur**-4.0)


def _totality(
    config: Config,
    workspace: Workspace,
    camera: str | None,
    before: Session,
    stack: Stack,
    reporter: Reporter,
    notes: list[str],
) -> list[dict[str, Any]]:
    """Register frames of totality on the prominences of the others, and add them."""
    dark = read_shots(
        config, workspace, ("totality", "contact"), camera, "chromosphere", placed=False
    )
    if not len(dark):
        return []
    t, at = before.shots.middle_s, before.centre
    centre = np.column_stack([np.interp(dark.middle_s, t, at[:, i]) for i in (0, 1)])
    session = Session(dark, centre, _blurs(workspace, dark), before.view)
    views = [session.view] * len(dark)
    template = off_limb(stack.disc().picture, stack.away, np.ones_like(stack.away))
    moved = {k: centre[k] for k in range(len(dark))}
    with reporter.progress((ROUNDS + 1) * len(dark), "registering totality") as advance:
        for turn in range(ROUNDS + 1):
            rows = np.array(sorted(moved), np.int64)
            if not rows.size:
                break
            now = session.take(rows, np.stack([moved[k] for k in rows]))
            for i, cut in cuts(config, now.shots, now.centre, views[: rows.size]):
                advance()
                if turn == ROUNDS:
                    _add(stack, now, i, cut, notes)
                    continue
                shift = _shift(stack, now, i, cut, template)
                if shift is None:
                    del moved[int(rows[i])]
                else:
                    moved[int(rows[i])] = now.centre[i] + shift
    left = len(dark) - len(moved)
    if left:
        notes.append(
            f"{left} of {len(dark)} frames of totality show too little of the prominences to be "
            "registered on them, and are left out."
        )
    return [
        {"file": str(dark.file[k]), "sun_x": round(float(x), 3), "sun_y": round(float(y), 3)}
        for k, (x, y) in sorted(moved.items())
    ]


def _shift(
    stack: Stack, session: Session, k: int, cut: Cut | str, template: Pixels
) -> Floats | None:
    """Return by how much the Sun lies off where a frame was cut, raw pixels; None if unknown."""
    if isinstance(cut, str):
        return None
    clear = stack.clear(session.moon(k), session.blur(k))
    relative = stack.relative(cut, float(session.shots.light[k]), clear)
    if relative is None:
        return None
    shift = shift_of(np.nan_to_num(relative), template, stack.away, clear)
    if shift is None:
        return None
    sky = session.view.orientation.to_sky(*shift)
    return np.array(session.shots.orientation[k].to_pixels(*sky), float)


def _observer(config: Config, shots: Shots) -> Observer:
    return observer_of(place_and_time.view_at(config, shots.epoch), config.sky.solar_radius_km)


def _write(
    config: Config, workspace: Workspace, session: Session, disc: LineDisc, stack: Stack
) -> None:
    view, shots = session.view, session.shots
    grid = Grid(view.side, view.side, view.scale_arcsec, view.up_position_angle)
    times = [
        shots.epoch + TimeDelta(float(s), format="sec")
        for s in (shots.middle_s.min(), shots.middle_s.mean(), shots.middle_s.max())
    ]
    header: Header = world_header(grid, _observer(config, shots), *times)
    for key in ("WCSAXES", "CTYPE3", "CRPIX3", "CRVAL3", "CDELT3"):
        header.remove(key)
    header["BUNIT"] = ("", "parts of the brightness of the disc's centre")
    header["RLINE"] = (disc.radius, "[pix] radius of the disc in the line")
    flat = flattened(disc, stack.away)
    extensions = {"SIGMA": disc.sigma, "COUNT": disc.count, "FLAT": flat}
    with workspace.writing(FITS) as part:
        write_picture(part, disc.picture, header, extensions)
    with workspace.writing(PNG) as part:
        picture = shown(flat, stack.away, config.chromosphere.colour)
        write_png(part, picture, Caption("The Sun in hydrogen-alpha"))


def _numbers(
    excess: float,
    sigma: float | None,
    partial: int,
    dark: int,
    found: list[Prominence],
    km: float,
) -> dict[str, str]:
    doubt = "" if sigma is None else f" ± {100.0 * sigma:.2f}"
    told = {
        "Sun larger than in white light by": f"{100.0 * excess:.2f}{doubt} %",
        "frames": f"{partial} of partial phases, {dark} of totality",
    }
    return told | {f"{n}": p.words(km) for n, p in enumerate(found, start=1)}


def _entry(p: Prominence, km: float) -> dict[str, Any]:
    return {
        "position_angle": round(p.position_angle, 2),
        "from_position_angle": round(p.first, 2),
        "to_position_angle": round(p.last, 2),
        "height_arcsec": round(p.height_arcsec, 2),
        "height_thousand_km": round(p.thousand_km(km), 2),
    }
