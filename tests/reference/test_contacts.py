"""Contact times against published elements and tables."""

import numpy as np
import pytest
from astropy.time import Time

from limbward.sky.contacts import local_circumstances_many
from limbward.sky.ephemeris import Radii, Site
from tests.reference import besselian

# Sites are places on a map near each path and beside it; latitude, longitude, metres.
SITES = {
    "2017-08-21": [
        (44.6, -123.0, 60),
        (43.8, -111.8, 1480),
        (41.1, -104.8, 1850),
        (37.7, -89.2, 120),
        (36.2, -86.7, 170),
        (33.0, -79.9, 5),
        (51.0, -114.1, 1050),
        (19.4, -99.1, 2240),
    ],
    "2024-04-08": [
        (23.2, -106.4, 10),
        (25.5, -103.4, 1130),
        (30.3, -98.4, 400),
        (39.8, -86.2, 220),
        (43.2, -79.8, 100),
        (47.6, -53.3, 30),
        (34.1, -118.2, 90),
        (4.6, -74.1, 2600),
    ],
    "2026-08-12": [
        (64.8, -23.7, 40),
        (65.6, -24.2, 5),
        (70.5, -22.0, 10),
        (43.4, -5.8, 250),
        (41.6, -4.7, 700),
        (39.6, 2.9, 120),
        (55.9, -3.2, 80),
        (45.5, -73.6, 40),
    ],
}


@pytest.mark.parametrize("date", SITES)
def test_contacts_agree_with_published_besselian_elements(date):
    """Canon NASA/TP-2006-214141; same k1, k2 and solar radius; the bar is 0.1 s."""
    radii = Radii(k_penumbra=0.272488, k_umbra=0.272281, solar_radius_km=696000.0)
    found = local_circumstances_many(date, [Site(*s) for s in SITES[date]], radii=radii)
    elements = besselian.load(date)
    midnight = Time(f"{date}T00:00:00", scale="utc")
    kinds = [circumstances.kind for circumstances in found]
    assert kinds.count("total") >= 5
    for site, circumstances in zip(SITES[date], found, strict=True):
        expected = besselian.local(elements, *site, circumstances.delta_t_s)
        assert set(expected) == set(circumstances.contacts)
        for name, contact in circumstances.contacts.items():
            ut1 = (contact.time - midnight).to_value("s") + contact.time.delta_ut1_utc
            assert ut1 == pytest.approx(expected[name], abs=0.1), (site, name)


# NASA Reference Publication 1398 (F. Espenak, J. Anderson, 1997), Table 21: C1, greatest, C4, UT.
RP1398 = {
    "Bergen": ((60 + 23 / 60, 5 + 20 / 60, 43), ("09:19:41.7", "10:29:34.5", "11:41:01.6"), 0.722),
    "Oslo": ((59 + 55 / 60, 10 + 45 / 60, 94), ("09:24:38.1", "10:35:29.3", "11:47:14.0"), 0.718),
    "Gdansk": ((54 + 23 / 60, 18 + 40 / 60, 11), ("09:29:46.7", "10:46:50.9", "12:03:27.7"), 0.818),
}


def test_partial_contacts_of_1999_agree_after_one_common_shift():
    """RP 1398 used a predicted delta T, so all its times are early by one amount."""
    radii = Radii(k_penumbra=0.2725076, k_umbra=0.272281)
    found = local_circumstances_many(
        "1999-08-11", [Site(*row[0]) for row in RP1398.values()], radii=radii
    )
    differences = []
    for (_, times, magnitude), circumstances in zip(RP1398.values(), found, strict=True):
        assert circumstances.magnitude == pytest.approx(magnitude, abs=0.001)
        for text, name in zip(times, ("C1", "greatest", "C4"), strict=True):
            published = Time(f"1999-08-11T{text}", scale="utc")
            differences.append((circumstances.contacts[name].time - published).to_value("s"))
    residual = np.array(differences) - np.median(differences)
    assert np.abs(residual).max() < 0.2
