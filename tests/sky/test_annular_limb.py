"""C2, C3 and the beads of an annular eclipse: of the ring that mountains keep open."""

import json

import numpy as np
import pytest
from astropy.time import Time, TimeDelta
from hypothesis import given, settings
from hypothesis import strategies as st

from limbward.cli.app import main
from limbward.errors import LimbwardError
from limbward.sky.best_limb import contacts_told
from limbward.sky.contacts import local_circumstances
from limbward.sky.ephemeris import Radii, Site, view
from limbward.sky.limb_profile import LimbProfile, profile_contacts
from limbward.sky.real_limb import MEASURED_SUN_KM, real_limb

# On the central line of 2023 October 14, within some kilometres.
SITE = Site(37.5, -111.0, 1500.0)
ANGLES = np.arange(0.0, 360.0, 0.5)


@pytest.fixture(scope="module")
def ring():
    return local_circumstances("2023-10-14", SITE)


@pytest.fixture(scope="module")
def real(ring):
    return real_limb(ring, SITE)


def seconds(a: Time, b: Time) -> float:
    return float((a - b).to_value("s"))


def lit(found, time: Time) -> np.ndarray:
    """Return how far the Sun's disc reaches over the ground, arcsec, all around.

    In the plane of the sky: how deep each place of the Moon's limb lies inside the Sun's disc.
    """
    radii = Radii(solar_radius_km=MEASURED_SUN_KM)
    sky = view(time, SITE, radii=radii)
    theta = np.radians(found.limb.position_angle)
    rim = sky.moon_radius_arcsec + found.limb.profile(radii).height_arcsec
    east = sky.moon_east_arcsec + rim * np.sin(theta)
    north = sky.moon_north_arcsec + rim * np.cos(theta)
    return sky.sun_radius_arcsec - np.hypot(east, north)


def test_the_ring_is_whole_between_the_contacts_and_one_mountain_cuts_it_outside(real):
    contacts = real.contacts
    for time, place, outwards in (
        (contacts.second, contacts.places[0], -1.0),
        (contacts.third, contacts.places[1], 1.0),
    ):
        inside = lit(real, time)
        assert inside.min() == pytest.approx(0.0, abs=0.003)
        touching = real.limb.position_angle[np.argmin(inside)]
        assert (touching - place + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=0.11)
        assert lit(real, time + TimeDelta(outwards * 0.3, format="sec")).min() < 0
        assert lit(real, time - TimeDelta(outwards * 0.3, format="sec")).min() > 0


def test_mountains_make_the_ring_late_and_break_it_early(ring, real):
    """By a Moon as smooth as the real one's mean, and by the same Sun, it lasts for longer."""
    radii = Radii(solar_radius_km=real.solar_radius_km)
    mean = real.limb.profile(radii).height_arcsec.mean()
    smooth = profile_contacts(ring, SITE, LimbProfile(ANGLES, np.full(ANGLES.size, mean)),
                              radii=radii)  # fmt: skip
    assert 0.5 < seconds(real.contacts.second, smooth.second) < 10.0
    assert 0.5 < seconds(smooth.third, real.contacts.third) < 10.0


@settings(max_examples=10, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    where=st.floats(-12.0, 12.0),
    height=st.floats(0.01, 3.0),
    kind=st.sampled_from(["annular", "total"]),
)
def test_a_mountain_never_makes_a_ring_earlier_nor_totality_later(ring, seed, where, height, kind):
    """Whatever the limb, and wherever near the point of contact the mountain is put on it."""
    site, found = (SITE, ring) if kind == "annular" else TOTAL
    ground = np.random.default_rng(seed).normal(0.0, 0.7, ANGLES.size)
    at = found.contacts["C2"].position_angle + where
    apart = (ANGLES - at + 180.0) % 360.0 - 180.0
    mountain = ground + height * np.exp(-0.5 * (apart / 0.8) ** 2)
    bare, raised = (
        profile_contacts(found, site, LimbProfile(ANGLES, h)) for h in (ground, mountain)
    )
    later = seconds(raised.second, bare.second)
    assert later >= -1e-6 if kind == "annular" else later <= 1e-6
    sooner = seconds(raised.third, bare.third)
    assert sooner <= 1e-6 if kind == "annular" else sooner >= -1e-6


