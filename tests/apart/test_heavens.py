"""The second simulator's geometry and light against published values."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from . import air, corona
from .corona import Corona
from .ephemeris import ARCSEC, AU_KM, Site, shadow_axis, solar_north
from .pose import Camera, Mount, view

PLACE = Site(43.2, -4.1, 300.0, "2026-08-12")


# F. Espenak and J. Anderson, NASA RP 1398 (1997), Table 21: C1, greatest, C4, magnitude. Delta T
# was predicted there, so all times are off by one common amount.
RP1398 = (
    (60 + 23 / 60, 5 + 20 / 60, 43, "09:19:41.7", "10:29:34.5", "11:41:01.6", 0.722),
    (59 + 55 / 60, 10 + 45 / 60, 94, "09:24:38.1", "10:35:29.3", "11:47:14.0", 0.718),
    (54 + 23 / 60, 18 + 40 / 60, 11, "09:29:46.7", "10:46:50.9", "12:03:27.7", 0.818),
)


def _seconds(text: str) -> float:
    hours, minutes, seconds = text.split(":")
    return 3600 * int(hours) + 60 * int(minutes) + float(seconds)


def test_contacts_of_1999_august_11() -> None:
    off = []
    for latitude, longitude, height, *when, magnitude in RP1398:
        site = Site(latitude, longitude, height, "1999-08-11")
        found = site.contacts()
        # Times are printed to 0.1 s, the greatest by a shallow minimum.
        off += [found[k] - _seconds(t) for k, t in zip(("C1", "C4"), when[::2], strict=True)]
        assert found["greatest"] - _seconds(when[1]) == pytest.approx(off[-1], abs=0.7)
        apart, sun, moon = (float(v[0]) for v in site.gap(found["greatest"]))
        assert (sun + moon - apart) / (2 * sun) == pytest.approx(magnitude, abs=0.001)
    assert np.ptp(off) < 0.3
    assert 0 < np.mean(off) < 1.5


# F. Espenak and J. Meeus, NASA/TP-2006-214141, 2026 August 12 and 2024 April 8: t0 (TDT hours) and
# the polynomials of x, y, d (degrees), l1, l2, mu (degrees), then tan f1 and tan f2.
ELEMENTS = {
    "2026-08-12": (
        18,
        (0.4755140, 0.5189249, -0.0000773, -0.0000080),
        (0.7711830, -0.2301680, -0.0001246, 0.0000038),
        (14.7966700, -0.0120650, -0.0000030),
        (0.5379550, 0.0000939, -0.0000121),
        (-0.0081420, 0.0000935, -0.0000121),
        (88.747787, 15.003090),
        0.0046141,
        0.0045911,
    ),
    "2024-04-08": (
        18,
        (-0.3182440, 0.5117116, 0.0000326, -0.0000084),
        (0.2197640, 0.2709589, -0.0000595, -0.0000047),
        (7.5862002, 0.0148440, -0.0000020),
        (0.5358140, 0.0000618, -0.0000128),
        (-0.0102720, 0.0000615, -0.0000127),
        (89.591217, 15.004080),
        0.0046683,
        0.0046450,
    ),
}


def besselian(site: Site, seconds: float, delta_t: float, umbra: bool) -> float:
    """Distance from the shadow's edge, Earth radii, negative inside (Meeus 1989)."""
    t0, *tables, tan1, tan2 = ELEMENTS[site.date]
    t = (seconds + delta_t) / 3600 - t0
    x, y, d, l1, l2, mu = (np.polynomial.polynomial.polyval(t, p) for p in tables)
    d, phi = np.radians(d), np.radians(site.latitude)
    hour = np.radians(mu + site.longitude - 1.002738 * 15 * delta_t / 3600)
    u = np.arctan(0.99664719 * np.tan(phi))
    sin = 0.99664719 * np.sin(u) + site.height / 6378137 * np.sin(phi)
    cos = np.cos(u) + site.height / 6378137 * np.cos(phi)
    xi = cos * np.sin(hour)
    eta = sin * np.cos(d) - cos * np.cos(hour) * np.sin(d)
    zeta = sin * np.sin(d) + cos * np.cos(hour) * np.cos(d)
    edge = abs(l2 - zeta * tan2) if umbra else l1 - zeta * tan1
    return float(np.hypot(x - xi, y - eta) - edge)


@pytest.mark.parametrize(
    ("date", "latitude", "longitude"),
    [("2026-08-12", 65.0, -23.4), ("2026-08-12", 42.9, -5.1), ("2024-04-08", 32.8, -96.8)],
)
def test_contacts_by_published_elements(date, latitude, longitude) -> None:
    for umbra, k, names in ((False, 0.272488, ("C1", "C4")), (True, 0.272281, ("C2", "C3"))):
        site = Site(latitude, longitude, 100.0, date, moon_k=k)
        # UT1 is what both share: TT - UT1 = 32.184 s + TAI - UTC - (UT1 - UTC).
        delta_t = 69.184 - site.dut1
        found = site.contacts()
        for name in names:
            t = found[name] + site.dut1  # UT1
            gap = besselian(site, t, delta_t, umbra)
            slope = (besselian(site, t + 1, delta_t, umbra) - gap) / 1.0
            assert abs(gap / slope) < 0.1, (name, gap / slope)


