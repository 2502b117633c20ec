"""How a camera's numbers answer to light, told by frames of one scene at different exposures.

P. E. Debevec and J. Malik, *Recovering High Dynamic Range Radiance Maps from Photographs*, SIGGRAPH
1997: the logarithm of the light that each number stands for, smooth, from pixels seen under several
exposures. Here with exposures that are only nearly known, monotone, and drawn to the curve that the
file declares where the brackets tell nothing. The light of the scene drops out of pairs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import lsq_linear

from limbward.camera.display import from_srgb
from limbward.camera.frame import RawFrame

Floats = NDArray[np.float64]

BY_BRACKETS = "the ratios between its exposures"
FINE_ENOUGH = 30_000  # ADU of white, above which whole numbers lose nothing
KNOTS = 33  # of the curve, at even steps of what sRGB would store
FINE = 257  # of the table of it
LOWEST = 0.06  # of those steps; below it is 1/200 of white, where 8 bits have 4 % steps
SHUTTER_SIGMA = 0.05  # of nominal exposures, a fraction
PAIR_SIGMA = 0.03  # of a place seen twice: the seeing, the Moon's motion, thin cloud
STEP_SIGMA = 0.3 / 255.0  # of a stored value that is the median of many pixels of 8 bits
BEND_SIGMA = 0.05  # of the curve's second differences from one knot to the next
PRIOR_SIGMA = 1.0  # of the curve's steepness where no pair tells it, logarithmic
STEEPNESS = (0.05, 20.0)  # of the logarithm of light, in those of the prior
MOST_PAIRS = 20_000
ENOUGH, FEW_PAIRS = 60, 3  # places seen twice, and pairs of frames
LEAST, MOST = 1.3, 0.95  # of the lowest step and of white, which both should be within
ENCODED = 0.45  # exponent of what an encoded file shows, about
# Of the range, where both of a pair should be if it is linear: below, a pedestal counts (2 % leave
# an exponent of 0.88), above, sensors begin to bend.
STRAIGHT_RANGE = (0.08, 0.7)
STRAIGHT = (0.75, 1.33)  # exponents of number over light that may be a linear file's
RADII = np.geomspace(1.12, 4.0, 14)  # of the Moon, where frames are looked at
DIRECTIONS = 24
NEAR = 0.04  # rms of logarithms by which a solved curve must differ from the declared one


@dataclass(frozen=True)
class View:
    """What a frame shows at a number of places of the scene.

    Attributes
    ----------
    light : float
        Exposure, times ISO over f-number squared; any unit.
    values : ndarray, shape (P,)
        What it shows there, of the range above black; NaN where it is saturated or shows nothing.
    """

    light: float
    values: Floats


def view_of(
    planes: NDArray[np.float32], centre: tuple[float, float], radius: float, light: float
) -> View:
    """Return what a small frame of totality shows around the Moon.

    Parameters
    ----------
    planes : ndarray of float32, shape (3, h, w)
        Of the range above black; NaN where saturated.
    centre, radius : float
        The Moon's, in pixels of ``planes``.
    light : float

    Returns
    -------
    View
        Medians of 3 x 3 pixels at 14 radii in 24 directions, in three colours: by the Moon frames
        are registered well enough for that, since it moves by 1/200 of its radius in a bracket.
    """
    angle = np.arange(DIRECTIONS) * 2.0 * np.pi / DIRECTIONS
    x = np.rint(centre[0] + radius * np.outer(RADII, np.cos(angle))).astype(int).ravel()
    y = np.rint(centre[1] + radius * np.outer(RADII, np.sin(angle))).astype(int).ravel()
    height, width = planes.shape[1:]
    inside = (x > 0) & (x < width - 1) & (y > 0) & (y < height - 1)
    values = np.full((planes.shape[0], x.size), np.nan)
    near = [planes[:, y[inside] + j, x[inside] + i] for j in (-1, 0, 1) for i in (-1, 0, 1)]
    values[:, inside] = np.median(near, axis=0)  # NaN if one of them is
    return View(light, values.ravel())


@dataclass(frozen=True)
class Response:
    """The light that each value of a decoded frame stands for.

    Attributes
    ----------
    value, light : tuple of float
        Both from 0 to 1, rising; between them it is straight.
    encoding : str
        What says that the values are not in proportion to light; see `RawFrame`.
    """

    value: tuple[float, ...]
    light: tuple[float, ...]
    encoding: str = BY_BRACKETS

    def __call__(self, values: NDArray[Any]) -> Floats:
        """Return the light of values, 0 to 1; what is below 0 or above 1 stays where it is."""
        inside = np.interp(values, self.value, self.light)
        return np.where((values < 0.0) | (values > 1.0), values, inside)

    def apply(self, frame: RawFrame) -> RawFrame:
        """Return a frame whose values are in proportion to light by this curve."""
        data, black, encoding = frame.data, frame.black, self.encoding
        if data.dtype == np.uint16 and np.ptp(black) == 0.0:
            floor = float(black.flat[0])
            every = (np.arange(65536.0) - floor) / (frame.white - floor)
            table = self(every) * (frame.white - floor) + floor
            if frame.white < FINE_ENOUGH:
                return replace(frame, data=table.astype(np.float32)[data], encoding=encoding)
            table = np.clip(np.rint(table), 0, 65535)
            return replace(frame, data=table.astype(np.uint16)[data], encoding=encoding)
        if data.ndim == 3:
            level = black[:, None, None]
        else:
            tiles = [-(-n // m) for n, m in zip(data.shape, black.shape, strict=True)]
            level = np.tile(black, tiles)[: data.shape[0], : data.shape[1]]
        span = frame.white - level
        made = self((data - level) / span) * span + level
        return replace(frame, data=made.astype(np.float32), encoding=encoding)


@dataclass(frozen=True)
class Tested:
    """What pairs of frames tell of a camera's numbers.

    Attributes
    ----------
    pairs, places : int
        Pairs of frames, and places that both of a pair show.
    exponent : float or None
        Of the number as a power of light, in the upper part of the range: 1 if they are linear.
        None if too little was seen twice.
    response : Response or None
        The curve that makes them so; None if they are already, or too little tells.
    deviation : float
        Rms by which the curve differs from the straight line, of logarithms.
    """

    pairs: int
    places: int
    exponent: float | None
    response: Response | None
    deviation: float = 0.0

    @property
    def is_straight(self) -> bool | None:
        """Whether the numbers are in proportion to light; None if that is not known."""
        return None if self.exponent is None else STRAIGHT[0] < self.exponent < STRAIGHT[1]


def solve_response(pairs: Sequence[tuple[View, View]], *, declared: bool) -> Tested:
    """Tell from frames of one scene whether numbers are linear, and what makes them so.

    Parameters
    ----------
    pairs : sequence of (View, View)
        Of frames that show the same places, of different exposures; a view that is in several pairs
        must be the same object.
    declared : bool
        Whether the values were decoded by a curve that the file declares. Such files get a curve of
        their own if it differs by more than 4 %; others only if they are far from linear.

    Returns
    -------
    Tested
    """
    lowest = float(from_srgb(np.array(LOWEST))) if declared else LOWEST
    seen = _Seen.of(pairs, lowest, 1.0 if declared else ENCODED)
    if seen is None:
        return Tested(len(pairs), 0, None, None)
    exponent = _exponent(seen)
    tested = Tested(len(pairs), seen.low.size, exponent, None)
    if not declared and tested.is_straight is not False:
        return tested
    response, deviation = _solve(seen, encoded=not declared)
    if declared and deviation < NEAR:
        return tested
    return replace(tested, response=response, deviation=deviation)


@dataclass(frozen=True)
class _Seen:
    """Places seen twice: values in the shorter and the longer exposure, and which frames."""

    low: Floats
    high: Floats
    first: NDArray[np.int64]
    second: NDArray[np.int64]
    log_light: Floats  # of each frame

    @staticmethod
    def of(pairs: Sequence[tuple[View, View]], lowest: float, exponent: float) -> _Seen | None:
        """Return the places at which both of a pair should be within the curve.

        They are chosen by the mean of the two logarithms: chosen by either, those would be kept of
        which noise, the seeing or a shaken camera have made the ratio smaller.
        """
        views: dict[int, int] = {}
        light: list[float] = []
        parts: list[tuple[Floats, Floats, int, int]] = []
        for pair in pairs:
            a, b = sorted(pair, key=lambda view: view.light)
            for view in (a, b):
                if id(view) not in views:
                    views[id(view)] = len(light)
                    light.append(view.light)
            half = 0.5 * exponent * np.log(b.light / a.light)
            ok = (a.values > 0.0) & (b.values > 0.0) & (b.values < 1.0)  # NaN is none of these
            middle = np.full(ok.shape, np.nan)
            middle[ok] = 0.5 * (np.log(a.values[ok]) + np.log(b.values[ok]))
            ok &= (middle - half > np.log(LEAST * lowest)) & (middle + half < np.log(MOST))
            if np.any(ok):
                parts.append((a.values[ok], b.values[ok], views[id(a)], views[id(b)]))
        if len(parts) < FEW_PAIRS or sum(p[0].size for p in parts) < ENOUGH:
            return None
        low, high = (np.concatenate([p[i] for p in parts]) for i in (0, 1))
        first, second = (np.concatenate([np.full(p[0].size, p[i]) for p in parts]) for i in (2, 3))
        step = -(-low.size // MOST_PAIRS)
        return _Seen(
            low[::step], high[::step], first[::step], second[::step], np.log(np.array(light))
        )

    def log_ratio(self) -> Floats:
        """Logarithms of the nominal ratios of the exposures."""
        return self.log_light[self.second] - self.log_light[self.first]


def _exponent(seen: _Seen) -> float | None:
    """Return the exponent of number over light where both are well above any pedestal."""
    low, high = (np.log(part) for part in STRAIGHT_RANGE)
    middle = 0.5 * (np.log(seen.low) + np.log(seen.high))
    half = 0.5 * seen.log_ratio()
    ok = (middle - half > low) & (middle + half < high)
    if np.count_nonzero(ok) < ENOUGH:
        return None
    each = (np.log(seen.high) - np.log(seen.low))[ok] / seen.log_ratio()[ok]
    # By pairs, each of which may have a shutter of its own; the wide ratios tell most.
    _, which = np.unique(np.stack([seen.first[ok], seen.second[ok]]), axis=1, return_inverse=True)
    which = np.ravel(which)
    by_pair = np.array([np.median(each[which == k]) for k in range(which.max() + 1)])
    return float(np.median(by_pair)) if by_pair.size >= FEW_PAIRS else None


def _solve(seen: _Seen, *, encoded: bool) -> tuple[Response, float]:
    """Return the curve, and by how much it differs from a straight line.

    The unknowns are how steeply the logarithm of light rises between knots, bounded so that it
    rises everywhere, and the logarithm of each frame's true exposure over its nominal one.
    """
    stored = np.linspace(LOWEST, 1.0, KNOTS)
    prior = np.diff(np.log(from_srgb(stored)))  # of sRGB, be it undone already or not
    low, high = (_stored(v, encoded) for v in (seen.low, seen.high))
    frames = seen.log_light.size
    design = np.zeros((low.size, KNOTS - 1 + frames))
    edges = np.arange(KNOTS - 1)
    scale = (KNOTS - 1) / (1.0 - LOWEST)
    for at, sign in ((high, 1.0), (low, -1.0)):
        # Of each step of the curve, the part that lies below the value.
        below = np.clip((at[:, None] - LOWEST) * scale - edges, 0.0, 1.0)
        design[:, : KNOTS - 1] += sign * below * prior
    rows = np.arange(low.size)
    design[rows, KNOTS - 1 + seen.second] -= 1.0
    design[rows, KNOTS - 1 + seen.first] += 1.0
    # An error of a stored value counts by the curve's slope there.
    slope = prior * scale
    place = np.clip(((low - LOWEST) * scale).astype(int), 0, KNOTS - 2)
    sigma = np.hypot(PAIR_SIGMA, STEP_SIGMA * slope[place])
    bend = np.diff(np.eye(KNOTS - 1), axis=0)
    rest = [
        np.hstack([bend / BEND_SIGMA, np.zeros((KNOTS - 2, frames))]),
        np.hstack([np.eye(KNOTS - 1) / PRIOR_SIGMA, np.zeros((KNOTS - 1, frames))]),
        np.hstack([np.zeros((frames, KNOTS - 1)), np.eye(frames) / SHUTTER_SIGMA]),
    ]
    wanted = np.concatenate(
        [np.zeros(KNOTS - 2), np.full(KNOTS - 1, 1.0 / PRIOR_SIGMA), np.zeros(frames)]
    )
    bounds = (
        np.concatenate([np.full(KNOTS - 1, STEEPNESS[0]), np.full(frames, -1.0)]),
        np.concatenate([np.full(KNOTS - 1, STEEPNESS[1]), np.full(frames, 1.0)]),
    )
    damp, found = np.ones(low.size), np.zeros(KNOTS - 1 + frames)
    right = seen.log_ratio()
    # Places of a frame share its errors: thousands of them count as some hundred.
    share = np.sqrt(max(1.0, low.size / (20.0 * frames)))
    for _ in range(5):
        weight = damp / (sigma * share)
        matrix = np.vstack([design * weight[:, None], *rest])
        found = lsq_linear(matrix, np.concatenate([right * weight, wanted]), bounds).x
        residual = np.abs(design @ found - right) / sigma
        damp = np.sqrt(1.0 / np.maximum(residual / 2.0, 1.0))  # Huber's loss
    log_light = np.concatenate([[0.0], np.cumsum(found[: KNOTS - 1] * prior)])
    fine = np.linspace(LOWEST, 1.0, FINE)
    value = fine if encoded else from_srgb(fine)
    light = np.exp(np.interp(fine, stored, log_light - log_light[-1]))
    # Black stays black: below the lowest knot in proportion, as sRGB nearly is there.
    response = Response((0.0, *value.tolist()), (0.0, *light.tolist()))
    told = value > seen.low.min()
    gap = np.log(light[told]) - np.log(value[told])
    return response, float(np.sqrt(np.mean((gap - gap.mean()) ** 2)))


def _stored(value: Floats, encoded: bool) -> Floats:
    """Return what sRGB stores for light, or values that are stored ones already."""
    if encoded:
        return value
    low = value <= 0.0031308
    return np.where(low, 12.92 * value, 1.055 * np.maximum(value, 1e-9) ** (1 / 2.4) - 0.055)
