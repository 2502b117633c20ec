"""From filtered frames of one camera to the Sun's picture at greatest eclipse, and its file."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray

from limbward.camera.frame import RawFrame
from limbward.errors import LimbwardError
from limbward.geometry.disc import Disc
from limbward.geometry.grid import add_moon, frame_affine
from limbward.radiance.disc_stack import DiscFrame, DiscStack, stack_discs
from limbward.radiance.field import Field, describe_field
from limbward.radiance.fits import write_picture
from limbward.radiance.masters import Masters
from limbward.radiance.selection import Files, Frames, calibration_files
from limbward.radiance.survey import Survey

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]
Decoded = Iterable[tuple[int, RawFrame | LimbwardError]]

CENTRE = 0.25  # solar radii about the centre, whose colour is to be neutral
COLOURS = 5  # frames, nearest in time, that tell the colour of the Sun's centre
CENTRE_FREE = 0.1  # solar radii from there to the Moon's limb


@dataclass(frozen=True)
class SunPicture:
    """A stack with all that is said of it.

    Attributes
    ----------
    stack : DiscStack
    header : Header
    calibration : list of str
        What was done to the frames, a line each.
    """

    stack: DiscStack
    header: Header
    calibration: list[str]


def make_sun(
    files: Files,
    frames: Frames,
    field: Field,
    reference: int,
    blur_px: Floats,
    white: Floats | None,
    read: Callable[[Path], RawFrame],
    ahead: Callable[[list[int]], Decoded],
    *,
    solar_radius_km: float,
    warn: Callable[[str], None],
    progress: Callable[[], None] | None = None,
) -> SunPicture:
    """Stack filtered frames.

    Parameters
    ----------
    files : Files
        All there are; those that calibrate are found among them.
    frames : Frames
        Those to be stacked.
    field : Field
    reference : int
        Number of the frame whose Moon the picture shows.
    blur_px : ndarray, shape (N,)
        Of the frames' limbs.
    white : ndarray, shape (3,), optional
        Multipliers that make the Sun's centre neutral, green 1.
    read : callable
        Decodes a file.
    ahead : callable
        Decodes frames by their numbers, in order.
    solar_radius_km : float
        The photosphere's, to which the coordinates refer.
    warn : callable
        Told of calibration frames that are not used.
    progress : callable, optional
        Called after each frame.

    Raises
    ------
    LimbwardError
        If no frame can be decoded.
    """
    calibrating = calibration_files(files, frames)
    survey = Survey(calibrating, frames, read)
    masters = Masters(calibrating, frames, survey, warn)
    todo = {k: _disc_frame(frames, k, field, survey, blur_px) for k in range(len(frames.row))}
    stack = stack_discs(
        todo,
        _in_order(reference, survey, list(todo), ahead),
        field.grid,
        field.sun_radius_px,
        masters,
        progress,
    )
    header = describe_field(field, frames, stack.failed, solar_radius_km)
    survey.describe(header)
    shown = next(iter(stack.relative))  # the reference, or the next that could be decoded
    add_moon(header, todo[shown].moon, field.grid.height)
    for key in ("MOONX", "MOONY"):
        header.comments[key] = "Moon's centre in the reference frame, pixel"
    header["REFFILE"] = (frames.path[shown].name[:60], "whose Moon this is")
    header["REFBLUR"] = (float(blur_px[shown]), "pixels, blur of the Sun's limb in that frame")
    if white is not None:
        for c, value in enumerate(white, start=1):
            header[f"SUNWB{c}"] = (float(value), "makes the Sun's centre neutral")
    return SunPicture(stack, header, masters.used)


def _disc_frame(frames: Frames, k: int, field: Field, survey: Survey, blur_px: Floats) -> DiscFrame:
    lens, moon = field.lens, frames.moon[k]
    sun_x, sun_y = (float(v) for v in lens.straight(frames.sun[k].x, frames.sun[k].y))
    radius = lens.straight_disc(moon.x, moon.y, moon.radius)[2]
    affine = frame_affine(field.grid, sun_x, sun_y, field.camera, float(frames.rotation_deg[k]))
    back = np.linalg.inv(affine[:, :2])
    x, y = back @ (np.array(lens.straight(moon.x, moon.y)) - affine[:, 2])
    return DiscFrame(
        affine,
        float(frames.light_s[k]),
        Disc(float(x), float(y), float(radius)),
        float(blur_px[k]),
        survey.noise[float(frames.iso[k])],
        lens,
    )


def _in_order(
    first: int, survey: Survey, numbers: list[int], ahead: Callable[[list[int]], Decoded]
) -> Iterator[tuple[int, RawFrame | LimbwardError]]:
    """Yield all frames, the reference first, those that the survey has decoded without reading."""
    others = [k for k in numbers if k not in survey.kept and k != first]
    if first in survey.kept:
        yield first, survey.kept.pop(first)
    else:
        others.insert(0, first)
    yield from ahead(others)
    yield from survey.released()


def centre_colour(planes: Pixels, factor: int, sun: Disc, moon: Disc | None) -> Floats | None:
    """Return the mean R, G, B about the Sun's centre in a reduced frame; None if it is not seen.

    Parameters
    ----------
    planes : ndarray of float32, shape (3, h, w)
        Linear, black subtracted.
    factor : int
        Pixels of the frame to one of these.
    sun, moon : Disc
        Pixels of the frame; no Moon for the whole Sun.
    """
    if moon is not None:
        free = np.hypot(moon.x - sun.x, moon.y - sun.y) - moon.radius
        if free < (CENTRE + CENTRE_FREE) * sun.radius:
            return None
    y, x = np.indices(planes.shape[1:], dtype=float)
    away = np.hypot((x + 0.5) * factor - 0.5 - sun.x, (y + 0.5) * factor - 0.5 - sun.y)
    near = away < CENTRE * sun.radius
    if not near.any():
        return None
    mean = np.asarray(planes[:, near].mean(axis=1), float)
    return mean if np.isfinite(mean).all() and mean.min() > 0 else None


def white_of(
    files: Files,
    rows: NDArray[np.int64],
    reference: int,
    planes: Callable[[int], tuple[Pixels, int]],
) -> Floats | None:
    """Return what makes the Sun's centre neutral, by frames next to one; None if none shows it.

    Parameters
    ----------
    files : Files
    rows : ndarray of int
        Frames of one camera that show the Sun and are clipped nowhere.
    reference : int
        The row of the frame next to which they are looked for.
    planes : callable
        Takes a row, returns its colours (3, h, w) and by how much they are smaller.
    """
    away = np.abs(files.start_s[rows] - files.start_s[reference])
    colours: list[Floats] = []
    for row in rows[np.argsort(np.nan_to_num(away, nan=np.inf), kind="stable")]:
        moon = Disc(*files.moon[row]) if np.isfinite(files.moon[row]).all() else None
        small, factor = planes(row)
        colour = centre_colour(small, factor, Disc(*files.sun[row]), moon)
        if colour is not None:
            colours.append(colour)
        if len(colours) == COLOURS:
            break
    return neutral(colours)


def neutral(colours: list[Floats]) -> Floats | None:
    """Return multipliers that make the median of colours (3,) neutral, green 1; None of none."""
    if not colours:
        return None
    ratio = np.median([colour[1] / colour for colour in colours], axis=0)
    return np.asarray(ratio, float)


def sun_white(header: Header) -> Floats | None:
    """Return the multipliers that make the Sun's centre neutral; None where it was not seen."""
    if "SUNWB1" not in header:
        return None
    return np.array([float(header[f"SUNWB{c}"]) for c in (1, 2, 3)])


def write_sun(path: str | PathLike[str], sun: SunPicture) -> None:
    """Write the picture as FITS, with ``SIGMA`` and ``COUNT``.

    Parameters
    ----------
    path : path
    sun : SunPicture
    """
    stack = sun.stack
    frames = int(sun.header["NFRAMES"])
    history = [f"{frames} filtered frames, registered on the Sun's centre: their linear mean."]
    history += [
        "The Moon is that of the reference frame: beside its limb only that frame counts, "
        "elsewhere each frame where its own Moon leaves the Sun free.",
    ]
    if frames == 1:
        history = ["One filtered frame, linear."]
    history += sun.calibration
    extensions: dict[str, NDArray[Any]] = {"SIGMA": stack.sigma, "COUNT": stack.count}
    write_picture(path, stack.radiance, sun.header, extensions, history)
