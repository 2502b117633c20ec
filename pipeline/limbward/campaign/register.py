"""Coronas of several stations registered on each other, by their fine structure.

What is compared is the logarithm of the brightness with all that is smooth taken off: gains, skies
and flats that are not quite right do not move it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from limbward.campaign.view import Floats, Pixels, Placing, View
from limbward.geometry.angle import half_turn

INNER, OUTER = 1.12, 2.6  # solar radii compared: the Moon hides more from some stations than others
FINE, COARSE = 1.2, 8.0  # pixels of the grid: what is finer is noise, what is coarser is left out
FAINTEST_SNR = 8.0  # of a pixel that is compared
MISMATCH = 0.003  # in the logarithm; beyond noise, to which two stations agree
# What is known of a station's own coordinates beforehand: of place and turn hardly anything; its
# plate scale by the Sun's disc, better than rays that run outwards can tell it.
PRIOR_RADII, PRIOR_RADIANS, PRIOR_SCALE = 0.05, 0.05, 0.0007
# How far structures put the scale wrong whatever their noise: a corona in pixels of 32 arcsec laid
# on one in pixels of 19 came out 0.2 % too large with their sharpness as an unknown, 0.4 % without.
SCALE_BIAS = 0.0015
FAR_SCALE = 0.006  # from which the station's own scale is wrong, and is not held on to
ALIKE = 4 * np.pi * FINE**2  # neighbouring pixels of a blurred picture that count as one
SECTORS = 24  # of position angle, between which errors count as independent
STEPS, SETTLED = 16, 1e-6  # solar radii
FEWEST = 400  # pixels in common
TURNS = 720  # tried, a circle


@dataclass(frozen=True)
class Fit:
    """How a corona lies on another.

    Attributes
    ----------
    placing : Placing
    covariance : ndarray, shape (4, 4)
        Of west, north (solar radii), turn (degrees) and scale.
    pixels : int
        Compared.
    correlation : float
        Of the two structures where both are seen.
    """

    placing: Placing
    covariance: Floats
    pixels: int
    correlation: float

    @property
    def sigma(self) -> Floats:
        """Standard errors of west, north, turn (degrees) and scale."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))


@dataclass(frozen=True)
class Structure:
    """Fine structure of a corona on the common grid; ``weight`` is 0 where there is none."""

    detail: Pixels
    weight: Pixels


def structure(light: Pixels, sigma: Pixels, view: View) -> Structure:
    """Return the fine structure of a corona.

    Parameters
    ----------
    light, sigma : ndarray, shape (S, S)
        On the grid; NaN where there is no value.
    view : View
    """
    west, north = view.places()
    rho = np.hypot(west, north)
    with np.errstate(invalid="ignore"):
        good = np.isfinite(light) & (light > FAINTEST_SNR * sigma) & (rho > INNER) & (rho < OUTER)
    share = good.astype(np.float32)
    log = np.log(np.where(good, light, 1.0)).astype(np.float32)
    # The mean fall with distance is steeper than any structure, and the same for all.
    log -= _ring_mean(log, good, rho, view)
    log *= share
    detail = _blurred(log, share, FINE) - _blurred(log, share, COARSE)
    inside = ndimage.binary_erosion(good, iterations=int(np.ceil(2 * FINE)))
    with np.errstate(invalid="ignore", divide="ignore"):
        relative = np.where(inside, sigma / light, np.inf)
    # The blur makes noise smaller by the number of pixels it runs over.
    weight = np.where(inside, 1.0 / (relative**2 / ALIKE + MISMATCH**2), 0.0)
    detail = np.where(inside, detail, 0.0)
    return Structure(np.asarray(detail, np.float32), np.asarray(weight, np.float32))


def _ring_mean(log: Pixels, good: NDArray[np.bool_], rho: Floats, view: View) -> Pixels:
    bins = (rho / (2.0 * view.step)).astype(int)
    total = np.bincount(bins[good], log[good], bins.max() + 1)
    number = np.bincount(bins[good], minlength=bins.max() + 1)
    mean = total / np.maximum(number, 1)
    known = np.flatnonzero(number)
    if known.size == 0:
        return np.zeros_like(log)
    radii = (np.arange(len(mean)) + 0.5) * 2.0 * view.step
    return np.asarray(np.interp(rho, radii[known], mean[known]), np.float32)


