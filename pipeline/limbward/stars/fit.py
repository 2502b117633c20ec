"""Orientation, scale and distortion of a camera, fitted to stars that were recognised."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from limbward.normal_matrix import inverse
from limbward.stars.match import Match, seen
from limbward.stars.tracks import Frames

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

FLOOR_PX = 0.03  # of a star's mean place: pixels are not even, nor its Gaussian its shape
NEAR_PX = 1.5  # of a point from where a star must be, in one frame
MAGNITUDES = 1.5
BENT_SHARE = 0.004  # of the distance, by which a distortion not yet known moves stars
OFF = 5.0  # standard errors beyond which a star is left out of the fit
BY_CHANCE = 1e-3  # a distortion that scatter makes so rarely shows
USUAL = 0.003  # at the corner, of telephoto lenses; telescopes distort less
LEAST_FOR_RADIAL = 4  # stars: with three, one number would be left to judge it by


@dataclass(frozen=True)
class Seen:
    """M stars' mean places over the frames that show them.

    Attributes
    ----------
    star : ndarray of int, shape (M,)
        Which of the catalogue's.
    place : ndarray of complex, shape (M,)
        From the Sun, as the picture stood at the epoch, pixels.
    expected : ndarray of complex, shape (M,)
        As the camera with north up and the nominal scale would see them, pixels.
    bend : ndarray of complex, shape (M,)
        What a distortion of 1 at the corner would add, pixels.
    sigma : ndarray, shape (M,)
        Standard error of each coordinate, pixels.
    count : ndarray of int, shape (M,)
        Frames.
    flux, flux_sigma : ndarray, shape (M,)
        ADU of green a second.
    """

    star: NDArray[np.int64]
    place: Complex
    expected: Complex
    bend: Complex
    sigma: Floats
    count: NDArray[np.int64]
    flux: Floats
    flux_sigma: Floats


@dataclass(frozen=True)
class Solution:
    """What stars say of a camera.

    Attributes
    ----------
    turn : complex
        As of `limbward.stars.match.Match`.
    turn_sigma, length_sigma : float
        Standard errors of its angle, radians, and of its length, relative.
    shift : complex
        Of the Sun's centre, pixels.
    radial : float
        Relative change of radius at the corner; 0 if none shows.
    radial_sigma : float
        NaN with too few stars.
    rest : ndarray of complex, shape (M,)
        Place less fit, pixels, in the picture's directions at the epoch.
    used : ndarray of bool, shape (M,)
    """

    turn: complex
    turn_sigma: float
    length_sigma: float
    shift: complex
    radial: float
    radial_sigma: float
    rest: Complex
    used: NDArray[np.bool_]


def gather(
    frames: Frames,
    offsets_arcsec: Floats,
    sigma_arcsec: Floats,
    magnitude: Floats,
    found: Match,
    zero: float,
    scale_arcsec: float,
    near_px: float = NEAR_PX,
    solution: Solution | None = None,
) -> Seen:
    """Return where the frames show stars, all that are near enough and as bright as they must be.

    Parameters
    ----------
    frames : Frames
    offsets_arcsec : ndarray, shape (N, M, 2)
        East and north from the Sun at the frames' times.
    sigma_arcsec, magnitude : ndarray, shape (M,)
    found : Match
    zero : float
        Magnitude of one ADU a second.
    scale_arcsec : float
        Nominal, as for the match.
    near_px : float
        Where a star may be from its place, besides what distortion may do.
    solution : Solution, optional
        In place of the match's turn and shift.
    """
    turn, shift = (found.turn, found.shift) if solution is None else (solution.turn, solution.shift)
    radial = 0.0 if solution is None else solution.radial
    sums: dict[int, list[tuple[float, complex, complex, complex, float, float]]] = {}
    for k, points in enumerate(frames.points):
        at = points[:, 0] + 1j * points[:, 1]
        back = np.exp(-1j * frames.turn[k])
        here = (at - frames.sun[k]) * back
        bend = (_bend(at, frames) - _bend(frames.sun[k], frames)) * back
        stars = seen(offsets_arcsec[k], scale_arcsec, found.mirrored)
        bright = zero - 2.5 * np.log10(points[:, 3] / frames.light_s[k])
        apart = np.abs((here - radial * bend)[:, None] - (turn * stars + shift)[None, :])
        apart[np.abs(bright[:, None] - magnitude[None, :]) > MAGNITUDES] = np.inf
        if not radial:
            apart -= BENT_SHARE * np.abs(turn * stars + shift)[None, :]
        while apart.size and apart.min() < near_px:
            i, j = np.unravel_index(int(np.argmin(apart)), apart.shape)
            apart[i], apart[:, j] = np.inf, np.inf
            flux = (points[i, 3] / frames.light_s[k], points[i, 4] / frames.light_s[k])
            one = (float(points[i, 2]), complex(here[i]), complex(stars[j]), complex(bend[i]))
            sums.setdefault(int(j), []).append((*one, *flux))
    least = 2 if len(frames.points) > 2 else 1
    kept = sorted(j for j, seen_at in sums.items() if len(seen_at) >= least)
    return _averaged(kept, sums, sigma_arcsec / scale_arcsec)


def _averaged(
    kept: list[int],
    sums: dict[int, list[tuple[float, complex, complex, complex, float, float]]],
    sigma_px: Floats,
) -> Seen:
    rows = []
    for j in kept:
        sigma, here, stars, bend, flux, flux_sigma = (
            np.array(v) for v in zip(*sums[j], strict=True)
        )
        weight = 1.0 / (sigma**2 + FLOOR_PX**2)
        means = [np.average(v, weights=weight) for v in (here, stars, bend)]
        place = np.sqrt(1.0 / weight.sum() + FLOOR_PX**2 + sigma_px[j] ** 2)
        light = 1.0 / flux_sigma**2
        rows.append(
            (*means, place, sigma.size, np.average(flux, weights=light), light.sum() ** -0.5)
        )
    columns = list(zip(*rows, strict=True)) if rows else [()] * 7
    kinds = (complex, complex, complex, float, int, float, float)
    return Seen(np.array(kept, int), *(np.array(c, k) for c, k in zip(columns, kinds, strict=True)))


def _bend(at: Complex, frames: Frames) -> Complex:
    from_axis = at - frames.middle
    return np.asarray(from_axis * np.abs(from_axis) ** 2 / frames.corner_px**2)


def solve(stars: Seen) -> Solution:
    """Return turn, scale, shift and distortion by least squares.

    Parameters
    ----------
    stars : Seen
        Two at least.

    Notes
    -----
    Errors are enlarged where stars are further from their places than their errors explain. A
    distortion is believed if four stars or more show one that scatter would make once in a thousand
    times only; else the scale's error holds what a distortion of 0.3 % at the corner would do.
    """
    used = np.ones(stars.star.size, bool)
    while True:
        plain = _least_squares(stars, used, 0.0)
        bent = _least_squares(stars, used, np.inf) if used.sum() >= LEAST_FOR_RADIAL else None
        shows = bent is not None and bent.shows_distortion
        fit = bent if shows and bent is not None else plain
        miss = np.where(used, np.abs(fit.rest) / stars.sigma / np.sqrt(2.0), 0.0)
        worst = int(np.argmax(miss))
        if miss[worst] < OFF or used.sum() <= 3:
            break
        used[worst] = False
    turn = complex(fit.value[0], fit.value[1])
    # What does not show may be there all the same, and would be taken for another scale and turn.
    errors = fit if shows else _least_squares(stars, used, USUAL)
    along, across = errors.turn_sigma(turn)
    other = turn / complex(errors.value[0], errors.value[1])
    along, across = (
        float(np.hypot(along, abs(other) - 1.0)),
        float(np.hypot(across, np.angle(other))),
    )
    return Solution(
        turn,
        across,
        along,
        complex(fit.value[2], fit.value[3]),
        float(fit.value[4]) if shows else 0.0,
        float(bent.sigma[4]) if bent is not None else np.nan,
        fit.rest,
        used,
    )


@dataclass(frozen=True)
class _Fit:
    """Turn (two), shift (two) and distortion with their covariance, and what is left."""

    value: Floats
    covariance: Floats
    rest: Complex
    free: int  # measurements less unknowns

    @property
    def shows_distortion(self) -> bool:
        """Whether scatter makes such a distortion too rarely, by Student's distribution."""
        if self.free < 1:
            return False
        limit = float(stdtrit(self.free, 1.0 - BY_CHANCE / 2.0))
        return bool(abs(self.value[4]) > limit * self.sigma[4])

    @property
    def sigma(self) -> Floats:
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    def turn_sigma(self, turn: complex) -> tuple[float, float]:
        """Return the errors of its length, relative, and of its angle, radians."""
        length = abs(turn)
        unit = np.array([turn.real, turn.imag]) / length
        side = np.array([-unit[1], unit[0]])
        own = self.covariance[:2, :2]
        return float(np.sqrt(unit @ own @ unit)) / length, float(
            np.sqrt(side @ own @ side)
        ) / length