TOTAL = (Site(65.0, -23.4), local_circumstances("2026-08-12", Site(65.0, -23.4)))


def test_a_mountain_at_the_point_of_contact_delays_the_ring_by_its_height(ring):
    """A peak of 2 arcsec on a smooth Moon: the limbs part there at their own speed."""
    bare = profile_contacts(ring, SITE, LimbProfile(ANGLES, np.zeros(ANGLES.size)))
    assert seconds(bare.second, ring.contacts["C2"].time) == pytest.approx(0.0, abs=0.02)
    assert seconds(bare.third, ring.contacts["C3"].time) == pytest.approx(0.0, abs=0.02)
    assert not bare.beads
    apart = (ANGLES - bare.places[0] + 180.0) % 360.0 - 180.0
    peak = profile_contacts(
        ring, SITE, LimbProfile(ANGLES, 2.0 * np.exp(-0.5 * (apart / 0.7) ** 2))
    )
    second = ring.contacts["C2"].time
    sky = view(second + TimeDelta([-1.0, 1.0], format="sec"), SITE)
    inside = sky.sun_radius_arcsec - sky.moon_radius_arcsec - sky.separation_arcsec
    speed = (inside[1] - inside[0]) / 2.0
    assert seconds(peak.second, second) == pytest.approx(2.0 / speed, rel=0.02)


def test_beads_of_the_ring_stand_alone_between_the_times_that_are_told(real):
    """Before C2 they appear and join, after C3 they part and go out."""
    beads = real.contacts.beads
    assert {b.contact for b in beads} == {"C2", "C3"}
    for bead in beads:
        assert bead.appears is (bead.contact == "C2")
        start, end = bead.alone
        assert seconds(end, start) > 0.99
        k = round(10 * bead.position_angle)
        for time, step, shines in (
            (start, -0.1, bead.contact == "C3"),
            (start, 0.1, True),
            (end, -0.1, True),
            (end, 0.1, bead.contact == "C2"),
        ):
            inside = lit(real, time + TimeDelta(step, format="sec"))
            assert (inside[k % 3600] > 0) is np.bool_(shines)
        dark = lit(real, start + 0.5 * (end - start)) <= 0
        around = np.roll(dark, -k)
        assert around[:200].any()  # a mountain on either side
        assert around[-200:].any()


def test_the_command_names_ring_and_beads_and_no_vanishing_light(ring, capsys):
    with pytest.raises(SystemExit):
        main(["contacts", "--lat", "37.5", "--lon", "-111", "--height", "1500",
              "--date", "2023-10-14"])  # fmt: skip
    out = capsys.readouterr().out
    assert "C2: the ring is whole" in out
    assert "C3: the ring breaks" in out
    assert "photosphere" not in out
    assert out.index("a bead appears") < out.index("C2: the ring") < out.index("C3: the ring")
    assert out.index("C3: the ring") < out.index("a bead goes out")
    assert "At this site the Sun is never totally covered" in " ".join(out.split())
    told = contacts_told(ring, SITE)
    assert told["contacts"] == ring.to_json_dict()["contacts"]
    for bead in json.loads(json.dumps(told))["real_limb"]["beads"]:
        assert bead["utc"] == bead["start" if bead["contact"] == "C2" else "end"]


def test_a_ring_that_mountains_cut_throughout_has_no_contacts(capsys):
    """1984 May 30, central: the Moon 0.13 % smaller than the Sun, which is 1.2 arcsec all around;
    mountains stand 2 arcsec high.
    """
    site = Site(36.434, -79.198)
    found = local_circumstances("1984-05-30", site)
    assert (found.kind, found.moon_sun_ratio) == ("annular", pytest.approx(0.9987, abs=1e-4))
    real = real_limb(found, site)
    assert real.contacts is None
    told = contacts_told(found, site)
    assert told["real_limb"]["duration_s"] == 0.0
    with pytest.raises(LimbwardError, match="the ring is never whole"):
        profile_contacts(found, site, real.limb.profile())
    with pytest.raises(SystemExit):
        main(["contacts", "--lat", str(site.latitude), "--lon", str(site.longitude),
              "--date", "1984-05-30"])  # fmt: skip
    assert "no C2, no C3: the ring is never whole" in capsys.readouterr().out
