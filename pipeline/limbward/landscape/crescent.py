"""The light of the Sun that the Moon leaves: how much of it, and where its middle is."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from limbward.landscape.heavens import Heavens

Floats = NDArray[np.float64]

DARKENING = 0.6  # linear, in green light: C. W. Allen, Astrophysical Quantities (1973), section 81
NODES = 400  # of the integral over the disc: the share is right to 1e-6
SEPARATIONS = 161


@dataclass(frozen=True)
class Light:
    """What is left of the Sun at some instants.

    Attributes
    ----------
    share : ndarray, shape (...)
        Of the whole Sun's light.
    middle : ndarray, shape (..., 3)
        Direction of the middle of that light, east, north, up; the Sun's centre in totality.
    """

    share: Floats
    middle: Floats


def light_left(heavens: Heavens, t: Floats, *, clipped: bool = False) -> Light:
    """Return how much of the Sun's light is left and the direction of its middle.

    Parameters
    ----------
    heavens : Heavens
    t : ndarray
        Seconds from its epoch.
    clipped : bool
        Whether the disc is overexposed, so that limb darkening does not show.
    """
    sun, moon = heavens.sun_moon(t)
    rs, rm = heavens.radii_deg(t)
    gap = moon - sun  # small: a chord for an arc of half a degree is right to 1e-5
    separation = np.degrees(np.linalg.norm(gap, axis=-1))
    ratio = float(np.mean(rm / rs))
    share, shift = _looked_up(separation / rs, round(ratio, 4), 0.0 if clipped else DARKENING)
    towards = gap / np.maximum(np.linalg.norm(gap, axis=-1, keepdims=True), 1e-12)
    middle = sun - np.radians(shift * rs)[..., None] * towards
    return Light(share, middle / np.linalg.norm(middle, axis=-1, keepdims=True))


def _looked_up(separation: Floats, ratio: float, darkening: float) -> tuple[Floats, Floats]:
    """Return the share and the middle's shift away from the Moon, solar radii."""
    at, share, shift = _table(ratio, darkening)
    inside = np.clip(separation, at[0], at[-1])
    return np.interp(inside, at, share), np.interp(inside, at, shift)


@lru_cache(maxsize=8)
def _table(ratio: float, darkening: float) -> tuple[Floats, Floats, Floats]:
    # Rings of the Sun's disc by the cosine of their angle to its surface, which are narrow near the
    # limb, where a thin crescent is.
    node, weight = np.polynomial.legendre.leggauss(NODES)
    mu = 0.5 * (node + 1.0)
    r = np.sqrt(1.0 - mu**2)
    light = (1.0 - darkening * (1.0 - mu)) * mu * 0.5 * weight
    inner, outer = abs(ratio - 1.0), ratio + 1.0
    # Finer near internal contact, where the middle of the crescent runs.
    at = inner + (outer - inner) * np.linspace(0.0, 1.0, SEPARATIONS) ** 2
    at = np.unique(np.concatenate([np.linspace(0.0, inner, 20), at]))
    s = np.maximum(at, 1e-9)[:, None]
    # The Moon hides the arc of a ring within this angle from the line to its centre.
    hidden = np.arccos(np.clip((r**2 + s**2 - ratio**2) / (2.0 * r * s), -1.0, 1.0))
    share = ((np.pi - hidden) * light).sum(axis=1)
    shift = (np.sin(hidden) * r * light).sum(axis=1) / np.maximum(share, 1e-12)
    return at, share / (np.pi * light.sum()), np.where(share > 1e-9, shift, 0.0)
