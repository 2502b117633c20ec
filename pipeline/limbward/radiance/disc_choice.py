"""Which filtered frames are stacked: the sharpest of the ring, or of the deepest crescent."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from limbward.geometry.ring import covered_diameter, shows_ring
from limbward.radiance.selection import Files, Frames, choose

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Texts = NDArray[np.object_]

# A crescent that is shallower by this part of the diameter looks no different; the Moon crosses it
# in 80 s (half an arcsecond per second), and near greatest eclipse takes longer.
AS_DEEP = 0.02
# Of the sharpest frame's blur: with frames up to this much softer the stack's limb is softer by
# half of that, which is no more than the blur of one frame is known to.
AS_SHARP = 1.05
MOST = 60  # frames: what more would add to a noise of an eighth is not worth their time


@dataclass(frozen=True)
class DiscFrames:
    """The frames of a stack of the Sun's disc.

    Attributes
    ----------
    rows : ndarray of int
        In the order of taking.
    reference : int
        The row whose Moon the picture shows.
    ring : bool
        Whether they show a ring; else the deepest crescent.
    """

    rows: NDArray[np.int64]
    reference: int
    ring: bool


def choose_discs(
    usable: NDArray[np.bool_], sun: Floats, moon: Floats, limb_width: Floats, middle_s: Floats
) -> DiscFrames | None:
    """Choose the frames for a picture of the Sun at greatest eclipse.

    Parameters
    ----------
    usable : ndarray of bool, shape (N,)
        Filtered frames of one camera that are not clipped.
    sun, moon : ndarray, shape (N, 3)
        Centre x, y and radius, pixels.
    limb_width : ndarray, shape (N,)
        Blur of the Sun's limb (standard deviation), pixels.
    middle_s : ndarray, shape (N,)
        Middle of the exposures, seconds from greatest eclipse; NaN where not known.

    Returns
    -------
    DiscFrames or None
        None if no usable frame shows the Moon before the Sun.

    Notes
    -----
    Of the frames that show a ring, or, where none does, of those that are as deep as the deepest,
    the sharpest are taken. The one nearest to the middle of the eclipse (the deepest, where times
    are not known) lends the picture its Moon.
    """
    depth = covered_diameter(sun, moon)
    known = usable & (depth > 0) & np.isfinite(limb_width)
    ring = known & shows_ring(sun, moon)
    deep = ring if ring.any() else known & (depth > np.max(depth[known], initial=0.0) - AS_DEEP)
    if not deep.any():
        return None
    sharp = np.flatnonzero(deep & (limb_width <= AS_SHARP * limb_width[deep].min()))
    timed = np.isfinite(middle_s[sharp])
    if timed.any():
        late = np.where(timed, np.abs(middle_s[sharp]), np.inf)
        reference = int(sharp[np.argmin(late)])
        away = np.abs(middle_s[sharp] - middle_s[reference])
        sharp = np.sort(sharp[np.argsort(np.nan_to_num(away, nan=np.inf), kind="stable")[:MOST]])
    else:
        reference = int(sharp[np.argmax(depth[sharp])])
        sharp = np.union1d(sharp[:MOST], [reference])
    return DiscFrames(sharp, reference, bool(ring.any()))


def choose_filtered(
    files: Files, seen: Mask, limb_width: Floats, wanted: str | None, where: str, note: Texts
) -> tuple[Frames, DiscFrames] | None:
    """Return one camera's frames to be stacked; None if none shows the Moon before the Sun.

    Parameters
    ----------
    files : Files
    seen : ndarray of bool, shape (N,)
        Those that show the Sun behind a filter.
    limb_width : ndarray, shape (N,)
        Blur of the Sun's limb (standard deviation), pixels.
    wanted, where, note
        As `choose` takes them.

    Raises
    ------
    ConfigError
        If no camera of the dump is called so.
    """
    seen = seen & np.isfinite(files.moon).all(axis=1)
    mine = choose(replace(files, usable=seen), wanted, where, note)
    if mine is None:
        return None
    of_camera = np.zeros(seen.size, bool)
    of_camera[mine.row] = True
    middle = files.start_s + 0.5 * files.exposure_s
    found = choose_discs(of_camera, files.sun, files.moon, limb_width, middle)
    if found is None:
        return None
    chosen = np.zeros(seen.size, bool)
    chosen[found.rows] = True
    frames = choose(replace(files, usable=chosen), wanted, where, note)
    return None if frames is None else (frames, found)


def filtered(files: Files, clipped: Mask) -> Mask:
    """Return which frames show the Sun behind a filter, whole or in part, and are not clipped."""
    seen = (files.phase == "partial") & np.isfinite(files.sun).all(axis=1)
    return np.asarray(seen & ~clipped)
