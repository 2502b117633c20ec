"""Beads in which a ring begins: on a painted limb with light where it is known to be."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from limbward.sequences.beads import expected_ring_beads, find_ring_beads
from limbward.sequences.cut import View

MOON, FINE, SIDE = 120.0, 4, 301
BEADS = (20.0, 31.0, 47.0)  # position angles; the ring is open between 5 and 60 degrees


def width_px(angle):
    """Return how wide the ring is at a position angle: none from 5 to 60 degrees but for beads."""
    off = (angle - 32.5 + 180.0) % 360.0 - 180.0
    ring = np.where(np.abs(off) > 27.5, 5.0 * (1 - np.cos(np.radians(off))) / 2 + 0.3, 0.0)
    for bead in BEADS:
        ring = np.where(np.abs((angle - bead + 180.0) % 360.0 - 180.0) < 1.2, 0.5, ring)
    return ring


@pytest.mark.parametrize("level", [0.1, 0.6])
def test_beads_are_found_where_they_are(level):
    view = View(SIDE, 8.0, 0.0)
    y, x = (np.indices((SIDE * FINE, SIDE * FINE)) + 0.5) / FINE - 0.5 - view.centre
    angle = np.degrees(np.arctan2(-x, -y)) % 360.0  # north up, east left
    beyond = np.hypot(x, y) - MOON
    picture = gaussian_filter(level * ((beyond > 0) & (beyond < width_px(angle))), 1.0 * FINE)
    picture = picture.reshape(SIDE, FINE, SIDE, FINE).mean(axis=(1, 3))
    noise = np.random.default_rng(3).normal(0, 0.002 * level, picture.shape)
    found = find_ring_beads(np.stack([picture + noise] * 3).astype(np.float32), view, MOON)
    assert [b.position_angle for b in found] == pytest.approx(BEADS, abs=0.5)
    assert all(b.width_deg < 6 for b in found)


def test_expected_beads_of_a_ring_leave_the_crescent_out():
    angle = np.arange(0.0, 360.0, 0.1)
    gap = np.where(width_px(angle) > 0, 8.0 * width_px(angle), -1.0)
    found = expected_ring_beads(gap, MOON, 8.0)
    assert [b.position_angle for b in found] == pytest.approx(BEADS, abs=0.3)
    assert expected_ring_beads(np.full(3600, -1.0), MOON, 8.0) == []
