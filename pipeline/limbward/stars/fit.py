"""Orientation, scale and distortion of a camera, fitted to stars that were recognised."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from limbward.normal_matrix import inverse
from limbward.stars.match import Match, seen
from limbward.stars.tracks import Frames

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

FLOOR_PX = 0.03  # of a star's mean place: pixels are not even, nor its Gaussian its shape
NEAR_PX = 1.5  # of a point from where a star must be, in one frame
MAGNITUDES = 1.5
OFF = 5.0  # standard errors beyond which a star is left out of the fit
DISTORTED = 4.0  # standard errors at which distortion shows
LEAST_FOR_RADIAL = 5  # stars: with four, nothing would be left to judge it by


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
    turn_sigma : float
        Standard error of its angle (radians) and of its length (relative).
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
    distortion is believed if it is four standard errors away from 0 and five stars or more show it.
    """
    used = np.ones(stars.star.size, bool)
    while True:
        radial = used.sum() >= LEAST_FOR_RADIAL
        plain = _least_squares(stars, used, with_radial=False)
        bent = _least_squares(stars, used, with_radial=True) if radial else None
        shows = bent is not None and abs(bent[0][4]) > DISTORTED * bent[1][4]
        value, sigma, rest = bent if shows and bent is not None else plain
        miss = np.where(used, np.abs(rest) / stars.sigma / np.sqrt(2.0), 0.0)
        worst = int(np.argmax(miss))
        if miss[worst] < OFF or used.sum() <= 3:
            break
        used[worst] = False
    return Solution(
        complex(value[0], value[1]),
        float(max(sigma[0], sigma[1]) / np.hypot(value[0], value[1])),
        complex(value[2], value[3]),
        float(value[4]) if shows else 0.0,
        float(bent[1][4]) if bent is not None else np.nan,
        rest,
        used,
    )


def _least_squares(
    stars: Seen, used: NDArray[np.bool_], *, with_radial: bool
) -> tuple[Floats, Floats, Complex]:
    """Return turn (two), shift (two) and distortion, their standard errors, and what is left."""
    w, d = stars.expected, stars.bend
    one, nought = np.ones(w.size), np.zeros(w.size)
    x = np.stack([w.real, -w.imag, one, nought, d.real], axis=1)
    y = np.stack([w.imag, w.real, nought, one, d.imag], axis=1)
    count = 5 if with_radial else 4
    design = np.concatenate([x, y])[:, :count]
    seen_at = np.concatenate([stars.place.real, stars.place.imag])
    weight = np.tile(np.where(used, stars.sigma**-2.0, 0.0), 2)
    covariance = inverse(design.T @ (weight[:, None] * design))
    value = covariance @ (design.T @ (weight * seen_at))
    left = seen_at - design @ value
    free = 2 * int(used.sum()) - count
    worse = float(np.sum(weight * left**2) / free) if free > 0 else 1.0
    sigma = np.sqrt(np.diag(covariance) * max(worse, 1.0))
    filled = np.zeros((2, 5))
    filled[0, :count], filled[1, :count] = value, sigma
    half = w.size
    return filled[0], filled[1], np.asarray(left[:half] + 1j * left[half:])
