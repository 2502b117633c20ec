"""Trails of known length before a made corona."""

import numpy as np
import pytest

from limbward.camera.luminance import Plane
from limbward.geometry.disc import MeasuredDisc
from limbward.limb.trail import trail_px, trailed

MOON = (150.3, 148.8, 60.0)  # of the plane, pixels


def picture(length, angle=0.6, blur=0.9, noise=1.0, seed=1):
    """Return a plane with a Moon before a corona, smeared; one pixel is two of the sensor."""
    y, x = np.mgrid[:300, :300].astype(float)
    image = np.zeros((300, 300))
    steps = np.linspace(-0.5, 0.5, 31) * length / 2.0
    for shift in steps:
        dx, dy = x - MOON[0] - shift * np.cos(angle), y - MOON[1] - shift * np.sin(angle)
        rho = np.hypot(dx, dy)
        edge = 1.0 / (1.0 + np.exp(-1.702 * np.clip((rho - MOON[2]) / blur, -20, 20)))
        image += 800.0 * edge * (np.maximum(rho, MOON[2]) / MOON[2]) ** -6 / steps.size
    image += np.random.default_rng(seed).normal(0.0, noise, image.shape)
    return Plane(image.astype(np.float32), np.zeros(image.shape, bool), 2.0, (0.5, 0.5))


def moon():
    return MeasuredDisc(2 * MOON[0] + 0.5, 2 * MOON[1] + 0.5, 2 * MOON[2], 0.05)


@pytest.mark.parametrize("angle", [0.0, 0.6, 1.9])
def test_the_length_of_a_trail_is_measured(angle):
    """Second moment and steepest slope of a smeared edge differ: a third is enough to judge."""
    for length in (6.0, 10.0, 14.0):
        found = trail_px(picture(length, angle), moon())
        assert found == pytest.approx(length, rel=0.35)


def test_a_frame_that_did_not_move_has_next_to_no_trail_however_blurred():
    for blur in (0.8, 1.5, 3.0):
        assert trail_px(picture(0.0, blur=blur), moon()) < 3.0


def test_a_limb_that_is_clipped_or_lost_in_noise_tells_nothing():
    clipped = picture(8.0)
    clipped.saturated[:] = clipped.image > 300.0
    assert np.isnan(trail_px(clipped, moon()))
    assert np.isnan(trail_px(picture(8.0, noise=2000.0), moon()))


def test_frames_that_moved_more_than_their_blur_are_trailed():
    usual = np.full(10, 2.3)
    usual[[2, 5]] = 5.5, 12.0
    usual[7] = np.nan
    assert np.flatnonzero(trailed(usual, np.full(10, 0.8))).tolist() == [2, 5]
    assert np.flatnonzero(trailed(usual, np.full(10, 3.0))).tolist() == [5]
    assert not trailed(usual[:3], np.full(3, 0.8)).any()
