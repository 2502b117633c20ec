"""The sharpest parts of a video's pictures, registered and averaged to one still.

Short exposures through moving air are shifted, warped and blurred, and by other amounts in each
part of a picture: no single picture is sharp all over. So the field is cut into pieces that
overlap; in each, the pictures that are sharpest there are moved onto a reference and averaged.

References
----------
D. L. Fried, *Probability of getting a lucky short-exposure image through turbulence*, J. Opt. Soc.
Am. 68 (1978) 1651; N. M. Law, C. D. Mackay, J. E. Baldwin, *Lucky imaging: high angular resolution
imaging in the visible from the ground*, A&A 446 (2006) 739.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from limbward.camera.frame import BLUE, GREEN, RED, RawFrame
from limbward.camera.luminance import green_plane
from limbward.compiled import in_threads
from limbward.errors import LimbwardError
from limbward.picture.binning import block_mean
from limbward.radiance.kernels.video import add_picture, add_pieces, track_pieces
from limbward.radiance.video_filter import Strength, given_back

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]

PIECE = 48  # pixels of the plane, of a piece's side; pieces begin at every half of it
SMOOTH = 1.5  # pixels, standard deviation: a shift of so much is still followed
FINE = 0.8  # pixels: noise of single pixels is not sharpness
SHARPEST = 5  # pictures of each piece that say how strong its waves can be
LEAST = 8  # pictures to a piece, whatever the share
GEOMETRY = 0.3  # share of the pictures that make the reference: the more, the less it is warped
COARSE_SIDE = 256  # pixels of the picture in which the first shift is looked for
SHIFT_PX = 1.5  # what air shifts a piece by, standard deviation; only how stiff the fit is
AGREE = 4.0 * np.pi * SMOOTH**2  # pixels that agree by chance in a smoothed picture
REACH = 4.0  # pixels, furthest shift of a piece against the whole
SATURATED = 0.98
USED, BEST = 1, 2  # what a picture is to a piece
Pictures = Callable[[], Iterator[RawFrame]]


@dataclass(frozen=True)
class VideoStill:
    """A still made of a video.

    Attributes
    ----------
    values, sigma : ndarray of float32, shape (C, H, W)
        ADU above black, of one colour or three, and the standard error by the scatter of the
        pictures; NaN where no picture shows anything.
    count : ndarray of float32, shape (H, W)
        Pictures that make up each place: the inverse sum of the squared shares.
    reference : ndarray of int
        Numbers of the pictures that make the reference. The still shows what moves (the Moon before
        the Sun) where the mean of these has it.
    white : float
        Level from which values are clipped, ADU above black.
    pictures : int
        Number that were looked at.
    gain : float
        By how much noise was raised with the fine detail.
    """

    values: Pixels
    sigma: Pixels
    count: Pixels
    reference: NDArray[np.int64]
    white: float
    pictures: int
    gain: float = 1.0


@dataclass(frozen=True)
class _Survey:
    """Where K pictures lie, how bright they are, and how sharp in each of T pieces."""

    shift: Floats  # (K, 2), pixels of the plane
    light: Floats  # (K,)
    sharp: Pixels  # (K, T)


def stack_video(pictures: Pictures, share: float = 0.02) -> VideoStill:
    """Stack the sharpest parts of a video's pictures.

    Parameters
    ----------
    pictures : callable
        Returns an iterator over the pictures, alike in size; it is called three times. Two of them
        are held at a time.
    share : float
        Part of the pictures, the sharpest, that make up each place.

    Raises
    ------
    LimbwardError
        If there is no picture.
    """
    survey, shape = _survey(pictures)
    mean = survey.sharp.mean(axis=1)
    best = np.argsort(-mean, kind="stable")
    chosen = np.sort(best[: max(LEAST, round(GEOMETRY * best.size))])
    base, plane = _reference(pictures, survey, chosen)
    taken = max(LEAST, round(share * mean.size))
    order = np.argsort(-survey.sharp, axis=0, kind="stable")
    use = np.zeros(survey.sharp.shape, np.uint8)
    np.put_along_axis(use, order[:taken], USED, axis=0)
    np.put_along_axis(use, order[: min(taken, SHARPEST)], BEST, axis=0)
    return _stacked(pictures, survey, use, (base, plane), chosen, shape)


def _corners(shape: tuple[int, ...]) -> NDArray[np.int64]:
    """Return the corners (T, 2) x, y of pieces that cover a plane, two thick in each direction."""
    half = PIECE // 2
    ys, xs = (np.arange(-half, n, half) for n in shape)
    grid = np.stack(np.meshgrid(xs, ys), axis=-1)
    return grid.reshape(-1, 2)


def _survey(pictures: Pictures) -> tuple[_Survey, tuple[int, int]]:
    shifts, lights, sharps = [], [], []
    first: _First | None = None
    size = (0, 0)
    for frame in pictures():
        plane = green_plane(frame).image
        smooth = ndimage.gaussian_filter(plane, SMOOTH)
        if first is None:
            size = (frame.height, frame.width)
            first = _First(smooth)
        shift, light = first.place(smooth)
        shifts.append(shift)
        lights.append(light)
        sharps.append(_sharpness(plane / np.float32(light), shift))
    if first is None:
        raise LimbwardError("The video has no picture that can be decoded.")
    relative = np.array(lights) / float(np.median(lights))
    return _Survey(np.array(shifts), relative, np.array(sharps)), size


class _First:
    """The first picture, smooth, on which the others are placed."""

    def __init__(self, smooth: Pixels) -> None:
        self._smooth = smooth
        self._factor = max(1, -(-max(smooth.shape) // COARSE_SIDE))
        self._spectrum = self._of(smooth)
        self._last = np.zeros(2)

    def place(self, smooth: Pixels) -> tuple[Floats, float]:
        """Return where a picture lies on the first, x and y in pixels, and how bright it is.

        Tried are the place where the two are most alike, and that of the picture before: of a
        straight limb, or at a wide shift, the former may be wrong.
        """
        found = [self._refined(smooth, start) for start in (self._alike(smooth), self._last)]
        shift, light, _ = min(found, key=lambda f: f[2])
        self._last = shift
        return shift, light

    def _of(self, smooth: Pixels) -> NDArray[np.complex64]:
        small = block_mean(smooth, self._factor, np.float32)
        edges = ndimage.gaussian_gradient_magnitude(small, 1.0)
        return np.asarray(np.fft.rfft2(edges - edges.mean()), np.complex64)

    def _alike(self, smooth: Pixels) -> Floats:
        shape = [n // self._factor for n in smooth.shape]
        cross, size = (
            np.fft.irfft2(np.conj(self._spectrum) * self._of(smooth), shape),
            np.array(shape),
        )
        peak = np.array(np.unravel_index(int(np.argmax(cross)), cross.shape))
        peak = np.where(peak > size // 2, peak - size, peak)
        return np.asarray(self._factor * peak[::-1], float)

    def _refined(self, smooth: Pixels, start: Floats) -> tuple[Floats, float, float]:
        """Return a shift made better, the brightness, and what is left of the difference."""
        _, light = self._left(smooth, start)
        whole = np.array([[0.0, 0.0, *start]])
        reach = float(max(REACH, 1.5 * self._factor))
        even = smooth / np.float32(light)
        track_pieces(0, 1, even, self._smooth, whole, smooth.shape, 0.0, reach)
        shift = whole[0, 2:]
        left, light = self._left(smooth, shift)
        return shift, light, left

    def _left(self, smooth: Pixels, shift: Floats) -> tuple[float, float]:
        """Return the mean square of the difference where both show something, and the brightness.

        Compared at whole pixels, on what is brighter than the mean.
        """
        mine, other = [], []
        for n, s in zip(smooth.shape, np.rint(shift[::-1]).astype(int), strict=True):
            mine.append(slice(max(0, -s), max(0, min(n, n - s))))
            other.append(slice(max(0, s), max(0, min(n, n + s))))
        here, there = self._smooth[tuple(mine)], smooth[tuple(other)]
        if here.size < 0.1 * smooth.size:
            return np.inf, 1.0
        lit = here > here.mean()
        total = float(here[lit].sum(dtype=float))
        light = float(there[lit].sum(dtype=float)) / total if total > 0.0 else 1.0
        light = light if light > 0.0 else 1.0
        return float(np.mean((there / light - here) ** 2)), light


def _sharpness(plane: Pixels, shift: Floats) -> Pixels:
    """Return how sharp a picture is in each piece: the mean square of its gradient."""
    fine = ndimage.gaussian_filter(plane, FINE)
    energy = np.zeros(plane.shape, np.float32)
    energy[1:-1, 1:-1] = (fine[1:-1, 2:] - fine[1:-1, :-2]) ** 2
    energy[1:-1, 1:-1] += (fine[2:, 1:-1] - fine[:-2, 1:-1]) ** 2
    total = np.zeros((plane.shape[0] + 1, plane.shape[1] + 1))
    total[1:, 1:] = energy.cumsum(axis=0, dtype=float).cumsum(axis=1)
    corner = _corners(plane.shape) + np.rint(shift).astype(int)
    x = [np.clip(corner[:, 0] + k, 0, plane.shape[1]) for k in (0, PIECE)]
    y = [np.clip(corner[:, 1] + k, 0, plane.shape[0]) for k in (0, PIECE)]
    inside = (y[1] - y[0]) * (x[1] - x[0])
    found = total[y[1], x[1]] - total[y[0], x[1]] - total[y[1], x[0]] + total[y[0], x[0]]
    # A piece that lies beyond the picture's edge in part is no judge of its sharpness.
    return np.asarray(np.where(inside > 0, found / np.maximum(inside, 1), 0.0), np.float32)


def _reference(
    pictures: Pictures, survey: _Survey, chosen: NDArray[np.int64]
) -> tuple[Pixels, Pixels]:
    """Return the mean of some pictures, as wholes: its colours (C, H, W), and its smooth plane."""
    sums: _Sums | None = None
    scale = 1
    for k, frame in enumerate(pictures()):
        if k not in chosen:
            continue
        sums = _Sums(frame) if sums is None else sums
        side = max(frame.height, frame.width)
        scale = _scale(frame)
        whole = np.array([[0.0, 0.0, *(scale * survey.shift[k])]])
        sums.add(frame, 1.0 / survey.light[k], whole, np.ones((side, side), np.float32))
    if sums is None:
        raise LimbwardError("The video cannot be read a second time.")
    base = np.nan_to_num(sums.mean())
    return base, ndimage.gaussian_filter(_plane_of(base, scale), SMOOTH)


def _plane_of(colours: Pixels, scale: int) -> Pixels:
    """Return the plane that pieces are looked for in, as `green_plane` has it of a picture."""
    plane = colours[GREEN] if colours.shape[0] == 3 else colours[0]
    return block_mean(plane, scale, np.float32) if scale > 1 else plane


def _scale(frame: RawFrame) -> int:
    return 2 if frame.is_mosaic else 1


def _colours(frame: RawFrame) -> list[tuple[int, int, tuple[int, int, int]]]:
    """Return for each plane of samples its colour, its plane in the data, and its lattice."""
    if not frame.is_mosaic:
        if frame.data.ndim == 3:
            return [(c, c, (1, 0, 0)) for c in (RED, GREEN, BLUE)]
        return [(0, 0, (1, 0, 0))]
    if frame.pattern.shape != (2, 2):
        raise LimbwardError("Videos of mosaics larger than 2 x 2 are not stacked.")
    return [(int(frame.pattern[y, x]), 0, (2, y, x)) for y in range(2) for x in range(2)]


class _Sums:
    """What pictures add up to, by colour, over a base that is taken off (C, H, W)."""

    def __init__(self, frame: RawFrame, base: Pixels | None = None) -> None:
        colours = 1 + max(colour for colour, _, _ in _colours(frame))
        shape = (frame.height, frame.width)
        self.base = np.zeros((colours, *shape), np.float32) if base is None else base
        self.all = np.zeros((colours, 4, *shape), np.float32)
        self._one = np.zeros((colours, 2, *shape), np.float32)

    def add(self, frame: RawFrame, factor: float, pieces: Floats, window: Pixels) -> None:
        """Add pieces of a picture, whose brightness is brought to the others' by a factor."""
        data = np.atleast_3d(frame.data.T).T.astype(np.float32)  # (P, H, W)
        data -= np.float32(frame.black.mean())
        data *= np.float32(factor)
        for colour, plane, lattice in _colours(frame):
            one = self._one[colour]
            add_pieces(data[plane], lattice, pieces, window, self.base[colour], one)
        for one, total in zip(self._one, self.all, strict=True):
            add_picture(one, total)

    def mean(self) -> Pixels:
        """Return the means (C, H, W), NaN where nothing was added."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(self.base + self.all[:, 1] / self.all[:, 0], np.float32)


def _stacked(
    pictures: Pictures,
    survey: _Survey,
    use: NDArray[np.uint8],
    reference: tuple[Pixels, Pixels],
    chosen: NDArray[np.int64],
    shape: tuple[int, int],
) -> VideoStill:
    base, smooth_base = reference
    corners = _corners(smooth_base.shape).astype(float)
    sums: _Sums | None = None
    scale, white = 1, 0.0
    window = np.zeros((0, 0), np.float32)
    strength = Strength(PIECE)
    for k, frame in enumerate(pictures()):
        which = np.flatnonzero(use[k])
        if which.size == 0:
            continue
        if sums is None:
            sums, scale = _Sums(frame, base), _scale(frame)
            white = SATURATED * (frame.white - float(frame.black.mean()))
            window = _window(scale * PIECE)
        plane = green_plane(frame).image
        smooth = ndimage.gaussian_filter(plane, SMOOTH)
        smooth /= np.float32(survey.light[k])
        best = np.flatnonzero(use[k] == BEST)
        there = corners[best] + np.rint(survey.shift[k])
        strength.see(plane / np.float32(survey.light[k]), there, corners[best])
        pieces = np.hstack([corners[which], np.tile(survey.shift[k], (which.size, 1))])
        stiff = AGREE / SHIFT_PX**2
        size = (PIECE, PIECE)
        in_threads(track_pieces, which.size, smooth, smooth_base, pieces, size, stiff, REACH)
        sums.add(frame, 1.0 / survey.light[k], scale * pieces, window)
    if sums is None or sums.base.shape[1:] != shape:
        raise LimbwardError("The video cannot be read a third time.")
    total, weighted, squares, weights = np.moveaxis(sums.all, 1, 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        spread = np.maximum(squares / total - (weighted / total) ** 2, 0.0)
        part = weights / total**2
        sigma = np.sqrt(spread * part)
        count = 1.0 / part[GREEN if part.shape[0] == 3 else 0]
    values = sums.mean()
    raised = strength.filter(_plane_of(values, scale), scale)
    values, gain = given_back(values, raised)
    return VideoStill(
        values,
        np.asarray(gain * sigma, np.float32),
        np.nan_to_num(np.asarray(count, np.float32)),
        chosen,
        white,
        use.shape[0],
        gain,
    )


def _window(side: int) -> Pixels:
    """Return weights of a piece that add up to 1 with those of its neighbours."""
    hann = np.sin(np.pi * (np.arange(side) + 0.5) / side) ** 2
    return np.asarray(np.outer(hann, hann), np.float32)
