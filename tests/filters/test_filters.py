"""The registry, and the normalizing-radial-graded filter's defining property."""

import numpy as np
import pytest
from pydantic import ValidationError

from limbward import filters
from limbward.errors import ConfigError
from limbward.filters import fnrgf, nrgf
from limbward.filters.annulus import MIN_PIXELS
from limbward.geometry.disc import Geometry


def corona(height=500, width=620, seed=1):
    rng = np.random.default_rng(seed)
    geometry = Geometry(301.3, 244.8, 70.0, 298.0, 246.0, 73.0)
    y, x = np.indices((height, width))
    rho = np.hypot(x - geometry.sun_x, y - geometry.sun_y) / geometry.sun_radius_px
    angle = np.arctan2(y - geometry.sun_y, x - geometry.sun_x)
    # Baumbach's law (Allen's Astrophysical Quantities) with streamers that grow outwards.
    r = np.maximum(rho, 1.0)
    law = 1e-6 * (0.0532 * r**-2.5 + 1.425 * r**-7 + 2.565 * r**-17)
    image = law * (1 + 0.2 * r * np.cos(3 * angle) + 0.05 * rng.standard_normal(rho.shape))
    image = np.stack([image, 2 * image, 1.5 * image]).astype(np.float32)
    image[:, np.hypot(x - 298.0, y - 246.0) < 71.0] = np.nan
    return image, geometry


def annuli(plane, geometry):
    distance = geometry.distance(*plane.shape)
    seen = geometry.visible(*plane.shape) & np.isfinite(plane)
    ring = distance.astype(int)
    for k in range(ring[seen].min(), ring[seen].max() + 1):
        inside = seen & (ring == k)
        if inside.sum() >= MIN_PIXELS:
            yield k, plane[inside].astype(float)


@pytest.mark.parametrize("channels", ["luminance", "each"])
def test_every_annulus_has_mean_0_and_deviation_1(channels):
    """Morgan, Habbal and Woo (2006), their definition: (I - <I>) / sigma at each height."""
    image, geometry = corona()
    out = nrgf.apply(image, None, geometry, nrgf.Params(channels=channels, coverage=0.0))
    assert out.shape == image.shape
    assert out.dtype == np.float32
    n = 0
    for k, values in annuli(out[1], geometry):
        assert abs(values.mean()) < 1e-3, k
        assert abs(values.std() - 1.0) < 1e-3, k
        n += 1
    assert n > 250


def test_annuli_seen_whole_are_normalised_by_themselves():
    """With the default coverage, the definition holds in every annulus of which 98 % is seen."""
    image, geometry = corona()
    out = nrgf.apply(image, None, geometry, nrgf.Params())
    n = 0
    for k, values in annuli(out[1], geometry):
        if values.size >= 0.98 * np.pi * (2 * k + 1):
            assert abs(values.mean()) < 1e-3, k
            assert abs(values.std() - 1.0) < 1e-3, k
            n += 1
    assert n > 150


def test_structure_goes_on_where_an_annulus_leaves_the_frame():
    """In the corners the same angular pattern is worth the same as where it was seen whole."""
    geometry = Geometry(300.0, 200.0, 60.0)
    y, x = np.indices((401, 601))
    rho = np.hypot(x - 300, y - 200) / 60
    angle = np.arctan2(y - 200, x - 300)
    pattern = np.cos(2 * angle) + 0.5 * np.sin(5 * angle + 1)
    r = np.maximum(rho, 0.5)
    image = (r**-3 * (1 + 0.3 * pattern)).astype(np.float32)[None]
    want = pattern / np.sqrt(0.5 + 0.125)
    whole = (rho > 1) & (rho < 3.2)
    corners = rho > 3.5
    out = nrgf.apply(image, None, geometry, nrgf.Params())[0]
    assert np.abs(out - want)[whole].max() < 0.05
    # The chain from ring to ring drifts: 0.23 at 6 radii, where a tenth of the circle is seen.
    assert np.abs(out - want)[corners].max() < 0.25
    # By themselves, the corners' annuli are far off: this is what the parameter is for.
    alone = nrgf.apply(image, None, geometry, nrgf.Params(coverage=0.0))[0]
    assert np.abs(alone - want)[corners].max() > 0.5


@pytest.mark.parametrize("channels", ["luminance", "each"])
def test_fourier_order_0_is_nrgf(channels):
    image, geometry = corona()
    a = nrgf.apply(image, None, geometry, nrgf.Params(channels=channels))
    b = fnrgf.apply(image, None, geometry, fnrgf.Params(channels=channels, order=0))
    seen = geometry.visible(*a.shape[1:]) & np.isfinite(a[0])
    assert np.abs(a - b)[:, seen].max() < 5e-5  # of deviations; what float32 sums leave is 2e-5


def test_fourier_series_takes_low_orders_out_and_leaves_high_ones():
    """Attenuation 1 up to order 3: a wave of order 2 vanishes, one of order 9 stays a wave."""
    geometry = Geometry(200.0, 200.0, 60.0)
    y, x = np.indices((401, 401))
    rho, angle = np.hypot(x - 200, y - 200) / 60, np.arctan2(y - 200, x - 200)
    wave = np.cos(9 * angle)
    image = (2 + np.cos(2 * angle) + 0.3 * wave).astype(np.float32)[None]
    out = fnrgf.apply(image, None, geometry, fnrgf.Params(order=3, attenuation=1.0))[0]
    ring = (rho > 2) & (rho < 3)
    # Of 1.41: the worst pixel, in an annulus of 750 pixels, is 0.095 off.
    np.testing.assert_allclose(out[ring], wave[ring] * np.sqrt(2), atol=0.1)


def test_the_filter_is_a_line_at_each_height():
    """Within an annulus the order and the proportions of brightness stay."""
    image, geometry = corona()
    out = nrgf.apply(image, None, geometry, nrgf.Params(channels="each"))[0]
    distance = geometry.distance(*out.shape)
    for r in (90.0, 150.0, 220.0):
        ring = (np.abs(distance - r) < 0.02) & np.isfinite(out)
        a, b = image[0][ring].astype(float), out[ring].astype(float)
        assert np.corrcoef(a, b)[0, 1] > 0.999


def test_scale_and_background_do_not_matter():
    image, geometry = corona()
    out = nrgf.apply(image, None, geometry, nrgf.Params())
    other = nrgf.apply(image * 5e9 + 300.0, None, geometry, nrgf.Params())
    seen = np.isfinite(out) & geometry.visible(*out.shape[1:])
    assert np.abs(out - other)[seen].max() < 1e-4  # float32 leaves 1e-5


def test_missing_pixels_stay_missing_and_touch_nothing_else():
    image, geometry = corona()
    out = nrgf.apply(image, None, geometry, nrgf.Params())
    np.testing.assert_array_equal(np.isnan(out), np.isnan(image))


def test_an_even_picture_gives_no_infinities():
    geometry = Geometry(50.0, 40.0, 10.0)
    out = nrgf.apply(np.full((3, 80, 100), 7.0, np.float32), None, geometry, nrgf.Params())
    assert np.isfinite(out).all()


def test_registry():
    assert "nrgf" in filters.names()
    assert "geometry" not in filters.names()
    assert filters.load("nrgf") is nrgf
    with pytest.raises(ConfigError, match="no filter 'nrfg'"):
        filters.load("nrfg")


def test_unknown_parameters_are_refused():
    with pytest.raises(ValidationError):
        nrgf.Params(width=3)
