"""Clocks by beads, against pictures painted by other means."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from astropy.time import TimeDelta
from numpy.testing import assert_allclose

from limbward.camera.luminance import Plane
from limbward.clock.bead_light import Edges
from limbward.clock.bead_use import add_beads, describe_beads, site_variance, with_beads
from limbward.clock.beads import Beads, date_by_beads, suppositions
from limbward.clock.readings import Body, Readings
from limbward.clock.solution import ClockSolution
from limbward.errors import LimbwardError
from limbward.geometry.disc import RIM_BINS, Disc
from limbward.geometry.orientation import Orientation
from limbward.limb.rim import rim_light
from limbward.sky.air import Air
from limbward.sky.contacts import local_circumstances
from limbward.sky.doubt import doubted_track
from limbward.sky.ephemeris import Radii, Site, view
from limbward.sky.libration import turned_moon
from limbward.sky.lunar_limb import limb_of
from limbward.sky.real_limb import MEASURED_SUN_KM, real_limb
from limbward.sky.track import sky_track
from limbward.workspace import Workspace
from limbward.workspace.stored import read_rim, write_reduced
from tests.clock.painted_beads import ECLIPSES, session

SITE = Site(65.0, -23.4, 40.0)


@pytest.fixture(scope="module")
def circumstances():
    return local_circumstances("2026-08-12", SITE)


@pytest.fixture(scope="module")
def track(circumstances):
    return sky_track(circumstances.contacts["greatest"].time, SITE)


# The light around the limb


def lit_plane(places, value=0.5):
    image = np.zeros((400, 500), np.float32)
    for x, y in places:
        image[y, x] = value
    return Plane(image, image > 0.9, 2.0, (10.0, 20.0))


@pytest.mark.parametrize(
    ("dx", "dy", "degrees"), [(0, -100, 0), (-100, 0, 90), (0, 100, 180), (100, 0, 270)]
)
def test_directions_run_from_up_towards_left(dx, dy, degrees):
    # Moon's centre at (250, 200) of the plane: twice that and the origin in full pixels.
    rim = rim_light(lit_plane([(250 + dx, 200 + dy)]), Disc(510.0, 420.0, 200.0), 1.0)
    assert rim.shape == (RIM_BINS,)
    found = (np.argmax(np.roll(rim, RIM_BINS // 2)) + 0.5) * 360.0 / RIM_BINS - 180.0
    assert (found - degrees + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=0.7)


def test_clipped_light_is_one_and_what_is_beyond_the_picture_unknown():
    plane = lit_plane([(250, 100)], value=1.5)
    rim = rim_light(plane, Disc(510.0, 420.0, 200.0), 1.5)
    assert 0.5 < rim.max() <= 1.0
    outside = rim_light(plane, Disc(510.0, 820.0, 200.0), 1.5)
    assert np.isnan(outside).mean() > 0.3
    far = rim_light(plane, Disc(5000.0, 5000.0, 200.0), 1.5)
    assert np.isnan(far).all()


# The Moon's limb before the Sun's


def test_the_gap_between_circles_is_what_two_circles_leave(track):
    edges = Edges(track, np.arange(0.0, 360.0, 1.0), np.zeros(360))
    t = np.array([-400.0, -60.0, 0.0])
    gap = edges.gap_arcsec(t)
    moon, sun = edges.moon_arcsec(t), edges.sun_arcsec(t)
    sky = view(track.epoch + TimeDelta(t, format="sec"), SITE)
    assert_allclose(moon, sky.moon_radius_arcsec, atol=1e-3)
    assert_allclose(sun, sky.sun_radius_arcsec, atol=1e-3)
    for k, offset in enumerate(track.offset_arcsec(t)):
        bend = track.refraction(t)[k]
        for bin_ in (0, 700, 2222, 3100):
            a = np.radians((bin_ + 0.5) * 0.1)
            # Along the ray from the Moon's centre, in small steps, until it leaves the Sun.
            towards = np.linalg.solve(bend, [np.sin(a), np.cos(a)])
            reach = np.arange(0.0, 2500.0, 0.01)
            ray = np.linalg.solve(bend, offset) + reach[:, None] * towards / np.hypot(*towards)
            inside = np.hypot(*ray.T) < sun[k]
            expected = reach[inside].max() - moon[k]
            assert gap[k, bin_] == pytest.approx(expected, abs=0.03)


def test_the_light_goes_out_and_returns_at_the_contacts_by_the_relief(circumstances, track):
    limb = limb_of(turned_moon(track.epoch, SITE))
    edges = relief_of(track, limb.profile())
    t = np.arange(-65.0, 65.0, 0.05)
    lit = t[edges.light(t).max(axis=1) > 0.0]
    contacts = real_limb(circumstances, SITE).contacts
    # By another way: each place's last light, in straight lines between instants 2 s apart. The
    # limbs of both are that of greatest eclipse; a narrow valley lies between two places looked at.
    second, third = ((c - track.epoch).to_value("s") for c in (contacts.second, contacts.third))
    assert lit[lit < 0].max() == pytest.approx(second, abs=0.12)
    assert lit[lit > 0].min() == pytest.approx(third, abs=0.12)


def test_more_light_comes_through_a_wider_gap_and_less_from_the_edge(track):
    edges = Edges(track, np.arange(0.0, 360.0, 1.0), np.full(360, -5.0))
    light = edges.light(np.zeros(1))[0]
    gap = edges.gap_arcsec(np.zeros(1))[0].reshape(RIM_BINS, 2).mean(axis=1)
    lit = gap > 0.3
    # Brightness within 12 arcsec of the limb is 0.3 to 0.5 of the middle's (Allen, Neckel).
    assert np.all(light[lit] > 0.29 * gap[lit])
    assert np.all(light[lit] < 0.52 * gap[lit])
    order = np.argsort(gap[lit])
    assert np.all(np.diff(light[lit][order] / gap[lit][order]) > -1e-3)


# A camera's clock


def relief_of(track, profile):
    ratio = MEASURED_SUN_KM / Radii().solar_radius_km
    return Edges(track, profile.position_angle, profile.height_arcsec, ratio)


def dated(s, *, error_s=2.0, sigma_s=2.5, sources=("totality",), orientation=None):
    """Return what beads tell of a session's clock, given a rough one."""
    n = s.start_s.size
    readings = Readings(
        np.array([f"B{k:02d}" for k in range(n)], object),
        np.array(["contact"] * n, object),
        np.array([""] * n, object),
        s.reading_s,
        np.ones(n),
        s.exposure_s,
        np.arange(n, dtype=float),
    )
    track = sky_track(s.eclipse.greatest, s.eclipse.site, pressure_hpa=0.0)
    limb = limb_of(turned_moon(s.eclipse.greatest, s.eclipse.site))
    rough = ClockSolution(
        s.offset_s + error_s, 0.0, np.diag([sigma_s**2, 400.0]), sources, orientation=orientation
    )
    found = date_by_beads(
        relief_of(track, limb.profile()),
        Body("Invented", "1", np.arange(n)),
        readings,
        lambda row: s.rims[row],
        rough,
        s.totality_s,
        False,
        np.full(n, 100.0),
    )
    return found, readings, rough, track


