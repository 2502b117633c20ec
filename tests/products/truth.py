"""What the simulation knows about its frames, worked out apart from the package's sequences."""

from __future__ import annotations

import numpy as np

from limbward.simulate.frames import SimulatedFrame
from limbward.simulate.limb import moon_at
from limbward.simulate.moon import LIMB_ANGLES
from limbward.simulate.scenario import Scenario


def lit_arcs(
    scenario: Scenario, frame: SimulatedFrame, seed: int
) -> list[tuple[float, float, float]]:
    """Return position angle, light (arcsec times degrees) and width (degrees) of each lit arc."""
    place = frame.place
    assert place is not None
    offset = place.to_sky @ np.array([place.sun_x - place.moon_x, place.sun_y - place.moon_y])
    angle = np.arange(LIMB_ANGLES) * (360.0 / LIMB_ANGLES)
    a = np.radians(angle)
    along = offset[0] * np.sin(a) + offset[1] * np.cos(a)
    across = offset[0] * np.cos(a) - offset[1] * np.sin(a)
    reach = along + np.sqrt(place.sun_radius_arcsec**2 - across**2)
    gap = reach - place.moon_radius_arcsec - moon_at(scenario, frame.shot.start, seed).limb_arcsec
    lit = gap > 0
    if not lit.any() or lit.all():
        return []
    start = int(np.argmin(lit))  # a dark place: no arc lies across the seam
    lit, gap, angle = np.roll(lit, -start), np.roll(gap, -start), np.roll(angle, -start)
    angle = np.unwrap(angle, period=360.0)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], lit.astype(int), [0]])))
    arcs = []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        light = gap[first:last]
        place_deg = float(np.sum(light * angle[first:last]) / light.sum())
        step = 360.0 / LIMB_ANGLES
        arcs.append((place_deg % 360.0, float(light.sum()) * step, float(last - first) * step))
    return arcs