def _blurred(log: Pixels, share: Pixels, width: float) -> Pixels:
    top = ndimage.gaussian_filter(log, width, mode="constant", truncate=3.0)
    part = ndimage.gaussian_filter(share, width, mode="constant", truncate=3.0)
    return np.asarray(top / np.maximum(part, 1e-3), np.float32)


def register(
    first: Structure,
    second: Callable[[Placing], Structure],
    view: View,
    start: Placing = Placing(),  # noqa: B008 - frozen
) -> Fit | None:
    """Return how a second corona lies on a first one, None if too little is seen by both.

    Gauss-Newton steps on the squared difference of the structures; the errors are those of a
    least-squares fit whose residuals are alike within sectors of position angle and independent
    between them, so that structure which differs counts as noise of its own size.

    Parameters
    ----------
    first : Structure
    second : callable
        Takes a placing, returns the second corona's structure with it.
    view : View
    start : Placing

    References
    ----------
    B. D. Lucas, T. Kanade, Proc. 7th IJCAI (1981) 674. The errors: H. White, Econometrica 48
    (1980) 817, by groups.
    """
    west, north = view.places()
    sector = ((np.arctan2(-west, north) / (2 * np.pi) % 1.0) * SECTORS).astype(int)
    inner = ndimage.binary_erosion(first.weight > 0, iterations=1)
    along = _unknowns(first, view)
    known = [PRIOR_RADII, PRIOR_RADII, PRIOR_RADIANS, PRIOR_SCALE]
    own = [0.0] * (len(along) - 4)
    prior = np.diag([*(1.0 / np.square(known)), *own])
    held = False
    placing = start
    for step in range(STEPS):
        other = second(placing)
        good = inner & (other.weight > 0)
        if good.sum() < FEWEST:
            return None
        weight = 1.0 / (1.0 / first.weight[good] + 1.0 / other.weight[good]) / ALIKE
        j = np.stack([a[good] for a in along], axis=1)
        residual = (other.detail[good] - first.detail[good]).astype(float)
        told = j.T @ (j * weight[:, None])
        if held:  # the structures' part is as small as their bias makes it
            prior[3, 3] = (SCALE_BIAS / PRIOR_SCALE) ** 2 / np.linalg.inv(told)[3, 3]
        normal = told + prior
        turned = np.radians(placing.turn_deg)
        so_far = [placing.west, placing.north, turned, placing.scale - 1.0, *own]
        found = np.linalg.solve(normal, j.T @ (weight * residual) + prior @ so_far)
        move, residual = found[:4], residual - j[:, 4:] @ found[4:]
        # Second, seen with this placing, is first displaced by move: take it back.
        change = Placing(move[0], move[1], float(np.degrees(move[2])), 1.0 + move[3])
        placing = placing.then(change.inverse())
        if np.max(np.abs(move)) < SETTLED or step == STEPS // 2:
            if held or abs(placing.scale - 1.0) > FAR_SCALE:
                break
            held = True
    scores = (j * (weight * residual)[:, None]).astype(float)
    groups = np.stack([np.bincount(sector[good], s, SECTORS) for s in scores.T], axis=1)
    inverse = np.linalg.inv(normal)
    present = len(np.unique(sector[good]))
    if present < 8:  # a few sectors say nothing of their scatter
        return None
    scatter = groups.T @ groups * present / (present - len(along))
    covariance = (inverse @ (scatter + prior) @ inverse)[:4, :4]
    bias = 1.0 / (1.0 / PRIOR_SCALE**2 + 1.0 / SCALE_BIAS**2) if held else SCALE_BIAS**2
    covariance[3, 3] = max(covariance[3, 3], bias)
    units = np.diag([1.0, 1.0, 180.0 / np.pi, 1.0])
    a, b = first.detail[good], other.detail[good]
    correlation = float(
        np.sum(weight * a * b) / np.sqrt(np.sum(weight * a**2) * np.sum(weight * b**2))
    )
    return Fit(placing, units @ covariance @ units, int(good.sum()), correlation)