def angle_off(found, true):
    return (found - true + 180.0) % 360.0 - 180.0


@cache
def of_eclipse(which):
    """Return a session of five frames per contact, and what beads tell of it: ten seconds' work."""
    s = session(which, 100 + which, frames=5)
    return s, dated(s)[0]


def test_beads_tell_clock_orientation_and_mirroring():
    s, beads = of_eclipse(12)
    assert beads.why_not == ""
    assert beads.offset_s == pytest.approx(s.offset_s, abs=3.0 * beads.sigma_s)
    assert beads.sigma_s < 0.15
    assert beads.mirrored == s.optics.mirrored
    assert abs(angle_off(beads.up_deg, s.optics.up_deg)) < 0.3
    # Each by itself, too, without its reading.
    known = np.isfinite(beads.own_s)
    assert known.sum() >= 5
    assert np.median(np.abs(beads.own_s - s.start_s)[known]) < 0.3


def test_a_clock_that_is_known_to_minutes_is_found_by_one_contact():
    s = session(4, 8, sides="C3", frames=8)
    beads, *_ = dated(s, error_s=-134.0, sigma_s=79.0)
    assert beads.why_not == ""
    assert beads.offset_s == pytest.approx(s.offset_s, abs=3.0 * beads.sigma_s)
    # With one contact the Sun's radius, known to 0.2 arcsec, is 0.3 to 0.7 s.
    assert 0.2 < beads.sigma_s < 0.8


@pytest.mark.parametrize(("moon", "which"), [("random", 2), ("smooth", 6)])
def test_an_invented_moon_dates_nothing(moon, which):
    s = session(which, 11, moon=moon, frames=4)
    beads, *_ = dated(s)
    assert "hardly better than other limbs" in beads.why_not
    assert np.isnan(beads.offset_s)


