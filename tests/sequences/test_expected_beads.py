"""Beads that the Moon's limb makes, beside beads found in pictures painted point by point."""

from types import SimpleNamespace

import astropy.units as u
import numpy as np
import pytest
from astropy.time import Time, TimeDelta
from scipy.ndimage import gaussian_filter

from limbward.sequences import strip
from limbward.sequences.beads import Bead, expected_beads, find_beads, off_deg, same_place
from limbward.sequences.cut import View
from limbward.sky.best_limb import best_limb, smooth_limb
from limbward.sky.contacts import local_circumstances
from limbward.sky.ephemeris import Radii, Site, view

SITE = Site(65.0, -23.4, 40.0)
SCALE, UP = 2.0, 33.0


@pytest.fixture(scope="module")
def eclipse():
    return local_circumstances("2026-08-12", SITE)


@pytest.fixture(scope="module")
def limb(eclipse):
    return best_limb(eclipse, SITE)


def painted(limb, time: Time) -> tuple[np.ndarray, View, float]:
    """Return a photograph: points off the Moon that lie on the Sun, each a twentieth of an arcsec.

    Blurred as by air and lens, before a corona.
    """
    sky = view(time, SITE, radii=limb.radii)
    radius = sky.moon_radius_arcsec[0]
    side = 2 * int(1.15 * radius / SCALE) + 1
    angle = np.arange(0.0, 360.0, 0.01)[:, None]
    r = radius + limb.profile.height(angle) + np.arange(0.025, 12.0, 0.05)
    east, north = r * np.sin(np.radians(angle)), r * np.cos(np.radians(angle))
    from_sun = np.hypot(east + sky.moon_east_arcsec, north + sky.moon_north_arcsec)
    on = from_sun < sky.sun_radius_arcsec
    # Up is position angle UP; east is to the left of north.
    s, c = np.sin(np.radians(UP)), np.cos(np.radians(UP))
    x = (side - 1) / 2.0 + (-east * c + north * s)[on] / SCALE
    y = (side - 1) / 2.0 - (east * s + north * c)[on] / SCALE
    light = r[on] * np.radians(0.01) * 0.05 / SCALE**2  # of a pixel
    picture = np.zeros((side, side))
    np.add.at(picture, (np.round(y).astype(int), np.round(x).astype(int)), light)
    off = np.arange(side) - (side - 1) / 2.0
    corona = 1e-5 * np.exp(-(np.hypot(off, off[:, None]) * SCALE / radius - 1.0) * 4.0)
    picture = np.minimum(gaussian_filter(picture, 0.8) + corona, 1.0).astype(np.float32)
    return np.stack([picture] * 3), View(side, SCALE, UP), radius / SCALE


@pytest.mark.parametrize("since_s", [-9.0, -5.0, -2.5, -1.0])
@pytest.mark.parametrize("contact", [0, 1])
def test_what_is_photographed_is_where_the_limb_makes_it(limb, contact, since_s):
    time = limb.central[contact] + TimeDelta(since_s if contact == 0 else -since_s, format="sec")
    picture, seen, radius = painted(limb, time)
    found = find_beads(picture, seen, radius)
    gap = limb.sun_over(time, np.zeros(1), SITE)[0]
    due = expected_beads(gap, radius)
    strongest = max(bead.light for bead in found)
    pairs = [(b, same_place((d.position_angle for d in due), b.position_angle)) for b in found]
    # A dip may be just deep enough to part two of them in one and not in the other.
    assert sum(place is not None for _, place in pairs) >= 0.75 * max(len(found), len(due))
    for bead, place in pairs:
        near = np.arange(-3, 4) + round(10 * bead.position_angle)  # within the blur
        assert gap[near % 3600].max() > 0
        if place is not None and bead.light > 0.6 * strongest:
            assert abs(off_deg(place, bead.position_angle)) < 0.1


def test_in_totality_none_is_due(limb):
    second, third = limb.central
    middle = second + 0.5 * (third - second)
    assert expected_beads(limb.sun_over(middle, np.zeros(1), SITE)[0], 300.0) == []


def test_a_bead_is_the_same_within_a_degree_across_north():
    assert same_place([10.0, 359.6], 0.3) == 359.6
    assert same_place([10.0, 358.9], 0.3) is None
    assert same_place([], 0.3) is None


