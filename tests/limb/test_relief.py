"""Whether pictures have the Moon's predicted limb, on edge points made here."""

import numpy as np
import pytest
from astropy.time import Time

from limbward.geometry.orientation import Orientation
from limbward.limb.relief import Aim, LimbVerdict, _decided, judged, moons_of, pulls, sun_size, told
from limbward.sky.ephemeris import Radii, Site
from limbward.sky.limb_profile import LimbProfile
from limbward.sky.limb_track import limb_track
from limbward.sky.real_limb import MEASURED_SUN_KM
from limbward.sky.track import sky_track
from tests.limb.edge_points import edge_points, invented

SITE, GREATEST = Site(44.4, -118.9), Time("2017-08-21T17:21:00")
TIMES = np.array([-3600.0, -2700.0, -1800.0, -900.0, 900.0, 1800.0, 2700.0, 3600.0])
CAMERA = Orientation(2.0, 33.0, mirrored=True)


@pytest.fixture(scope="module")
def sky():
    track = sky_track(GREATEST, SITE, radii=Radii(solar_radius_km=MEASURED_SUN_KM))
    return track, limb_track(GREATEST, SITE)


def frames(sky, limb_at, rng, **more):
    return edge_points(sky[0], limb_at, TIMES, CAMERA, rng, **more)


def aim(sky):
    return Aim(sky[0], CAMERA, False, TIMES)


@pytest.mark.parametrize("seed", range(4))
def test_the_real_limb_is_found_at_its_full_height(sky, seed):
    limbs = sky[1]
    discs, points = frames(sky, limbs.at, np.random.default_rng(seed))
    verdict = judged(moons_of(discs), points, aim(sky), limbs.at)
    assert verdict.decision == "real"
    assert verdict.amplitude == pytest.approx(1.0, abs=max(4 * verdict.sigma, 0.05))
    assert verdict.sigma < 0.1
    assert verdict.frames == TIMES.size


@pytest.mark.parametrize("seed", range(6))
def test_a_smooth_or_another_limb_is_not_taken_for_it(sky, seed):
    rng = np.random.default_rng(seed)
    flat = LimbProfile(np.arange(0.0, 360.0, 1.0), np.zeros(360))
    limb = flat if seed % 2 else invented(rng)
    discs, points = frames(sky, lambda t: limb, rng)
    verdict = judged(moons_of(discs), points, aim(sky), sky[1].at)
    # Other mountains look like the real ones by chance to 0.15, which leaves a little doubt.
    assert verdict.decision == "smooth" if seed % 2 else verdict.doubt < 0.12
    assert abs(verdict.amplitude) < max(4 * verdict.sigma, 0.05)
    assert not verdict.used


@pytest.mark.parametrize("seed", range(4))
def test_a_short_arc_of_coarse_pixels_shows_the_real_limb(sky, seed):
    """17 arcsec per pixel, 80 degrees of limb in one frame, blurred by 2.5 pixels."""
    camera = Orientation(17.0, 33.0)

    def blurred(t):
        return sky[1].at(t).smoothed(2.5)

    discs, points = edge_points(
        sky[0], blurred, TIMES[3:4], camera, np.random.default_rng(seed), noise_px=0.02
    )

    def short(row):
        sun, moon = points(row)
        dx, dy = moon[:, 0] - discs.moon_x[row], moon[:, 1] - discs.moon_y[row]
        angle = np.degrees(np.arctan2(dy, dx))
        middle = np.degrees(np.arctan2(np.sin(np.radians(angle)).mean(), dx.mean()))
        return sun, moon[np.abs((angle - middle + 180.0) % 360.0 - 180.0) < 40.0]

    verdict = judged(moons_of(discs), short, Aim(sky[0], camera, False, TIMES[3:4]), sky[1].at)
    assert verdict.amplitude == pytest.approx(1.0, abs=0.1)
    assert verdict.used


@pytest.mark.parametrize(("freedom", "decision"), [(2, "undetermined"), (20, "smooth")])
def test_an_error_from_few_stretches_is_not_sure(freedom, decision):
    """4 sigmas of Student's t with 2 degrees of freedom: one in 35 by chance, of 20 one in 2800."""
    assert _decided(0.06, 0.15, freedom)[0] == decision
    assert not _decided(0.06, 0.15, freedom)[1]


def test_points_too_rough_to_tell_leave_it_open(sky):
    discs, points = frames(sky, sky[1].at, np.random.default_rng(1), noise_px=15.0)
    verdict = judged(moons_of(discs), points, aim(sky), sky[1].at)
    assert verdict.decision == "undetermined"
    assert "error holds what that changes" in verdict.sentence()


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("real", [True, False])
def test_where_points_are_rough_the_likelier_limb_is_used(sky, seed, real):
    """At 2 px of noise the height is known to a quarter of itself: near enough to choose by."""
    rng = np.random.default_rng(seed)
    flat = LimbProfile(np.arange(0.0, 360.0, 1.0), np.zeros(360))
    discs, points = frames(sky, sky[1].at if real else lambda t: flat, rng, noise_px=2.0)
    verdict = judged(moons_of(discs), points, aim(sky), sky[1].at)
    assert verdict.used == real or verdict.doubt > 0.3
    assert 0.0 <= verdict.doubt <= 0.5


