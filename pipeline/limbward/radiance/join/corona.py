"""From the merges of several bodies to one corona, and what each of them gave."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from os import PathLike
from typing import Any

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray

from limbward.geometry.grid import Grid
from limbward.radiance.assembly import Made, Plan
from limbward.radiance.field import Field, describe_field
from limbward.radiance.fits_rows import RowsFile
from limbward.radiance.join.blend import bands
from limbward.radiance.join.choice import MISMATCH
from limbward.radiance.join.instrument import Instrument
from limbward.radiance.join.part import NO_TIE, Part, Tie, noise_area
from limbward.radiance.join.plan import JointPlan, joint_grid, plan_joint, whole_grid
from limbward.radiance.join.tie import tie
from limbward.radiance.merge import Merged, moon_box
from limbward.radiance.selection import Frames
from limbward.radiance.sky import Blocks, Sky, fit_blocks, sky_rows, write_sky

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]
Store = Callable[[NDArray[Any]], NDArray[Any]]

RINGS = (1.0, 1.1, 1.2, 1.35, 1.5, 1.75, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 13.0, 16.0, 20.0)
GREEN = 1


@dataclass(frozen=True)
class Body:
    """A body that has been merged by itself.

    Attributes
    ----------
    frames : Frames
    field : Field
    made : Made
        What came of it, without its pixels.
    part : Part
        Its pixels.
    named : bool
        Whether the config names it.
    """

    frames: Frames
    field: Field
    made: Made
    part: Part
    named: bool

    @property
    def merged(self) -> NDArray[np.bool_]:
        """Which of its frames are in it."""
        return np.array([k not in self.made.left_out for k in range(len(self.frames.row))])


def body_of(plan: Plan, made: Made, *, named: bool, store: Store) -> Body:
    """Return a merged body whose pixels are put where ``store`` puts them.

    Parameters
    ----------
    plan : Plan
    made : Made
        The sky left in.
    named : bool
    store : callable
        Takes an array, returns one of the same values, such as one on disk.
    """
    frames, grid = plan.frames, plan.field.grid
    middle = np.array([(frames.width - 1) / 2.0, (frames.height - 1) / 2.0])
    places = [np.linalg.solve(f.affine[:, :2], middle - f.affine[:, 2]) for f in plan.todo]
    axis = np.median(places, axis=0)
    merged = made.corona.merged
    part = Part(
        name=f"{frames.camera} {frames.serial}".strip(),
        grid=grid,
        radiance=store(merged.radiance),
        sigma=store(merged.sigma),
        count=store(merged.count),
        area=noise_area(plan.survey.pattern),
        axis=(float(axis[0]), float(axis[1])),
        corner=float(np.hypot(frames.width, frames.height)) / 2.0,
    )
    none = np.empty((3, 0, 0), np.float32)
    bare = Merged(none, none, np.empty((0, 0), np.uint16), merged.failed)
    made = replace(made, corona=replace(made.corona, merged=bare))
    return Body(frames, plan.field, made, part, named)


@dataclass(frozen=True)
class Joint:
    """Bodies laid on each other.

    Attributes
    ----------
    bodies : list of Body
        The finest first, whose radiance, place and colour are the joint picture's.
    ties : list of Tie
    plan : JointPlan
    left_out : list of (Body, str)
        Those that do not fit, and why.
    """

    bodies: list[Body]
    ties: list[Tie]
    plan: JointPlan
    left_out: list[tuple[Body, str]]

    @property
    def words(self) -> str:
        """What it is made of, and which body gives its scale."""
        names = ", ".join(f"{b.part.name} ({int(b.merged.sum())} frames)" for b in self.bodies)
        grid = self.plan.grid
        told = f"Merged into one picture of {grid.width} x {grid.height} pixels: {names}."
        if len(self.bodies) == 1:
            return told
        return (
            f"{told} {self.bodies[0].part.name} is the finest ({grid.scale_arcsec:.2f} arcsec per "
            "pixel), so scale, place and colours are its own; the others lower the noise and show "
            "what it did not reach."
        )

    @property
    def misfits(self) -> list[tuple[str, str, str]]:
        """Camera, serial number and why, of those that do not fit."""
        return [(b.frames.camera, b.frames.serial, why) for b, why in self.left_out]

    @property
    def field(self) -> Field:
        """Of the joint picture."""
        return replace(self.bodies[0].field, grid=self.plan.grid)


def lay_together(
    bodies: Sequence[Body],
    *,
    side: int | None,
    most_pixels: float,
    warn: Callable[[str], None],
    note: Callable[[str], None],
) -> Joint:
    """Return how bodies lie on each other and where each counts.

    Parameters
    ----------
    bodies : sequence of Body
    side : int, optional
        Of a square result that is wanted, pixels.
    most_pixels : float
        To about which the result is cut, if the fields of all are larger.
    warn, note : callable
        Told of what a user should know.
    """
    ordered = sorted(bodies, key=lambda b: b.part.grid.scale_arcsec)
    first = ordered[0]
    kept, ties, left_out = [first], [NO_TIE], []
    for body in ordered[1:]:
        found = tie(first.part, body.part, first.field.sun_radius_px)
        why = _misfit(first, body, found)
        if found is None or (why and not body.named):
            left_out.append((body, why))
            continue
        if why:
            warn(f"{body.part.name} is merged because merge.cameras names it, but {why}.")
        kept.append(body)
        ties.append(found)
    parts = [b.part for b in kept]
    grid = joint_grid(parts, side, most_pixels)
    whole = whole_grid(parts)
    if side is None and grid.width * grid.height < 0.98 * whole.width * whole.height:
        note(
            f"The fields of all cameras would make a picture of {whole.width} x {whole.height} "
            f"pixels; it is cut to {grid.width} x {grid.height} around the Sun. "
            "merge.largest_megapixels in the config sets how large it may be."
        )
    field = replace(first.field, grid=grid)
    plan = plan_joint(parts, ties, grid, field.moon, field.sun_radius_px)
    return Joint(kept, ties, plan, left_out)


def _misfit(first: Body, body: Body, found: Tie | None) -> str:
    if found is None:
        return f"its picture does not overlap that of {first.part.name}"
    if not (np.isfinite(found.gain).all() and (found.gain > 0).all()) or found.mismatch > MISMATCH:
        return (
            f"its picture does not fit that of {first.part.name}: their brightness differs by "
            f"{100 * found.mismatch:.0f} % from place to place"
        )
    return ""


def write_joint(
    path: str | PathLike[str],
    joint: Joint,
    *,
    take_sky_off: bool,
    solar_radius_km: float,
    progress: Callable[[], None] | None = None,
) -> tuple[Sky | None, Header]:
    """Join the bodies and write the corona, row by row.

    Parameters
    ----------
    path : path
    joint : Joint
    take_sky_off : bool
    solar_radius_km : float
        The photosphere's, to which the coordinates refer.
    progress : callable, optional
        Called after each band of rows, ``number_of_bands`` of them.

    Returns
    -------
    Sky or None
        What was taken off.
    Header
        As written.
    """
    grid = joint.plan.grid
    header = _header(joint, solar_radius_km)
    surface = joint.bodies[0].made.corona.surface
    shape = (3, grid.height, grid.width)
    shapes: dict[str, tuple[tuple[int, ...], str]] = {
        "": (shape, "f4"),
        "SIGMA": (shape, "f4"),
        "COUNT": (shape[1:], "u2"),
    }
    if surface is not None:
        shapes["MOON"] = (surface.radiance.shape, "f4")
    # The header is as long as it will be: its values come when the sky is known.
    write_sky(header, Sky(*np.zeros((4, 3))) if take_sky_off else None)
    blocks, sky = Blocks(grid), None
    tops = []
    with RowsFile(path, header, shapes, _history(joint)) as file:
        for band in bands(joint.plan):
            file.write("", band.top, band.radiance)
            file.write("SIGMA", band.top, band.sigma)
            file.write("COUNT", band.top, band.count)
            tops.append((band.top, band.radiance.shape[1]))
            if take_sky_off:
                blocks.add(band.top, band.radiance)
            if progress is not None:
                progress()
        if take_sky_off:
            sky = fit_blocks(blocks.means(), blocks.factor, grid, joint.field.sun_radius_px)
            if sky is not None:
                for top, number in tops:
                    rows = file.read("", top, number)
                    sky_rows(rows, grid, sky, -1.0, top)
                    file.write("", top, rows)
            write_sky(header, sky)
            file.update(header)
        if surface is not None:
            file.write("MOON", 0, surface.radiance)
    return sky, header


def _header(joint: Joint, solar_radius_km: float) -> Header:
    """Return the header of all bodies' frames under the first's field."""
    first = joint.bodies[0]
    frames = [b.frames for b in joint.bodies]
    both = replace(
        first.frames,
        row=np.concatenate([f.row for f in frames]),
        start_s=np.concatenate([f.start_s for f in frames]),
        exposure_s=np.concatenate([f.exposure_s for f in frames]),
    )
    failed = np.flatnonzero(~np.concatenate([b.merged for b in joint.bodies]))
    # That of the first body says what its camera is like; place, times and sums are all bodies'.
    header = first.made.corona.header.copy()
    for card in describe_field(joint.field, both, set(failed.tolist()), solar_radius_km).cards:
        if card.keyword not in ("HISTORY", "COMMENT", ""):
            header[card.keyword] = (card.value, card.comment)
    header["NBODIES"] = (len(joint.bodies), "bodies merged; tables/bodies.ecsv has them")
    for n, body in enumerate(joint.bodies, start=1):
        header[f"BODY{n}"] = (body.part.name, "camera and serial number")
    if first.made.corona.surface is not None:
        own = first.part.grid
        box = moon_box(first.field.moon)
        left, top = (
            (joint.plan.grid.width - own.width) // 2,
            (joint.plan.grid.height - own.height) // 2,
        )
        header["MOONLEFT"] = (box.left + left, "left column of the MOON extension, from 0")
        header["MOONTOP"] = (box.top + top, "its top row, from 0 at the top")
    return header


def _history(joint: Joint) -> list[str]:
    count = sum(int(b.merged.sum()) for b in joint.bodies)
    lines = [
        f"Linear merge of {count} raw frames of {len(joint.bodies)} cameras, registered on the "
        "Sun's centre.",
        "Weights from the predicted radiance and the camera's noise (Granados et al. 2010).",
        "Each camera was merged by itself; fine scales are the sharper one's, coarse ones are "
        "weighed by noise.",
    ]
    for body, found in zip(joint.bodies, joint.ties, strict=True):
        gains = ", ".join(f"{g:.5g}" for g in found.gain)
        lines.append(f"{body.part.name}: times {gains} (red, green, blue).")
        lines += [f"{body.part.name}: {line}" for line in body.made.calibration]
    return lines


def given(joint: Joint) -> tuple[Floats, list[Instrument]]:
    """Return the edges of rings, solar radii, and what each body gave to them."""
    plan = joint.plan
    small: Grid = plan.grid.reduced(plan.factor)
    rows, columns = np.indices((small.height, small.width))
    away = np.hypot(columns - small.sun_x, rows - small.sun_y)
    rho = away * plan.factor / joint.field.sun_radius_px
    last = int(np.searchsorted(RINGS, rho.max()))
    edges = np.array(RINGS[: max(last + 1, 2)])
    ring = np.digitize(rho, edges) - 1
    total = sum(s[GREEN] for s in plan.share)
    out = []
    for k, body in enumerate(joint.bodies):
        share, covered = np.zeros(edges.size - 1), np.zeros(edges.size - 1)
        for n in range(edges.size - 1):
            here = ring == n
            lit = here & (total > 0)
            if lit.any():
                share[n] = float((plan.share[k][GREEN][lit] / total[lit]).mean())
            if here.any():
                # Of the whole ring, also where it reaches beyond the picture.
                area = np.pi * (edges[n + 1] ** 2 - edges[n] ** 2)
                cell = (plan.factor / joint.field.sun_radius_px) ** 2
                covered[n] = min(float((here & plan.whole[k]).sum()) * cell / area, 1.0)
        out.append(_instrument(body, joint.ties[k], share, covered))
    return edges, out


def _instrument(body: Body, tie: Tie, share: Floats, covered: Floats) -> Instrument:
    frames, merged, camera = body.frames, body.merged, body.field.camera
    return Instrument(
        camera=frames.camera,
        serial=frames.serial,
        frames=int(merged.sum()),
        exposure_s=float(frames.exposure_s[merged].sum()),
        pixel_scale_arcsec=camera.pixel_scale_arcsec,
        up_position_angle=camera.up_position_angle,
        mirrored=camera.mirrored,
        width=frames.width,
        height=frames.height,
        gain=tie.gain,
        gain_sigma=tie.gain_sigma,
        offset=tie.offset,
        shift_px=tie.shift,
        scale_correction=tie.scale,
        turn_deg=tie.turn_deg,
        # What is left beside what was taken out of the frames.
        radial=body.field.lens.growth + tie.radial,
        radial_sigma=tie.radial_sigma,
        blur_px=float(np.sqrt(tie.blur)),
        mismatch=tie.mismatch,
        share=share,
        covered=covered,
    )