@pytest.mark.parametrize(("sigma_s", "known"), [(0.1, False), (1.0, True), (np.nan, False)])
def test_where_a_time_is_in_doubt_beads_may_be_those_of_a_moment_before(limb, sigma_s, known):
    """A bead that is out when the frame is said to have been taken, and was there 2 s before."""
    at_c2 = [b for b in limb.beads if b.contact == "C2"]
    bead = [b for b in at_c2 if limb.central[0] - b.time > 1 * u.s][-1]
    since = float((bead.time - limb.central[0]).to_value("s")) + 1.0
    frames = Frames(
        epoch=limb.central[0], middle_s=np.array([since]), sigma_s=np.array([sigma_s]),
        moon=np.array([[0.0, 0.0, 450.0]]), straight=lambda discs: discs,
    )  # fmt: skip
    made = strip.Strip(frames, (1, 0), np.zeros(1), 100)
    (due,) = made.expected(limb, SITE)
    there = same_place((b.position_angle for b in due.beads), bead.position_angle)
    assert there is None
    assert (due.near(bead.position_angle) is not None) is known


class Frames(SimpleNamespace):
    def __len__(self):
        return 1


def test_contact_beads_name_the_frames_that_show_them(limb):
    """Those of the same contact within a degree, with how far off, and the valley."""
    made = strip.Strip(SimpleNamespace(sigma_s=np.array([0.1])), (1, 1), np.zeros(2), 100)
    bead = limb.beads[0]
    seen = Bead(bead.position_angle + 0.4, 1.0, 1.0)
    entry = {"file": "a.dng", "utc": "2026-08-12T17:46:00.000Z", "utc_sigma_s": 0.1,
             "seconds_from_contact": -3.0, "contact": bead.contact,
             "beads": [{"position_angle": seen.position_angle}]}  # fmt: skip
    other = entry | {"file": "b.dng", "contact": "C3" if bead.contact == "C2" else "C2"}
    unread = entry | {"file": "c.dng", "beads": None}
    strip_shots = SimpleNamespace(
        sigma_s=np.array([0.1]),
        moon=np.array([[0.0, 0.0, 300.0]]),
        scale_arcsec=lambda: 2.0,
        straight=lambda discs: discs,
    )
    made = strip.Strip(strip_shots, (1, 1), np.zeros(2), 100)
    told = made.details([entry, other, unread], "zenith", limb=limb, caution="Beware.")
    first = told["beads"][0]
    assert [s["file"] for s in first["seen"]] == ["a.dng"]
    assert first["seen"][0]["off_deg"] == pytest.approx(0.4, abs=0.01)
    assert -90.0 < first["selenographic_latitude"] < 90.0
    assert told["contacts_by"] == "the real limb"
    assert told["caution"] == "Beware."
    assert told["contacts"]["C2"][:21] == limb.central[0].utc.isot[:21]


def test_the_moons_limb_is_lowest_at_the_contacts_places(limb, eclipse):
    """In the deepest valley it touches the Sun's limb at C2, and nowhere is it lower."""
    sun_km = limb.radii.solar_radius_km
    everywhere = limb.lowest_over_sun(np.arange(0.0, 360.0, 0.1), SITE, sun_km)
    assert everywhere.min() == pytest.approx(0.0, abs=0.02)
    # About the Sun's centre, 30 arcsec from the Moon's, the valleys lie up to a degree elsewhere.
    for place in limb.contacts.places:
        near = limb.lowest_over_sun(place + np.arange(-1.0, 1.0, 0.05), SITE, sun_km)
        assert near.min() < 0.02
    # The tables' smaller Sun leaves more of the Moon above it: 0.32 arcsec by the radii's ratio.
    smaller = limb.lowest_over_sun(np.array([40.0]), SITE, 696000.0)
    larger = limb.lowest_over_sun(np.array([40.0]), SITE, sun_km)
    assert smaller - larger == pytest.approx(0.32, abs=0.02)


def test_a_smooth_moons_height_is_that_of_a_circle(eclipse):
    """Where a ray from the Sun's centre leaves a circle, by the quadratic formula."""
    limb = smooth_limb(eclipse, Radii())
    angle = np.array([5.0, 90.0, 215.0])
    second, third = limb.central
    seconds = np.linspace(0.0, (third - second).to_value("s"), 400)
    sky = view(second + TimeDelta(seconds, format="sec"), SITE)
    for a, lowest in zip(angle, limb.lowest_over_sun(angle, SITE, 696000.0), strict=True):
        s, c = np.sin(np.radians(a)), np.cos(np.radians(a))
        along = sky.moon_east_arcsec * s + sky.moon_north_arcsec * c
        apart2 = sky.moon_east_arcsec**2 + sky.moon_north_arcsec**2
        out = along + np.sqrt(along**2 - apart2 + sky.moon_radius_arcsec**2)
        assert lowest == pytest.approx((out - sky.sun_radius_arcsec).min(), abs=0.1)
