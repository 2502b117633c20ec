import numpy as np
import pytest
from astropy.time import Time, TimeDelta

from limbward.simulate.mount import Mount, pointing
from limbward.sky.ephemeris import Site, view

SITE = Site(65.0, -23.4, 40.0)
GREATEST = Time(["2026-08-12T17:46:50"])
SHAPE, SCALE = (1000, 1500), 6.0


def aim(mount, seconds, seed=1):
    seconds = np.asarray(seconds, float)
    times = GREATEST[0] + TimeDelta(seconds, format="sec")
    sky, later = view(times, SITE), view(times + TimeDelta(1.0, format="sec"), SITE)
    return sky, pointing(
        mount,
        sky,
        later,
        seconds,
        view(GREATEST, SITE),
        shape=SHAPE,
        scale_arcsec=SCALE,
        rng=np.random.default_rng(seed),
    )


def test_steady_equatorial_mount_holds_the_sun():
    _, p = aim(Mount(up_position_angle=20.0, centre_offset=(0.1, -0.05)), [-3600, 0, 3600])
    assert p.sun_x == pytest.approx(749.5 + 150.0)
    assert p.sun_y == pytest.approx(499.5 - 50.0)
    assert p.up_position_angle == pytest.approx(20.0)
    assert p.trail_x_per_s == pytest.approx(0.0)


def test_drift_goes_east_at_its_rate():
    _, p = aim(Mount(drift_arcsec_per_min=(3.0, 0.0)), [0, 600])
    # 30 arcsec east, which is left with north up: 5 pixels of 6 arcsec.
    assert np.diff(p.sun_x) == pytest.approx(-5.0)
    assert np.diff(p.sun_y) == pytest.approx(0.0, abs=1e-9)
    _, mirrored = aim(Mount(drift_arcsec_per_min=(3.0, 0.0), mirrored=True), [0, 600])
    assert np.diff(mirrored.sun_x) == pytest.approx(5.0)


def test_jitter_has_its_spread_and_jumps_stay():
    mount = Mount(jitter_arcsec=12.0, jumps=((0.0, 0.0, 600.0),))
    _, p = aim(mount, np.linspace(-500, 499, 1000))
    before, after = p.sun_y[:500], p.sun_y[501:]
    assert np.std(p.sun_x) == pytest.approx(2.0, rel=0.1)
    assert np.mean(after) - np.mean(before) == pytest.approx(-100.0, abs=0.5)


def test_altazimuth_field_turns_with_the_parallactic_angle():
    sky, p = aim(Mount(kind="altazimuth", up_position_angle=5.0), [-3600, 0, 3600])
    turned = p.up_position_angle - p.up_position_angle[1]
    assert turned == pytest.approx(sky.parallactic_angle - sky.parallactic_angle[1], abs=1e-6)
    assert abs(turned[2]) > 1.0
    assert p.up_position_angle[1] == pytest.approx(5.0)


@pytest.mark.parametrize("up", [0.0, 24.3, -110.0])
def test_sun_crosses_a_fixed_camera_to_the_west_at_its_diurnal_rate(up):
    mount = Mount(kind="fixed", up_position_angle=up, reframe_s=100.0)
    sky, p = aim(mount, [0.0, 20.0, 99.0, 100.0])
    dx, dy = np.diff(p.sun_x)[0], np.diff(p.sun_y)[0]
    # 15 arcsec a second times cos(declination), less refraction's change by some 0.1 %.
    rate = np.hypot(dx, dy) * SCALE / 20.0
    assert rate == pytest.approx(15.0 * np.cos(np.radians(sky.sun_dec[0])), rel=0.004)
    # West is at position angle 270; in the image, angle a from up is a turn of a to the left.
    turn = np.degrees(np.arctan2(-dx, -dy)) % 360.0
    assert turn == pytest.approx((270.0 - p.up_position_angle[0]) % 360.0, abs=0.5)
    assert (p.trail_x_per_s[0], p.trail_y_per_s[0]) == pytest.approx((dx / 20, dy / 20), abs=0.01)
    assert p.sun_x[3] == pytest.approx(749.5)  # put back to the centre