def test_a_site_far_off_dates_nothing_or_rightly():
    # 30 km across the path the Moon passes 16 arcsec beside: other valleys let light through.
    s, _ = of_eclipse(8)
    north = replace(s.eclipse.site, latitude=s.eclipse.site.latitude + 0.27)
    moved = replace(s, eclipse=replace(s.eclipse, site=north))
    beads, *_ = dated(moved)
    assert beads.why_not != ""


def test_without_frames_near_the_contacts_there_is_nothing_to_say():
    s = session(3, 2, sides="C2", frames=1)
    dark = replace(s, rims=np.full_like(s.rims, 0.01))
    assert dated(dark)[0] is None
    later = replace(s, start_s=s.start_s - 500.0)
    assert dated(later)[0] is None


@pytest.mark.statistical
def test_stated_errors_hold_at_eclipses_of_four_librations():
    """All sixteen: ``python -m tests.benchmarks.beads``."""
    errors, sigmas = [], []
    for which in range(0, len(ECLIPSES), 4):
        s, beads = of_eclipse(which)
        assert beads.why_not == ""
        errors.append(beads.offset_s - s.offset_s)
        sigmas.append(beads.sigma_s)
    errors, sigmas = np.array(errors), np.array(sigmas)
    # Of four, two or more beyond two sigma in 1.4 % of trials if 5 % are.
    assert np.sum(np.abs(errors) > 2.0 * sigmas) <= 1
    assert np.abs(errors).max() < 0.3
    assert sigmas.max() < 0.25


# Beside other evidence


@pytest.fixture(scope="module")
def doubt(track):
    return doubted_track(track, SITE, Air(1010.0, 10.0))


def told(offset_s, sigma_s=0.05, **more):
    return Beads(np.arange(3), offset_s=offset_s, sigma_s=sigma_s, up_deg=20.0, **more)


def test_a_site_that_is_off_by_a_kilometre_moves_the_date_by_a_second(track, doubt):
    # 150 m along each axis; a kilometre across the line of sight is 0.55 arcsec, and the Moon moves
    # by 0.3 to 0.6 arcsec a second.
    assert 0.02 < np.sqrt(site_variance(track, doubt)) < 0.3


def test_alone_beads_are_the_clock(track, doubt):
    rough = ClockSolution(3.0, 0.0, np.diag([2.5**2, 400.0]), ("totality",), ("a warning",))
    solution, beads = with_beads(rough, told(1.2), track, doubt, np.full(3, 250.0))
    assert solution.offset_s == 1.2
    expected = np.sqrt(0.05**2 + site_variance(track, doubt))
    assert solution.offset_sigma_s == pytest.approx(expected)
    assert solution.sources == ("beads", "totality")
    assert solution.orientation.up_position_angle == 20.0
    scale = track.moon_radius_arcsec(np.zeros(1))[0] / 250.0
    assert solution.orientation.pixel_scale_arcsec == pytest.approx(scale)
    assert beads.why_not == ""


def test_with_crescents_each_counts_by_its_error_and_the_site_once(track, doubt):
    common = site_variance(track, doubt)
    crescents = ClockSolution(
        0.0,
        0.5,
        np.diag([0.1**2 + common, 0.3**2]),
        ("crescents",),
        orientation=Orientation(3.0, 10.0),
    )
    solution, _ = with_beads(crescents, told(0.15, 0.05), track, doubt, np.full(3, 250.0))
    # Weights 1 / 0.1**2 and 1 / 0.05**2.
    assert solution.offset_s == pytest.approx(0.15 * 0.8, rel=1e-6)
    assert solution.offset_sigma_s == pytest.approx(np.sqrt(common + 0.002), rel=1e-6)
    assert solution.drift_s_per_hour == 0.5
    assert solution.orientation == crescents.orientation
    assert solution.sources == ("crescents", "beads")
    assert np.all(np.linalg.eigvalsh(solution.covariance) > 0)


def test_beads_that_disagree_with_crescents_are_left_out(track, doubt):
    crescents = ClockSolution(0.0, 0.0, np.diag([0.15**2, 0.3**2]), ("crescents",))
    solution, beads = with_beads(crescents, told(1.5), track, doubt, np.full(3, 250.0))
    assert solution is crescents
    assert "1.50 s more" in beads.why_not
    assert "site" in beads.why_not


def test_a_turned_moon_has_its_mountains_elsewhere(track):
    edges = Edges(track, np.arange(0.0, 360.0, 0.5), np.sin(np.arange(720) / 40.0))
    assert_allclose(edges.turned(90.0).height_arcsec[180], edges.height_arcsec[0], atol=1e-9)
    assert_allclose(edges.reversed().height_arcsec[20], edges.height_arcsec[700], atol=1e-9)
    assert np.ptp(edges.smooth().height_arcsec) == 0.0