def _unknowns(first: Structure, view: View) -> list[NDArray[Any]]:
    """Return how the structure changes with west, north, turn and scale, then with what else.

    A sky that is left over lowers the contrast of what is faint, and coarse pixels that of what is
    narrow, as rays are near the Sun. Along rays both would pass for another scale, so contrast and
    sharpness, and how they change with distance, are unknowns of their own.
    """
    west, north = view.places()
    slope_y, slope_x = (np.asarray(g, float) / view.step for g in np.gradient(first.detail))
    # Rows grow to the south. What a placing does to the picture, it does to the places before.
    to_west, to_north = slope_x, -slope_y
    softer = ndimage.laplace(first.detail)
    out = np.hypot(west, north) - (INNER + OUTER) / 2.0
    return [
        to_west,
        to_north,
        -north * to_west + west * to_north,
        west * to_west + north * to_north,
        first.detail,
        first.detail * out,
        softer,
        softer * out,
    ]


def coarse_turn(first: Structure, second: Structure, view: View) -> float:
    """Return by how many degrees a second corona's placing has to be turned to look like the first.

    For stations whose orientation is known to degrees only. Rings of both are correlated at all
    angles at once (by Fourier transforms); the answer is good to half a degree.
    """
    angles = np.arange(TURNS) * 2 * np.pi / TURNS
    radii = np.arange(INNER, OUTER - 0.2, 2.0 * view.step)
    west, north = -radii[:, None] * np.sin(angles), radii[:, None] * np.cos(angles)
    place = [view.middle - north / view.step, view.middle + west / view.step]

    def rings(one: Structure) -> tuple[Floats, Floats]:
        seen = ndimage.map_coordinates((one.weight > 0).astype(np.float32), place, order=1) > 0.99
        detail = ndimage.map_coordinates(one.detail, place, order=1)
        return np.where(seen, detail, 0.0), seen.astype(float)

    (a, m), (b, n) = rings(first), rings(second)

    def summed(x: Floats, y: Floats) -> Floats:
        both = np.conj(np.fft.rfft(y, axis=1)) * np.fft.rfft(x, axis=1)
        return np.asarray(np.fft.irfft(both.sum(axis=0), TURNS))

    size = np.sqrt(np.maximum(summed(a**2, n) * summed(m, b**2), 1e-30))
    # Where few pixels are seen by both, nothing is told.
    alike = np.where(summed(m, n) > 0.3 * summed(m, n).max(), summed(a, b) / size, -1.0)
    turn = int(np.argmax(alike)) * 360.0 / TURNS
    return -half_turn(turn)


def mean_structure(structures: Iterable[Structure]) -> Structure:
    """Return the weighted mean of structures; memory does not grow with their number."""
    total: Floats | None = None
    for one in structures:
        if total is None:
            total, weights = np.zeros(one.detail.shape), np.zeros(one.detail.shape)
        total += one.weight * one.detail
        weights += one.weight
    if total is None:
        raise ValueError("there are no structures")
    with np.errstate(invalid="ignore", divide="ignore"):
        detail = np.where(weights > 0, total / weights, 0.0)
    # The mean is better than one, but its stations share their mismatch only in part.
    most = 1.0 / MISMATCH**2
    return Structure(np.asarray(detail, np.float32), np.minimum(weights, most).astype(np.float32))


def about_their_middle(fits: dict[str, Fit]) -> dict[str, Fit]:
    """Return placings relative to the median of all stations' own coordinates.

    No station knows the sky better than the median of them does, so that is the common frame.
    """
    values = np.array(
        [
            [f.placing.west, f.placing.north, f.placing.turn_deg, f.placing.scale]
            for f in fits.values()
        ]
    )
    middle = Placing(*(float(v) for v in np.median(values, axis=0)))
    back = middle.inverse()
    return {
        name: Fit(f.placing.then(back), f.covariance, f.pixels, f.correlation)
        for name, f in fits.items()
    }
