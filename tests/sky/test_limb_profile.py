"""Contacts and beads by a limb profile."""

import numpy as np
import pytest
from astropy.time import TimeDelta

from limbward.errors import LimbwardError
from limbward.sky.contacts import local_circumstances
from limbward.sky.ephemeris import Site, view
from limbward.sky.limb_profile import LimbProfile, profile_contacts, read_profile

SITE = Site(65.0, -23.4, 40.0)
ANGLES = np.arange(0.0, 360.0, 0.5)


@pytest.fixture(scope="module")
def eclipse():
    return local_circumstances("2026-08-12", SITE)


def seconds(a, b):
    return (a - b).to_value("s")


def test_a_smooth_limb_gives_the_smooth_contacts(eclipse):
    found = profile_contacts(eclipse, SITE, LimbProfile(ANGLES, np.zeros(ANGLES.size)))
    assert seconds(found.second, eclipse.contacts["C2"].time) == pytest.approx(0, abs=0.02)
    assert seconds(found.third, eclipse.contacts["C3"].time) == pytest.approx(0, abs=0.02)
    # One last bead and one first one, where the limbs touch.
    places = {bead.contact: bead.position_angle for bead in found.beads}
    for name in ("C2", "C3"):
        assert places[name] == pytest.approx(eclipse.contacts[name].position_angle, abs=0.3)


def test_a_higher_moon_is_a_larger_moon(eclipse):
    """Raising the whole limb by 1 arcsec shifts C2 by 1 arcsec over the speed of closing."""
    found = profile_contacts(eclipse, SITE, LimbProfile(ANGLES, np.ones(ANGLES.size)))
    second = eclipse.contacts["C2"].time

    sky = view(second + TimeDelta([-1.0, 1.0], format="sec"), SITE)
    margin = sky.separation_arcsec - (sky.moon_radius_arcsec - sky.sun_radius_arcsec)
    speed = -(margin[1] - margin[0]) / 2
    assert seconds(second, found.second) == pytest.approx(1 / speed, rel=0.02)


def test_a_valley_at_the_point_of_contact_delays_c2_and_is_the_last_bead(eclipse):
    where = eclipse.contacts["C2"].position_angle + 6.0
    distance = (ANGLES - where + 180) % 360 - 180
    valley = -2.0 * np.exp(-0.5 * (distance / 0.7) ** 2)
    found = profile_contacts(eclipse, SITE, LimbProfile(ANGLES, valley))
    assert seconds(found.second, eclipse.contacts["C2"].time) > 1.0
    at_c2 = [bead for bead in found.beads if bead.contact == "C2"]
    assert at_c2[-1].position_angle == pytest.approx(where % 360, abs=0.5)
    assert seconds(at_c2[-1].time, found.second) == pytest.approx(0, abs=0.06)


def test_a_file_is_read_with_comments_and_headings(tmp_path):
    path = tmp_path / "limb.csv"
    lines = ["# heights about the mean limb", "pa,height", *(f"{a},{a / 360}" for a in ANGLES)]
    path.write_text("\n".join(lines))
    assert read_profile(path).height(np.array([90.0, 450.0])) == pytest.approx([0.25, 0.25])


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("1,2\nx,y\n", "position angle in degrees"),
        ("0,1\n90,1\n", "at least 12"),
        ("\n".join(f"{a},1738" for a in range(0, 360, 10)), "more than the Moon has"),
    ],
)
def test_other_files_are_explained(tmp_path, text, message):
    path = tmp_path / "limb.csv"
    path.write_text(text)
    with pytest.raises(LimbwardError, match=message):
        read_profile(path)
    with pytest.raises(LimbwardError, match="cannot be read"):
        read_profile(tmp_path / "none.csv")


def test_only_total_eclipses_have_them():
    partial = local_circumstances("2026-08-12", Site(51.0, 0.0))
    flat = LimbProfile(ANGLES, np.zeros(ANGLES.size))
    with pytest.raises(LimbwardError, match="total"):
        profile_contacts(partial, Site(51.0, 0.0), flat)
