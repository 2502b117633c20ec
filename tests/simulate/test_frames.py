import math
from dataclasses import replace

import numpy as np
import pytest
from astropy.time import Time, TimeDelta

from limbward.geometry.orientation import Orientation
from limbward.simulate.frames import camera_frames, expose
from limbward.simulate.plan import eclipse_of
from limbward.simulate.scenario import (
    adapt,
    altazimuth_scenario,
    demo_scenario,
    shorten,
    tripod_scenario,
    two_camera_scenario,
)
from limbward.sky.ephemeris import view


def frames_of(scenario, index=0, seed=1):
    found, contacts = eclipse_of(scenario)
    return found, camera_frames(scenario, index, contacts, seed)


CASES = {
    "equatorial": (demo_scenario(0.4), 0),
    "mirrored": (adapt(demo_scenario(0.4), mount={"mirrored": True}), 0),
    "altazimuth": (altazimuth_scenario(0.4), 0),
    "fixed": (tripod_scenario(0.4), 0),
    "margins and GRBG": (two_camera_scenario(0.4), 1),
}


@pytest.mark.parametrize("case", sorted(CASES))
def test_moon_stands_where_the_ephemeris_puts_it(case):
    scenario, index = CASES[case]
    scenario = replace(shorten(scenario), refraction=False)
    _, frames = frames_of(scenario, index)
    camera = scenario.cameras[index]
    for frame in frames:
        if frame.place is None:
            continue
        middle = Time(frame.shot.start) + TimeDelta(frame.shot.exposure_s / 2, format="sec")
        sky = view(middle, scenario.site)
        axes = Orientation(
            camera.pixel_scale_arcsec, frame.up_position_angle, camera.mount.mirrored
        )
        east, north = axes.to_sky(
            frame.place.moon_x - frame.place.sun_x, frame.place.moon_y - frame.place.sun_y
        )
        assert float(east) == pytest.approx(sky.moon_east_arcsec[0], abs=1e-3)
        assert float(north) == pytest.approx(sky.moon_north_arcsec[0], abs=1e-3)
        angle = math.degrees(math.atan2(*frame.place.to_sky @ [0.0, -1.0]))
        assert (angle - frame.up_position_angle + 180) % 360 - 180 == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("case", sorted(CASES))
def test_full_sun_is_centred_where_the_truth_says(case):
    scenario, index = CASES[case]
    _, frames = frames_of(shorten(scenario, partial_frames=6), index)
    camera = scenario.cameras[index]
    top, left, _, _ = camera.instrument.margins
    rows, columns = camera.instrument.shape
    for frame in [f for f in frames if f.shot.kind == "partial"][1:3]:
        away = replace(frame, place=replace(frame.place, moon_x=1e5))
        image = expose(scenario, away, 1)[top : top + rows, left : left + columns].astype(float)
        image -= np.tile(np.reshape(camera.instrument.black, (2, 2)), (rows // 2, columns // 2))
        # Centroids of each of the four places of the mosaic, weighted alike.
        centres = []
        for i in (0, 1):
            for j in (0, 1):
                plane = image[i::2, j::2]
                # The disc's edge is sharp; a fixed share of its light is above the threshold.
                y, x = np.indices(plane.shape)
                lit = plane > 0.15 * plane.max()
                centres.append((2 * x[lit].mean() + j, 2 * y[lit].mean() + i))
        cx, cy = np.mean(centres, axis=0)
        # Vignetting tilts the light by a few 1e-3 across the disc, not the shape.
        assert cx == pytest.approx(frame.place.sun_x, abs=0.03)
        assert cy == pytest.approx(frame.place.sun_y, abs=0.03)


def test_first_bite_is_at_the_contact_s_position_angle():
    scenario = adapt(demo_scenario(0.4), mount={"jitter_arcsec": 0.0})
    found, frames = frames_of(scenario)
    frame = frames[0]
    dx = frame.place.moon_x - frame.place.sun_x
    dy = frame.place.moon_y - frame.place.sun_y
    towards_moon = math.degrees(math.atan2(-dx, -dy)) + 17.3
    # A few minutes after C1 the Moon has come straight in; the angle turns by a degree or two.
    expected = found.contacts["C1"].position_angle
    assert (towards_moon - expected + 180) % 360 - 180 == pytest.approx(0.0, abs=3.0)


def test_refraction_flattens_the_discs_towards_the_zenith():
    scenario = demo_scenario(0.4)
    _, frames = frames_of(scenario)
    place = next(f for f in frames if f.shot.kind == "totality").place
    matrix = np.linalg.inv(place.to_sky) * camera_scale(scenario)
    values = np.linalg.svd(matrix, compute_uv=False)
    # At 25 degrees of altitude refraction changes by 1.5e-3 along the vertical
    # (58 arcsec/tan h, so 58 arcsec/sin^2 h a radian: 58/206265/0.1786 = 1.57e-3).
    assert 1 - values[1] / values[0] == pytest.approx(1.4e-3, abs=3e-4)


def camera_scale(scenario):
    return scenario.cameras[0].pixel_scale_arcsec


def test_untracked_frames_trail_and_tracked_do_not():
    for scenario, low, high in ((tripod_scenario(0.4), 0.1, 2.0), (demo_scenario(0.4), 0, 0.02)):
        _, frames = frames_of(scenario)
        longest = max(
            (f for f in frames if f.shot.kind == "totality"), key=lambda f: f.shot.exposure_s
        )
        trail = math.hypot(longest.place.trail_x, longest.place.trail_y)
        assert low <= trail <= high


def test_frames_of_a_seed_repeat():
    scenario = shorten(demo_scenario(0.3))
    _, first = frames_of(scenario, seed=3)
    _, second = frames_of(scenario, seed=3)
    assert [f.shot for f in first] == [f.shot for f in second]
    index = len(first) // 2
    assert np.array_equal(expose(scenario, first[index], 3), expose(scenario, second[index], 3))
