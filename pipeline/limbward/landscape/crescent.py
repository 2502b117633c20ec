"""The light of the Sun that the Moon leaves: how much of it, and where its middle is."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from limbward.landscape.heavens import Heavens

Floats = NDArray[np.float64]

DARKENING = 0.6  # linear, in green light: C. W. Allen, Astrophysical Quantities (1973), section 81
NODES = 200  # of the integral over the disc: the share is right to 1e-5
RATIO_STEP = 0.02  # of the Moon's radius over the Sun's; it changes by 0.005 in an eclipse
# Solar radii between the limbs, finer near internal contact, where the middle of the light runs.
GAPS = np.concatenate([np.linspace(-0.15, 0.0, 16)[:-1], 2.0 * np.linspace(0.0, 1.0, 201) ** 2])


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
    share, shift = _looked_up(separation / rs, rm / rs, 0.0 if clipped else DARKENING)
    towards = gap / np.maximum(np.linalg.norm(gap, axis=-1, keepdims=True), 1e-12)
    middle = sun - np.radians(shift * rs)[..., None] * towards
    return Light(share, middle / np.linalg.norm(middle, axis=-1, keepdims=True))


def _looked_up(separation: Floats, ratio: Floats, darkening: float) -> tuple[Floats, Floats]:
    """Return the share and the middle's shift away from the Moon, solar radii.

    The tables run along the gap between the limbs on the side of the crescent, at which the light
    changes little with the Moon's size, so that two sizes and a straight line between them do.
    """
    low = np.floor(np.min(ratio) / RATIO_STEP) * RATIO_STEP
    gap = separation - (ratio - 1.0)
    first, second = (_table(round(low + k * RATIO_STEP, 6), darkening) for k in (0, 1))
    part = (ratio - low) / RATIO_STEP
    share, shift = (
        (1.0 - part) * np.interp(gap, GAPS, first[k]) + part * np.interp(gap, GAPS, second[k])
        for k in (0, 1)
    )
    return np.clip(share, 0.0, 1.0), shift


@lru_cache(maxsize=64)
def _table(ratio: float, darkening: float) -> tuple[Floats, Floats]:
    # Rings of the Sun's disc by the cosine of their angle to its surface, which are narrow near the
    # limb, where a thin crescent is.
    node, weight = _nodes()
    mu = 0.5 * (node + 1.0)
    r = np.sqrt(1.0 - mu**2)
    light = (1.0 - darkening * (1.0 - mu)) * mu * 0.5 * weight
    s = np.maximum(GAPS + ratio - 1.0, 1e-9)[:, None]
    # The Moon hides the arc of a ring within this angle from the line to its centre.
    hidden = np.arccos(np.clip((r**2 + s**2 - ratio**2) / (2.0 * r * s), -1.0, 1.0))
    share = ((np.pi - hidden) * light).sum(axis=1)
    shift = (np.sin(hidden) * r * light).sum(axis=1) / np.maximum(share, 1e-12)
    return share / (np.pi * light.sum()), np.where(share > 1e-9, shift, 0.0)


@lru_cache(maxsize=1)
def _nodes() -> tuple[Floats, Floats]:
    return np.polynomial.legendre.leggauss(NODES)
