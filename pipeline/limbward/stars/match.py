"""Which points are which stars, whatever the camera's turn and side, and how likely by chance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammainc

from limbward.geometry.angle import half_turn

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

CHANCE = 1e-4  # more probable coincidences are not believed
BRIGHTEST_TRACKS, BRIGHTEST_STARS = 15, 30  # from which pairs are taken
SCALE_OFF = 0.01  # by which the plate scale from the Moon's size may be off
NEAR_PX, NEAR_SHARE = 2.0, 0.003  # a star's miss: pixels, and of its distance, by distortion
TIGHT = (1.0, 0.4, 0.15)  # parts of it that are tried: a good lens agrees better than that
MAGNITUDES = 1.2  # by which colour and sky change a star's light
LEAST_APART = 0.2  # of the reach: closer pairs tell no orientation
LEAST_STARS, LEAST_KNOWN = 3, 2  # found, without and with an orientation to begin with


@dataclass(frozen=True)
class Prior:
    """What is known of a camera before stars are looked for.

    Attributes
    ----------
    scale_arcsec : float
    up_position_angle : float or None
        Degrees; None if nothing is known.
    up_sigma_deg : float
    mirrored : bool or None
        None tries both.
    shift_px : float
        How far the Sun's centre may be off.
    """

    scale_arcsec: float
    up_position_angle: float | None
    up_sigma_deg: float
    mirrored: bool | None
    shift_px: float

    @property
    def known(self) -> bool:
        """Whether stars can be looked for where they must be."""
        return self.mirrored is not None and self.up_sigma_deg < 0.3


@dataclass(frozen=True)
class Match:
    """Points recognised: ``place = turn * seen(stars) + shift``.

    Attributes
    ----------
    mirrored : bool
    turn : complex
        1 over the correction of the scale, at the angle of the picture.
    shift : complex
        Pixels.
    track, star : ndarray of int, shape (M,)
        Which point is which star.
    chance : float
        An upper bound of the probability that so many agree by chance.
    """

    mirrored: bool
    turn: complex
    shift: complex
    track: NDArray[np.int64]
    star: NDArray[np.int64]
    chance: float


@dataclass(frozen=True)
class Sky:
    """Points and stars of one search: places in pixels, magnitudes, and the area searched, px²."""

    place: Complex
    magnitude: Floats
    star: Complex
    star_magnitude: Floats
    area_px: float
    reach_px: float


def seen(offset_arcsec: Floats, scale_arcsec: float, mirrored: bool) -> Complex:
    """Return offsets (..., 2) east and north as a camera with north up sees them, x + iy, pixels.

    A turn of the camera's up by an angle multiplies them by ``exp(i angle)``, of a mirrored one by
    ``exp(-i angle)``; `limbward.geometry.orientation.Orientation.to_pixels` is the same.
    """
    z = (offset_arcsec[..., 0] + 1j * offset_arcsec[..., 1]) / scale_arcsec
    return np.asarray(np.conj(z) if mirrored else -z)


def match(
    place: Complex,
    magnitude: Floats,
    offset_arcsec: Floats,
    star_magnitude: Floats,
    prior: Prior,
    *,
    area_px: float,
    reach_px: float,
) -> Match | None:
    """Return which points are stars; None if coincidence explains as much.

    Parameters
    ----------
    place : ndarray of complex, shape (K,)
        Points from the Sun, pixels, the strongest first.
    magnitude : ndarray, shape (K,)
        Theirs, with any zero.
    offset_arcsec : ndarray, shape (M, 2)
        Of stars, the brightest first.
    star_magnitude : ndarray, shape (M,)
    prior : Prior
    area_px : float
        Of the field in which points are found.
    reach_px : float
        From the Sun to the field's furthest corner.

    Notes
    -----
    Two points and two stars give turn, scale and shift. All such pairs that the prior allows are
    tried, and of each the further points that fall on stars are counted. By chance their number
    would be Poisson's with the mean of the stars' surroundings over the area, times the points of
    such a brightness. The probability of as many, times the number of pairs and of surroundings
    tried, is an upper bound (C. E. Bonferroni's) of that of a coincidence.
    """
    best: Match | None = None
    sides = (False, True) if prior.mirrored is None else (prior.mirrored,)
    trials: list[tuple[bool, complex, complex, int]] = []
    for mirrored in sides:
        stars = seen(offset_arcsec, prior.scale_arcsec, mirrored)
        if prior.known and prior.up_position_angle is not None:
            angle = np.radians(prior.up_position_angle) * (-1.0 if mirrored else 1.0)
            trials.append((mirrored, complex(np.exp(1j * angle)), 0j, 0))
        else:
            pairs = _pairs(place, magnitude, stars, star_magnitude, prior, mirrored, reach_px)
            trials += [(mirrored, a, b, 2) for a, b in pairs]
    least = LEAST_KNOWN if prior.known else LEAST_STARS
    skies = {
        mirrored: Sky(
            place,
            magnitude,
            seen(offset_arcsec, prior.scale_arcsec, mirrored),
            star_magnitude,
            area_px,
            reach_px,
        )
        for mirrored in sides
    }
    for mirrored, turn, shift, given in trials:
        for tight in TIGHT:
            track, star, chance = _agreeing(skies[mirrored], turn, shift, given, prior, tight)
            chance = min(1.0, chance * len(trials) * len(TIGHT))
            if track.size >= least and (best is None or chance < best.chance):
                best = Match(mirrored, turn, shift, track, star, chance)
    return best if best is not None and best.chance < CHANCE else None


def _pairs(
    place: Complex,
    magnitude: Floats,
    stars: Complex,
    star_magnitude: Floats,
    prior: Prior,
    mirrored: bool,
    reach_px: float,
) -> list[tuple[complex, complex]]:
    """Return turns and shifts that lay two points on two stars, as the prior allows."""
    p, m = place[:BRIGHTEST_TRACKS], magnitude[:BRIGHTEST_TRACKS]
    w, s = stars[:BRIGHTEST_STARS], star_magnitude[:BRIGHTEST_STARS]
    if p.size < 2 or w.size < 2:
        return []
    i, j = (v.ravel()[:, None] for v in np.triu_indices(p.size, 1))
    k, n = (v.ravel()[None, :] for v in np.nonzero(~np.eye(w.size, dtype=bool)))
    gap = w[k] - w[n]
    turn = (p[i] - p[j]) / np.where(gap == 0, np.inf, gap)
    shift = p[i] - turn * w[k]
    good = (np.abs(gap) > LEAST_APART * reach_px) & (np.abs(np.abs(turn) - 1.0) < SCALE_OFF)
    good &= np.abs(shift) < prior.shift_px + SCALE_OFF * np.abs(p[i])
    good &= np.abs((m[i] - m[j]) - (s[k] - s[n])) < MAGNITUDES
    if prior.up_position_angle is not None and prior.mirrored is not None:
        angle = np.degrees(np.angle(turn)) * (-1.0 if mirrored else 1.0)
        off = half_turn(angle - prior.up_position_angle)
        good &= np.abs(off) < max(5.0 * prior.up_sigma_deg, 1.0)
    return list(zip(turn[good].tolist(), shift[good].tolist(), strict=True))


def _agreeing(
    sky: Sky, turn: complex, shift: complex, given: int, prior: Prior, tight: float
) -> tuple[NDArray[np.int64], NDArray[np.int64], float]:
    """Return points and stars that agree, and how probable as many are by chance.

    ``given`` of them have been laid on each other.
    """
    there = turn * sky.star + shift
    near = NEAR_PX + NEAR_SHARE * np.abs(there)
    if not given:
        near = near + np.abs(there) * np.radians(3.0 * prior.up_sigma_deg) + prior.shift_px
    near = tight * near
    apart = np.abs(sky.place[:, None] - there[None, :])
    difference = sky.star_magnitude[None, :] - sky.magnitude[:, None]
    close = apart < near[None, :]
    if not close.any():
        return np.zeros(0, int), np.zeros(0, int), 1.0
    zero = float(np.median(difference[close]))
    alike = np.abs(difference - zero) < MAGNITUDES
    tracks, stars = [], []
    left = np.where(close & alike, apart, np.inf)
    while np.isfinite(left).any():
        i, j = np.unravel_index(int(np.argmin(left)), left.shape)
        tracks.append(int(i))
        stars.append(int(j))
        left[i], left[:, j] = np.inf, np.inf
    within = np.abs(there) < sky.reach_px
    expected = float(np.sum((alike.sum(axis=0) * np.pi * near**2)[within]) / sky.area_px)
    more = len(tracks) - given
    chance = float(gammainc(more, expected)) if more > 0 else 1.0  # Poisson, so many or more
    return np.array(tracks, int), np.array(stars, int), chance
