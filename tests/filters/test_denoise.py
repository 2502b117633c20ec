"""Noise reduction by SIGMA, on one noisy frame of the simulated corona, whose truth is known."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from limbward import filters
from limbward.filters import denoise, nrgf
from limbward.geometry.disc import Geometry
from limbward.geometry.law import mean_corona
from limbward.simulate.corona import corona

SHAPE, SUN, RADIUS = (420, 560), (279.5, 209.5), 60.0
# Mean solar discs: noise of 1.5 % of the light at 1.4 radii, 7 % at 2, 23 % at 2.8.
READ, PHOTON = 1.0e-9, 5.0e-6


@pytest.fixture(scope="module")
def sky():
    y, x = np.indices(SHAPE, dtype=float)
    dx, dy = (x - SUN[0]) / RADIUS, (y - SUN[1]) / RADIUS
    rho, angle = np.hypot(dx, dy), np.arctan2(-dx, -dy)
    return rho, angle, Geometry(*SUN, RADIUS, SUN[0] + 1.0, SUN[1] - 1.0, 1.035 * RADIUS)


def expose(light, rho, told=1.0):
    """Return one frame of a plane, and its noise as the merge states it, ``told`` times as much."""
    white = np.random.default_rng(4).standard_normal(light.shape)
    shared = gaussian_filter(white, 0.8)  # neighbouring pixels share samples
    sigma = np.sqrt(READ**2 + PHOTON**2 * light)
    image = (light + sigma * shared / shared.std()).astype(np.float32)
    image[rho < 1.02] = np.nan
    return image[None], (told * sigma).astype(np.float32)[None]


@pytest.fixture(scope="module")
def frame(sky):
    rho, angle, geometry = sky
    light = mean_corona(np.maximum(rho, 1.0)) * corona(3).structure_at(rho, angle)
    image, sigma = expose(light, rho)
    return light, image, sigma, denoise.apply(image, sigma, geometry, denoise.Params())


def test_pure_noise_falls_to_less_than_a_third(sky):
    """A quarter is what the default leaves; a third also where SIGMA is a fifth too small."""
    rho, _, geometry = sky
    light = mean_corona(np.maximum(rho, 1.0))
    zone = geometry.visible(*SHAPE) & (rho > 1.2) & (rho < 3.2)
    for told in (1.0, 0.8):
        image, sigma = expose(light, rho, told)
        out = denoise.apply(image, sigma, geometry, denoise.Params())
        error = np.abs((out[0] - light) / PHOTON)[zone].mean()
        assert np.abs((image[0] - light) / PHOTON)[zone].mean() / error > 3.0


def test_streamers_keep_their_contrast_and_come_nearer_to_the_truth(sky, frame):
    """Within 4 % of it up to a noise of 7 % of the light, within 10 % at a noise of a quarter."""
    rho, _, geometry = sky
    light, image, _, out = frame
    seen, mean = geometry.visible(*SHAPE), mean_corona(np.maximum(rho, 1.0))
    for inner, outer, lost in ((1.2, 1.6, 0.04), (1.6, 2.4, 0.04), (2.4, 3.2, 0.10)):
        zone = seen & (rho > inner) & (rho < outer)
        true = (light / mean)[zone] - (light / mean)[zone].mean()
        kept = np.sum((out[0] / mean)[zone] * true) / np.sum(true**2)
        # The noise itself shifts the slope: by what the frame as it was has it.
        was = np.sum((image[0] / mean)[zone] * true) / np.sum(true**2)
        assert abs(kept / was - 1.0) < lost, (inner, kept, was)
    # Beyond 2.4 radii the frame is nearer to the truth, by half of its error at least.
    assert (out[0] - light)[zone].std() < 0.5 * (image[0] - light)[zone].std()


def test_the_bright_inner_corona_is_left_as_it_is(sky, frame):
    rho, _, _ = sky
    _, image, sigma, out = frame
    ring = (rho > 1.06) & (rho < 1.12)
    assert np.abs((out - image) / sigma)[0][ring].mean() < 0.8


def test_no_structure_is_made_of_noise(sky):
    """A filter that brings all to one contrast finds no more rays than by chance.

    Removing all of the noise leaves blots that it would amplify tenfold, as the last lines show.
    """
    rho, angle, geometry = sky
    image, sigma = expose(mean_corona(np.maximum(rho, 1.0)), rho)
    zone = geometry.visible(*SHAPE) & (rho > 1.2) & (rho < 3.2)
    ray = (np.degrees(angle) % 360 / 5).astype(int) + 72 * ((rho - 1.2) / 0.5).astype(int)
    count = np.bincount(ray[zone])
    full = count > 30

    def rays(plane):
        flat = nrgf.apply(plane, None, geometry, nrgf.Params())[0]
        return (np.bincount(ray[zone], flat[zone])[full] / count[full]).std()

    usual = rays(image)
    assert rays(denoise.apply(image, sigma, geometry, denoise.Params())) < 1.3 * usual
    everything = denoise.Params(strength=1.0)
    assert rays(denoise.apply(image, sigma, geometry, everything)) > 3.0 * usual


def test_strength_is_a_share(sky, frame):
    _, _, geometry = sky
    _, image, sigma, out = frame
    half = denoise.apply(image, sigma, geometry, denoise.Params(strength=0.375))
    np.testing.assert_allclose(half, (image + out) / 2, rtol=1e-4)


def test_what_is_done_says_where_the_noise_is_from(sky, frame):
    _, _, geometry = sky
    _, image, sigma, _ = frame
    steps = [("denoise", {}), ("nrgf", {})]
    _, (first, second) = filters.apply_steps(image, sigma, geometry, steps)
    assert "denoise" in first
    assert "SIGMA of the picture" in first
    assert "SIGMA" not in second
    _, (guessed, _) = filters.apply_steps(image, None, geometry, steps)
    assert "no SIGMA" in guessed