def test_the_shadow_meets_the_ground_where_the_sun_is_covered() -> None:
    latitude, longitude = shadow_axis("2026-08-12", 65000.0)
    apart, sun, moon = Site(latitude, longitude, 0.0, "2026-08-12").gap(65000.0)
    assert apart[0] < 1.0
    assert moon[0] > sun[0]


def test_solar_north_of_the_almanac() -> None:
    # P by the almanacs: 0 on about 5 January and 7 July, when it grows by 0.45 degrees a day, and
    # 26.3 degrees west and east at its extremes about 6 April and 10 October.
    for date, angle, within in (
        ("2024-01-05", 0.0, 0.7),
        ("2024-04-06", -26.3, 0.1),
        ("2024-07-07", 0.0, 0.7),
        ("2024-10-10", 26.3, 0.1),
    ):
        assert solar_north(Site(0, 0, 0, date).look(43200.0)) == pytest.approx(angle, abs=within)


def test_radius_of_the_sun_at_one_au() -> None:
    site = replace(PLACE, sun_km=np.sin(959.95 * ARCSEC) * AU_KM)
    seen = site.look(43200.0)
    assert site.radii(seen)[0][0] * seen.sun_km[0] / AU_KM == pytest.approx(959.95, abs=0.01)


def test_air() -> None:
    assert air.pressure_hpa(0) == 1013.25
    assert air.pressure_hpa(3000) == pytest.approx(701.1, abs=0.2)  # ISO 2533
    # 5.4' at 10 degrees, 28.7' for a true altitude of 0 under 1010 hPa, 10 C.
    assert air.refraction_deg(10.0, 0) * 60 == pytest.approx(5.3, abs=0.15)
    v = np.array([[0.3, 0.4, np.tan(np.radians(8.0)) * 0.5]])
    v /= np.linalg.norm(v)
    assert np.allclose(air.unlift(air.lift(v, 900.0), 900.0), v, atol=1e-9)
    assert air.air_mass(90) == pytest.approx(1, abs=1e-3)
    assert air.air_mass(10) == pytest.approx(5.58, abs=0.03)  # Kasten and Young's table


def test_baumbach_and_the_law_of_the_disc() -> None:
    assert corona.baumbach(1.0) == pytest.approx(4.0432e-6)
    assert corona.baumbach(2.0) == pytest.approx(2.0557e-8, rel=1e-3)
    assert sum(corona.NECKEL) == pytest.approx(1, abs=1e-4)
    edge = [float(corona.darkening(0.2, c)) for c in range(3)]
    assert edge[0] > edge[1] > edge[2]  # blue darkens most
    light = Corona(3)
    ring = np.linspace(0, 2 * np.pi, 720)
    for rho in (1.1, 1.5, 2.0, 3.0):
        mean = float(light.radiance(np.full(720, rho), ring).mean())
        assert 0.4 < mean / corona.baumbach(rho) < 3


@pytest.mark.parametrize("kind", ["equatorial", "altaz", "fixed"])
@pytest.mark.parametrize("mirrored", [False, True])
def test_geometry_agrees_both_ways(kind, mirrored) -> None:
    camera = Camera(600, 400, 0.06, 800.0, mirrored, 1e-3, (9.0, -5.0))
    mount = Mount(PLACE, kind, 66000.0, roll=0.7, off=(1e-3, -5e-4), level=(0.02, -0.01))
    now = view(camera, mount, 66010.0)
    # The Moon, projected directly, lies where the polynomial says that its offset is.
    east, north = now.scene(np.array([now.moon[0]]), np.array([now.moon[1]]))
    assert np.hypot(east[0, 0] - now.moon_offset[0], north[0, 0] - now.moon_offset[1]) < 0.02
    assert now.mirrored == mirrored
    # A step up in the picture leads towards the position angle of up.
    step = -now.jacobian[:, 1]
    towards = np.degrees(np.arctan2(*step)) % 360
    # A Sun flattened by a part f turns a slanting direction by f / 2 at most; distortion adds less
    # than 0.03 degrees here.
    f = (air.refraction_deg(10.0, 300.0) - air.refraction_deg(10.7, 300.0)) / 0.7
    assert abs((towards - now.up_angle + 180) % 360 - 180) < np.degrees(f / 2) + 0.03
    if kind == "equatorial":
        assert now.up_angle == pytest.approx(np.degrees(0.7), abs=1.0)


def test_an_alt_azimuth_mount_holds_the_zenith_up() -> None:
    mount = Mount(PLACE, "altaz", 66000.0)
    camera = Camera(600, 400, 0.06, 800.0)
    now = view(camera, mount, 66000.0)
    up = mount.frame(66000.0)[1]
    assert up[2] > 0
    assert abs(mount.frame(66000.0)[0][2]) < 1
    # The parallactic angle by the spherical triangle.
    seen = PLACE.look(66000.0)
    e, n, z = seen.local("sun")[0]
    azimuth, altitude = np.arctan2(e, n), np.arcsin(z)
    phi = np.radians(PLACE.latitude)
    sin_q = np.sin(azimuth) * np.cos(phi)
    cos_q = np.sin(phi) * np.cos(altitude) - np.cos(phi) * np.cos(azimuth) * z
    q = np.degrees(np.arctan2(sin_q, cos_q))
    assert abs((now.up_angle + q + 180) % 360 - 180) < 0.15
