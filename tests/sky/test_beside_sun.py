"""Stars around the Sun against Skyfield's places and the second simulator's air."""

from __future__ import annotations

import numpy as np
import pytest

from limbward.sky.air import standard_air
from limbward.sky.apparent import stars_near
from limbward.sky.beside_sun import beside_sun
from limbward.sky.ephemeris import Site as OurSite
from tests.apart import air, stars
from tests.apart.ephemeris import ARCSEC, tangent_axes
from tests.stars.lists import GREATEST, PLACE, epoch

pytestmark = pytest.mark.filterwarnings("ignore:The Earth's rotation")
OURS = OurSite(PLACE.latitude, PLACE.longitude, PLACE.height)


def by_skyfield(seconds: float) -> dict[str, np.ndarray]:
    """Refracted offsets from the Sun, arcsec east and north of the Sun's own place."""
    seen = PLACE.look(seconds)
    some = stars.around(PLACE, seconds, (4.0, 8.2), 2.1)
    sun = air.lift(seen.local("sun")[0], PLACE.height)
    v = air.lift(some.direction @ seen.to_local[0].T, PLACE.height)
    up = np.array([0.0, 0.0, 1.0]) - sun[2] * sun
    up /= np.linalg.norm(up)
    right = np.cross(sun, up)
    along, aside = v @ up / (v @ sun) / ARCSEC, v @ right / (v @ sun) / ARCSEC
    east, north = tangent_axes(seen.equatorial("sun")[0])
    zenith = seen.to_date[0] @ seen.to_local[0].T @ np.array([0.0, 0.0, 1.0])
    q = np.arctan2(zenith @ east, zenith @ north)
    at = np.column_stack(
        [along * np.sin(q) - aside * np.cos(q), along * np.cos(q) + aside * np.sin(q)]
    )
    return {f"HIP {h}": a for h, a in zip(some.hip, at, strict=True)}


def test_places_beside_the_sun_before_at_and_after():
    sky = beside_sun(epoch(), OURS, standard_air(PLACE.height), 2.5)
    for elapsed in (-300.0, 0.0, 450.0):
        ours = sky.offset_arcsec(np.array(elapsed))
        theirs = by_skyfield(GREATEST + elapsed)
        assert len(theirs) > 12
        for name, place in theirs.items():
            shown = name
            # Bending of light, which reaches 0.6 arcsec here, proper motion and aberration in it.
            np.testing.assert_allclose(ours[sky.name.index(shown)], place, atol=0.02)


def test_stars_are_the_brightest_first_and_planets_among_them():
    sky = beside_sun(epoch(), OURS, standard_air(PLACE.height), 8.0)
    assert (np.diff(sky.magnitude) >= 0).all()
    assert (np.hypot(*sky.knots[1].T) < 8.0 * 3600.0).all()
    assert "planet" not in beside_sun(epoch(), OURS, standard_air(0.0), 0.5).kind
    few = sky.brightest(3, 2.0 * 3600.0)
    assert (np.hypot(*few.knots[1].T) < 2.0 * 3600.0).all()
    assert few.knots.shape == (3, 3, 2)


def test_the_catalogue_is_as_deep_as_it_says():
    """Within 3 degrees of the ecliptic there are 0.8 stars a square degree down to magnitude 8:
    the sky has 41 000 (C. W. Allen, Astrophysical Quantities, from memory), one a square degree.
    """
    here = stars_near(epoch(), OURS, np.array([1.0, 0.0, 0.0]), 5.0)
    faint = here.magnitude[0] < 8.0
    assert 40 < faint.sum() < 120  # in 79 square degrees, away from the Milky Way
    assert here.magnitude[0].max() > 9.0
