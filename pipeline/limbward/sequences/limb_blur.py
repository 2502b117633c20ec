"""How blurred a picture of the Sun is, by a limb in it: the Moon's before the disc, or its own."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.optimize import least_squares
from scipy.special import ndtr

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

LIMB_PX = 6.0  # to both sides of a limb, where its blur is measured
BIN_PX = 0.05  # as wide as 0.25, bins alone made half a pixel 4 % too wide
FINE_PX = 0.02
LEAST_BINS = 40
BLURS_PX = (0.2, 3.0)  # between which it is looked for
FURTHEST_PX = 2.0  # that a limb may lie off its radius
SURE = 0.9  # of the light's variance that an edge must explain
# Spicules beyond the limb fall by e over some 1500 km (J. M. Beckers, Ann. Rev. Astron. Astrophys.
# 10, 73, 1972; from memory). Without them half a pixel of 2.5 arcsec comes out 4 % too wide.
SPICULES_ARCSEC = 2.0
MOST_SPICULES = 0.1  # of the brightest light near the limb


def blur_of_edge(beyond: Floats, light: Floats) -> float:
    """Return the blur of a sharp edge, standard deviation in pixels; 0 where there is none.

    Parameters
    ----------
    beyond : ndarray, shape (N,)
        How far pixels lie beyond the edge, pixels.
    light : ndarray, shape (N,)
        There, as it would be without the edge even to a slope across it.
    """
    at, median = _across(beyond, light)

    def columns(place: float, blur: float) -> Floats:
        edge = ndtr((at - place) / blur)
        return np.array([np.ones_like(at), edge, edge * at]).T

    return _fitted(at, median, columns)


def blur_of_limb(picture: Pixels, away: Pixels, radius: float, scale_arcsec: float) -> float:
    """Return the blur of a disc by its own limb, standard deviation in pixels; 0 without a limb.

    Parameters
    ----------
    picture : ndarray, shape (H, W)
        NaN where nothing is known.
    away : ndarray, shape (H, W)
        Distance from the centre, radii of the disc.
    radius : float
        Of the disc, pixels.
    scale_arcsec : float
        Arcsec a pixel.

    Notes
    -----
    The light across the limb, the median of all angles, is a darkened disc and spicules beyond it,
    blurred by a Gaussian. The darkening is a polynomial in the cosine mu of the angle to the
    vertical, which falls with infinite slope at the limb: a straight line there reads half a pixel
    as 0.64. A chromosphere that fades out over some arcseconds below the limb passes for blur.
    """
    known = np.isfinite(picture) & (np.abs(away - 1.0) * radius < LIMB_PX)
    at, light = _across((away[known].astype(float) - 1.0) * radius, picture[known])
    h = np.arange(-LIMB_PX - 3.0 * BLURS_PX[1], LIMB_PX + 3.0 * BLURS_PX[1], FINE_PX)

    def columns(place: float, blur: float) -> Floats:
        beyond = h - place
        mu = np.sqrt(np.clip(1.0 - (1.0 + np.minimum(beyond, 0.0) / radius) ** 2, 0.0, 1.0))
        disc = np.clip(0.5 - beyond / FINE_PX, 0.0, 1.0)
        tail = (1.0 - disc) * np.exp(-np.maximum(beyond, 0.0) * scale_arcsec / SPICULES_ARCSEC)
        sharp = np.array([tail, disc, disc * mu, disc * mu**2])
        soft = gaussian_filter1d(sharp, blur / FINE_PX, mode="nearest")
        seen = [np.interp(at, h, c) for c in soft]
        return np.array([*seen, np.ones_like(at), np.clip(at, 0.0, None)]).T

    return _fitted(at, light, columns, MOST_SPICULES)


def _fitted(
    at: Floats, light: Floats, columns: Callable[[float, float], Floats], most: float | None = None
) -> float:
    """Return the blur with which a sum of columns, made for a place and a blur, fits best.

    The part of the first is from 0 to ``most`` of the brightest light, if that is given: spicules
    narrower than the blur are no other than a limb that lies further out.
    """
    if at.size < LEAST_BINS or not np.ptp(light) > 0.0:
        return 0.0

    def left(p: Floats) -> Floats:
        design = columns(float(p[0]), float(np.exp(p[1])))
        c = np.linalg.lstsq(design, light, rcond=None)[0]
        held = c[0] if most is None else np.clip(c[0], 0.0, most * light.max())
        if held != c[0]:
            rest = light - held * design[:, 0]
            c = np.append(held, np.linalg.lstsq(design[:, 1:], rest, rcond=None)[0])
        return np.asarray(design @ c - light)

    def slopes(p: Floats) -> Floats:
        sides = [[left(p + s * step) for s in (1.0, -1.0)] for step in np.eye(2) * FINE_PX]
        return np.array([(a - b) / (2.0 * FINE_PX) for a, b in sides]).T

    low, high = np.log(BLURS_PX)
    bounds = ([-FURTHEST_PX, low], [FURTHEST_PX, high])
    found = least_squares(left, [0.0, np.log(0.7)], slopes, bounds)
    explained = 1.0 - float(np.var(found.fun) / np.var(light))
    return float(np.exp(found.x[1])) if explained > SURE else 0.0


def _across(beyond: Floats, light: Floats) -> tuple[Floats, Floats]:
    """Return places across a limb, pixels outwards, and the median light there."""
    if not beyond.size:
        return np.zeros(0), np.zeros(0)
    return medians(np.round((beyond + LIMB_PX) / BIN_PX).astype(int), beyond, light)


def medians(bins: Indices, place: NDArray[Any], light: NDArray[Any]) -> tuple[Floats, Floats]:
    """Return the mean place and the median light of each bin that is not empty.

    Parameters
    ----------
    bins : ndarray of int, shape (N,)
    place, light : ndarray, shape (N,)

    Returns
    -------
    place, light : ndarray, shape (B,)
        In the order of the bins.
    """
    order = np.argsort(bins, kind="stable")
    cuts = np.searchsorted(bins[order], np.unique(bins))[1:]
    parts = zip(*(np.split(v[order], cuts) for v in (place, light)), strict=True)
    at, median = np.array([(b.mean(), np.median(v)) for b, v in parts], float).T
    return at, median
