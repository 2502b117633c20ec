"""The filtered Sun as a picture: in proportion to its light, its centre neutral."""

import numpy as np
import pytest

from limbward.render.space import SRGB
from limbward.render.sun_disc import luminance_of, sun_disc

CAMERA = np.array([0.5, 1.0, 0.7], np.float32)


def disc(side=201, radius=80.0):
    y, x = np.indices((side, side)) - side // 2
    rho = np.hypot(x, y) / radius
    light = np.where(rho < 1, 0.3 + 0.7 * np.sqrt(np.clip(1 - rho**2, 0, 1)), 0.0)
    return (5000.0 * light * CAMERA[:, None, None]).astype(np.float32), light


def test_the_picture_keeps_limb_darkening_and_its_centre_is_neutral():
    radiance, light = disc()
    picture, brightest = sun_disc(
        radiance, 1 / CAMERA, np.eye(3, dtype=np.float32), lightness=0.95, space="srgb"
    )
    linear = SRGB.decode(picture)
    lit = light > 0
    for plane in linear:
        np.testing.assert_allclose(plane[lit] / plane[100, 100], light[lit], atol=0.003)
    assert brightest == pytest.approx(5000.0, rel=0.01)
    # CIE 15: a lightness of 95 is a luminance of 0.876.
    assert linear[1].max() == pytest.approx(0.876, rel=0.01)
    assert np.ptp(picture[:, 100, 100]) < 1e-5


def test_another_balance_keeps_the_tint_and_holes_are_black():
    radiance, _ = disc()
    radiance[:, :5] = np.nan
    picture, _ = sun_disc(radiance, np.ones(3), np.eye(3, dtype=np.float32), lightness=0.9,
                          space="srgb")  # fmt: skip
    linear = SRGB.decode(picture)[:, 100, 100]
    np.testing.assert_allclose(linear / linear[1], CAMERA, rtol=0.01)
    assert (picture[:, :5] == 0).all()


def test_a_dark_picture_is_an_error():
    with pytest.raises(ValueError, match="nothing in it is lit"):
        sun_disc(np.zeros((3, 8, 8), np.float32), np.ones(3), np.eye(3), lightness=0.9,
                 space="srgb")  # fmt: skip


def test_lightness_and_luminance():
    assert luminance_of(0.5) == pytest.approx(0.18419, abs=1e-4)  # CIE 15: mid grey
    assert luminance_of(0.0) == 0.0
