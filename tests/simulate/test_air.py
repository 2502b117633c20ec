import math

import numpy as np
import pytest

from limbward.simulate.air import aureole_sigmas, blur_of


def test_blurs_add_as_variances():
    # 2.3548 arcsec of full width are a sigma of 1 arcsec, half a pixel of 2 arcsec; a disc of
    # radius 1.2 px has a variance of 0.36 on each axis.
    blur = blur_of(0.8, 2.3548, 1.2, 2.0)
    assert blur.sigma_px**2 == pytest.approx(0.64 + 0.25 + 0.36, rel=1e-4)
    assert blur_of(0.8, 0.0, 0.0, 2.0).sigma_px == 0.8


def test_a_disc_has_the_variance_that_stands_for_it():
    y, x = np.indices((401, 401)) - 200.0
    inside = np.hypot(x, y) <= 150.0
    assert (x[inside] ** 2).mean() == pytest.approx(150.0**2 / 4, rel=0.01)


def test_the_aureole_falls_with_the_square_of_the_angle():
    sigmas = aureole_sigmas(20.0, 1200.0)
    theta = np.geomspace(80.0, 400.0, 60)
    light = sum(np.exp(-0.5 * (theta / s) ** 2) / (2 * np.pi * s**2) for s in sigmas)
    slope = np.gradient(np.log(light), np.log(theta))
    assert slope == pytest.approx(-2.0, abs=0.12)
    # The same light between any two angles of one ratio: ln 2 / ln(outer / inner) of all in an
    # octave, but for half a step of the sigmas at either end.
    within = [np.mean(-np.expm1(-0.5 * (t / sigmas) ** 2)) for t in (100.0, 200.0, 400.0)]
    octave = math.log(2.0) / (len(sigmas) * math.log(sigmas[1] / sigmas[0]))
    assert np.diff(within) == pytest.approx(octave, rel=0.05)
