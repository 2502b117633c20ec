"""Frames of one camera: where the Moon is in a cut, what is up, and comparable exposures."""

from dataclasses import replace

import numpy as np
import pytest

from limbward.geometry.lens import Lens
from limbward.geometry.orientation import Orientation
from limbward.geometry.pointing import Pointing
from limbward.sequences.cut import View
from limbward.sequences.shots import (
    comparable_light,
    in_order,
    orientations,
    up_angles,
)
from limbward.sky.track import SkyTrack
from tests.sequences.made_up import MOON, SPEED, SUN, shots


@pytest.mark.parametrize("mirrored", [False, True])
def test_the_moon_is_where_the_sky_says_in_a_cut(mirrored):
    """East is left of north in a cut, whatever the camera did."""
    frames = shots([-1200.0], up=70.0, mirrored=mirrored)
    view = View(201, 16.0, 0.0)
    sun, moon = frames.discs_in(0, view)
    assert sun == pytest.approx((100.0, 100.0, SUN / 16.0))
    assert moon == pytest.approx((100.0 + SPEED * 1200.0 / 16.0, 100.0, MOON / 16.0))
    assert frames.sun_radius_px(0, 16.0) == pytest.approx(SUN / 16.0)


def test_discs_in_a_cut_are_without_distortion():
    frames, plain = shots([-1200.0]), shots([-1200.0])
    lens = Lens(40.0, -30.0, 300.0, 0.02)
    frames = replace(frames, lens=lens)
    for discs in (frames.sun, frames.moon):
        radius = lens.bent_disc(*discs[0])[2]
        discs[0] = (*lens.bent(*discs[0, :2]), radius)
    assert frames.sun[0] != pytest.approx(plain.sun[0], abs=0.3)
    view = View(201, 16.0, 0.0)
    for bent, straight in zip(frames.discs_in(0, view), plain.discs_in(0, view), strict=True):
        assert bent == pytest.approx(straight, abs=0.02)
    assert frames.take([0]).lens == lens


def test_a_moon_that_is_not_known_is_none():
    frames = shots([-1200.0])
    frames.moon[0] = np.nan
    assert frames.discs_in(0, View(201, 16.0, 0.0))[1] is None


def test_four_directions_can_be_up():
    frames = shots([0.0, 1.0], up=5.0)
    assert frames.up("solar_north").tolist() == [17.0, 17.0]
    assert frames.up("celestial_north").tolist() == [0.0, 0.0]
    assert frames.up("zenith").tolist() == [-40.0, -30.0]
    assert frames.up("camera").tolist() == [5.0, 5.0]
    assert [v.up_position_angle for v in frames.views(9, 2.0, "zenith")] == [-40.0, -30.0]
    assert float(up_angles("celestial_north", 3.0, 4.0, 5.0)) == 0.0


def test_light_is_compared_at_the_usual_iso_and_aperture():
    nan = float("nan")
    light = comparable_light(
        np.array([1.0, 1.0, 1.0, 2.0]),
        np.array([100.0, 100.0, 400.0, nan]),
        np.array([8.0, 8.0, 4.0, 8.0]),
    )
    assert light.tolist() == [1.0, 1.0, 16.0, 2.0]


def test_times_are_told_as_utc():
    frames = shots([-0.26, 61.04]).take([0, 1])
    assert frames.utc(0) == "2026-08-12T17:45:59.740Z"
    assert [frames.clock_text(0), frames.clock_text(1, 1)] == ["17:46:00", "17:47:01.0"]
    assert frames.span_utc() == ("2026-08-12T17:46:00Z", "2026-08-12T17:47:01Z")
    frames.sigma_s[1] = np.nan
    assert [frames.utc_sigma_s(0), frames.utc_sigma_s(1)] == [0.2, None]


def test_frames_of_one_time_are_in_the_cameras_own_order():
    middle = np.array([5.0, 2.0001, 2.0, np.nan, 1.0])
    usable = np.isfinite(middle)
    usable[4] = False
    assert in_order(usable, middle, np.array([1.0, 7.0, 8.0, 9.0, 0.0])).tolist() == [1, 2, 0]


class Turning(SkyTrack):
    """A zenith that turns by a degree in a hundred seconds."""

    def __init__(self):
        pass

    def parallactic_angle(self, t):
        return 30.0 + 0.01 * np.asarray(t)

    def altitude(self, t):
        return np.full(np.shape(t), 45.0)


@pytest.mark.parametrize(("rate", "expected"), [(0.0, [50, 50, 53]), (36.0, [50, 56, 53])])
def test_a_frame_turns_as_measured_else_with_the_zenith_if_the_mount_does(rate, expected):
    pointing = Pointing("A", "1", Orientation(2.0, 50.0), rotation_deg_per_hour=rate)
    t, turn = np.array([0.0, 600.0, 900.0]), np.array([np.nan, np.nan, 3.0])
    found = orientations(pointing, Turning(), t, turn)
    assert [o.up_position_angle for o in found] == pytest.approx(expected)


@pytest.mark.parametrize(("rate", "aside"), [(0.0, 0.0), (36.0, 1.0)])
@pytest.mark.parametrize("mirrored", [False, True])
def test_a_sun_left_of_the_middle_on_a_tripod_shows_the_picture_turned(rate, aside, mirrored):
    """Upright at 45 degrees: a vertical a degree to the left leans by a degree, to the right.

    Position angles run against the clock, so the picture's up has more of it than the zenith there.
    """
    pointing = Pointing("A", "1", Orientation(2.0, 30.0, mirrored), rotation_deg_per_hour=rate)
    left = 1800.0 if mirrored else -1800.0  # of the sky, pixels
    beside = np.array([[left, 0.0], [-left, 0.0], [0.0, 1800.0], [np.nan, np.nan]])
    nothing = np.full(4, np.nan)
    found = orientations(pointing, Turning(), np.zeros(4), nothing, beside)
    expected = [30.0 + aside, 30.0 - aside, 30.0, 30.0]
    assert [o.up_position_angle for o in found] == pytest.approx(expected, abs=1e-6)