def test_the_field_may_turn_and_the_picture_be_mirrored_unless_it_is_known(track):
    at = np.array([-200.0, 200.0])
    turn = track.parallactic_angle(at) - track.parallactic_angle(np.zeros(1))
    rough = ClockSolution(0.0, 0.0, np.eye(2), ("totality",))
    ways = suppositions(track, rough, True, at)
    assert [w.mirrored for w in ways] == [False, True]
    assert_allclose(ways[0].turn_deg, turn)
    assert np.ptp(ways[0].log_prior(np.arange(RIM_BINS))) == 0.0
    # In seven minutes it turns by more than a bin.
    assert np.ptp(turn) > 0.2
    assert len(suppositions(track, rough, None, at)) == 4
    known = replace(rough, orientation=Orientation(3.0, 359.9, True), up_sigma_deg=0.01)
    (way,) = suppositions(track, known, None, at)
    assert way.mirrored
    assert_allclose(way.turn_deg, 0.0)
    # Upright on a tripod, the Sun a degree to the right: verticals meet in the zenith.
    up = float(track.parallactic_angle(np.zeros(1))[0])
    tripod = replace(known, orientation=Orientation(3.0, up), rotates=True)
    (fixed,) = suppositions(track, tripod, None, at, np.array([[0.0, 50.0], [1200.0, 0.0]]))
    lean = np.tan(np.radians(track.altitude(at[1:])))
    assert_allclose(fixed.turn_deg, [turn[0], turn[1] - lean[0]], atol=0.02)
    # 0.1 degrees beyond north as well as before it.
    assert way.log_prior(np.array([1]))[0] == pytest.approx(way.log_prior(np.array([1798]))[0])


def test_what_is_told_of_beads(track):
    readings = Readings(
        np.array(["a", "b"], object),
        np.array(["contact"] * 2, object),
        np.array([""] * 2, object),
        np.array([10.0, 12.0]),
        np.ones(2),
        np.full(2, 1e-3),
        np.arange(2.0),
    )
    clock = ClockSolution(4.0, 0.0, np.eye(2), ("beads",))
    beads = Beads(
        np.arange(2),
        offset_s=4.0,
        sigma_s=0.05,
        better=80.0,
        own_s=np.array([6.3, np.nan]),
        own_sigma_s=np.array([0.1, np.nan]),
    )
    told = describe_beads(beads, clock, readings, track.epoch)
    assert (told["frames"], told["used"], told["why_not"]) == (2, 2, None)
    # Read at 10 to 11 by a clock 4 s fast: 6.5 s, 0.2 s later than its beads say.
    assert told["dated"][0]["residual_s"] == pytest.approx(0.2)
    assert told["dated"][0]["utc"].startswith("2026-08-12T17:46:57.1")
    assert told["dated"][1] == {"file": "b", "utc": None, "sigma_s": None, "residual_s": None}
    assert told["scatter_s"] == pytest.approx(0.2)
    unused = describe_beads(Beads(np.arange(2), "no"), clock, readings, track.epoch)
    assert (unused["used"], unused["why_not"], unused["sigma_s"]) == (0, "no", None)
    entry = {"evidence": []}
    add_beads(entry, None, clock, readings, track.epoch)
    assert entry == {"evidence": []}
    add_beads(entry, Beads(np.arange(2), "no"), None, readings, track.epoch)
    assert entry["beads"]["why_not"] == "no"
    assert entry["evidence"] == [{"source": "beads", "frames": 2, "used": 0, "scatter_s": None}]


def test_what_is_stored_of_a_limb_is_read_again_or_said_to_be_damaged(tmp_path):
    workspace = Workspace(tmp_path)
    none, rim = np.zeros((0, 3)), np.linspace(0.0, 1.0, RIM_BINS, dtype=np.float32)
    for name, stored in (
        ("reduced/a.npz", rim),
        ("reduced/b.npz", None),
        ("reduced/c.npz", rim[1:]),
    ):
        write_reduced(workspace, name, sun_limb=none, moon_limb=none, rim=stored)
    assert_allclose(read_rim(workspace.path("reduced/a.npz")), rim)
    assert read_rim(workspace.path("reduced/b.npz")) is None
    with pytest.raises(LimbwardError, match="rim has the shape"):
        read_rim(workspace.path("reduced/c.npz"))