def _least_squares(stars: Seen, used: NDArray[np.bool_], held: float) -> _Fit:
    """Fit with a distortion of 0 ± ``held``; 0 leaves it out, infinity leaves it free."""
    w, d = stars.expected, stars.bend
    one, nought = np.ones(w.size), np.zeros(w.size)
    x = np.stack([w.real, -w.imag, one, nought, d.real], axis=1)
    y = np.stack([w.imag, w.real, nought, one, d.imag], axis=1)
    count = 5 if held > 0.0 else 4
    design = np.concatenate([x, y])[:, :count]
    seen_at = np.concatenate([stars.place.real, stars.place.imag])
    weight = np.tile(np.where(used, stars.sigma**-2.0, 0.0), 2)
    normal = design.T @ (weight[:, None] * design)
    if held > 0.0:
        normal[4, 4] += held**-2.0
    covariance = inverse(normal)
    value = covariance @ (design.T @ (weight * seen_at))
    left = seen_at - design @ value
    free = 2 * int(used.sum()) - (4 if 0.0 < held < np.inf else count)
    worse = float(np.sum(weight * left**2) / free) if free > 0 else 1.0
    values, errors = np.zeros(5), np.zeros((5, 5))
    values[:count], errors[:count, :count] = value, covariance * max(worse, 1.0)
    return _Fit(values, errors, np.asarray(left[: w.size] + 1j * left[w.size :]), free)