def test_a_height_that_neither_limb_has_is_doubted_entirely(sky):
    def half(t):
        profile = sky[1].at(t)
        return LimbProfile(profile.position_angle, 0.5 * profile.height_arcsec)

    discs, points = frames(sky, half, np.random.default_rng(3))
    verdict = judged(moons_of(discs), points, aim(sky), sky[1].at)
    assert verdict.decision == "undetermined"
    assert verdict.used
    assert verdict.doubt == 1.0


def test_points_on_a_fitted_circle_say_nothing(sky):
    """Of a thin crescent on a small disc there are only those; they are smooth by themselves."""
    flat = LimbProfile(np.arange(0.0, 360.0, 1.0), np.zeros(360))
    discs, points = frames(sky, lambda t: flat, np.random.default_rng(1), noise_px=1e-6)
    verdict = judged(moons_of(discs), points, aim(sky), sky[1].at)
    assert verdict.decision == "undetermined"
    assert verdict.frames == 0
    assert "too little" in verdict.sentence().lower()


def test_a_camera_thought_to_be_mirrored_does_not_see_it(sky):
    discs, points = frames(sky, sky[1].at, np.random.default_rng(1))
    wrong = Aim(sky[0], Orientation(2.0, 33.0), False, TIMES)
    assert judged(moons_of(discs), points, wrong, sky[1].at).decision != "real"


@pytest.mark.parametrize("factor", [1.0, 1.0002])
def test_the_suns_size_is_measured_by_the_moons(sky, factor):
    """A filter that makes the Sun 0.2 arcsec larger."""
    discs, points = frames(sky, sky[1].at, np.random.default_rng(5), sun_size=factor)
    found = sun_size(discs, points, aim(sky), sky[1].at)
    assert found == pytest.approx(factor, abs=3e-5)


def test_the_pull_on_a_whole_limb_is_the_first_wave_of_its_heights(sky):
    """In totality: a circle goes where the limb's mean sine and cosine put it."""
    discs, points = frames(sky, sky[1].at, np.random.default_rng(2), noise_px=0.01, whole=True)

    def unsure(row):
        """Mountains within the stated errors: a robust fit is one of least squares then."""
        sun, moon = points(row)
        return sun, np.column_stack([moon[:, :2], np.ones(len(moon))])

    found = pulls(moons_of(discs), unsure, aim(sky), sky[1].at)
    for i, t in enumerate(TIMES):
        profile = sky[1].at(float(t))
        a = np.radians(profile.position_angle)
        east, north = (2 * np.mean(profile.height_arcsec * f(a)) for f in (np.sin, np.cos))
        assert found[i, :2] == pytest.approx(np.array(CAMERA.to_pixels(east, north)), abs=0.02)
        assert found[i, 2] == pytest.approx(np.mean(profile.height_arcsec) / 2.0, abs=0.02)


def test_what_crescents_say_is_weighed_by_the_rule_of_bayes():
    open_ = LimbVerdict("undetermined", 0.6, 0.4, 5, used=True, doubt=0.2)
    even = open_.weighed(2.0 * np.log(4.0))  # odds of 4 against odds of 4
    assert even.doubt == pytest.approx(0.5)
    against = open_.weighed(2.0 * np.log(36.0))
    assert not against.used
    assert against.doubt == pytest.approx(0.1)
    assert open_.weighed(-9.0).doubt < 0.01
    assert 0.0 <= open_.weighed(1e9).doubt < 1e-9
    back = against.weighed(-2.0 * np.log(36.0))
    assert (back.used, back.doubt) == (True, pytest.approx(0.2))
    for kept in (open_, LimbVerdict("real"), LimbVerdict("undetermined", 0.5, 0.05, doubt=1.0)):
        assert kept.weighed(np.nan) == kept
    assert LimbVerdict("real").weighed(50.0) == LimbVerdict("real")
    assert LimbVerdict("undetermined", 0.5, 0.05, doubt=1.0).weighed(9.0).doubt == 1.0


def test_what_is_said_of_it():
    real = LimbVerdict("real", 0.98, 0.03, 24, 0.6).sentence()
    assert real.startswith("The mountains of the Moon's limb are seen at 0.98 ± 0.03 of their")
    assert real.endswith("dated with the Moon's real limb.")
    assert "is not the real one" in LimbVerdict("smooth", 0.02, 0.1, 24).sentence()
    assert "that the config gives" in LimbVerdict("given").sentence()


def test_no_error_is_said_to_be_nothing():
    assert told(1.0012, 0.0041) == "1.001 ± 0.004"
    assert told(0.06, 0.148) == "0.06 ± 0.15"
