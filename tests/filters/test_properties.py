"""What every filter promises. Filters are found by being there: a new one is tested unnamed."""

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from limbward import filters
from limbward.filters.geometry import Geometry

SIZE, SUN, RADIUS = 361, (180.0, 178.0), 45.0
NAMES = filters.names()


def law(rho, angle, seed=0.0):
    """A smooth corona known everywhere: Baumbach's fall, with waves in angle and arches."""
    r = np.maximum(rho, 0.9)
    fall = 0.0532 * r**-2.5 + 1.425 * r**-7 + 2.565 * r**-17
    waves = (
        0.25 * np.cos(3 * angle + 0.4)
        + 0.15 * np.sin(7 * angle + r)
        + 0.1 * np.sin(19 * angle)
        + 0.05 * np.cos(4 * r)
    )
    return fall * (1.0 + waves)


def scene(turn_deg=0.0, factor=1.0, noise=0.0, colours=(0.5, 1.0, 0.7)):
    """The corona turned about the Sun, computed and not interpolated."""
    x0, y0 = SUN
    y, x = np.indices((SIZE, SIZE), dtype=float)
    rho = np.hypot(x - x0, y - y0) / RADIUS
    angle = np.arctan2(y - y0, x - x0) - np.radians(turn_deg)
    light = law(rho, angle) * factor
    image = np.stack([c * light for c in colours])
    sigma = np.stack([0.002 * c * light for c in colours]) + 1e-6 * factor
    if noise:
        image += noise * sigma * np.random.default_rng(5).standard_normal(image.shape)
    image[:, (rho < 1.0) | (rho > 3.9)] = np.nan  # a round frame, which turns with the sky
    turned = np.radians(turn_deg)
    moon = (x0 + 1.5 * np.cos(turned), y0 + 1.5 * np.sin(turned))
    geometry = Geometry(x0, y0, RADIUS, *moon, 1.06 * RADIUS)
    return image.astype(np.float32), sigma.astype(np.float32), geometry, rho


def run(name, image, sigma, geometry, **params):
    module = filters.load(name)
    return module.apply(image, sigma, geometry, module.Params(**params))


def close(a, b, where, name, part):
    """Compare by the spread of the values, leaving out the worst hundredth (interpolation)."""
    scale = np.std(a[:, where])
    error = np.abs(a - b)[:, where]
    assert np.percentile(error, 99) < part * scale, (name, np.percentile(error, 99) / scale)


def test_there_are_the_filters():
    assert set(NAMES) >= {
        "circular_high_pass", "fnrgf", "mgn", "multiscale", "nrgf", "rank", "rotational_difference",
        "tangential_unsharp",
    }  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_documents_itself(name):
    module = filters.load(name)
    assert "References" in module.__doc__
    assert "small and at large radius" in module.__doc__.replace("\n", " ").lower()
    assert isinstance(module.NORMALISES, bool)
    for key, field in module.Params.model_fields.items():
        assert field.description, key
        assert not field.is_required(), key


@pytest.mark.parametrize("channels", ["luminance", "each"])
@pytest.mark.parametrize("name", NAMES)
def test_shape_type_gaps_and_input(name, channels):
    image, sigma, geometry, rho = scene(noise=1.0)
    before = image.copy()
    out = run(name, image, sigma, geometry, channels=channels)
    assert out.shape == image.shape
    assert out.dtype == np.float32
    np.testing.assert_array_equal(image, before)
    seen = geometry.visible(SIZE, SIZE) & (rho > 1.12) & (rho < 3.8)
    assert np.isfinite(out[:, seen]).all()
    assert np.isnan(out[np.isnan(image)]).all()


@pytest.mark.parametrize("name", NAMES)
def test_works_without_noise_or_moon_or_colour(name):
    image, _, geometry, rho = scene(noise=1.0)
    bare = Geometry(geometry.sun_x, geometry.sun_y, geometry.sun_radius_px)
    out = run(name, image[:1], None, bare)
    assert out.shape == (1, SIZE, SIZE)
    assert np.isfinite(out[:, (rho > 1.12) & (rho < 3.8)]).all()


@pytest.mark.parametrize("name", NAMES)
def test_ten_times_the_light(name):
    """Normalising filters do not notice; the others give ten times as much."""
    image, sigma, geometry, rho = scene(noise=1.0)
    out = run(name, image, sigma, geometry)
    ten = run(name, image * 10, sigma * 10, geometry)
    if not filters.load(name).NORMALISES:
        ten /= 10
    close(out, ten, (rho > 1.12) & (rho < 3.8), name, 1e-3)


@pytest.mark.parametrize("turn", [90.0, 37.0])
@pytest.mark.parametrize("name", NAMES)
def test_turning_the_sky_turns_the_result(name, turn):
    image, sigma, geometry, _ = scene()
    turned, turned_sigma, turned_geometry, rho = scene(turn)
    out = run(name, image, sigma, geometry)
    other = run(name, turned, turned_sigma, turned_geometry)
    # Read the unturned result where each pixel of the turned one was.
    y, x = np.indices((SIZE, SIZE), dtype=float)
    d = np.radians(turn)
    u, v = x - SUN[0], y - SUN[1]
    at = [SUN[1] - u * np.sin(d) + v * np.cos(d), SUN[0] + u * np.cos(d) + v * np.sin(d)]
    back = np.stack([map_coordinates(np.nan_to_num(p), at, order=3) for p in out])
    # Away from the limb and the frame, where kernels meet another rim after the turn.
    # An annulus' deviation depends by 2 % on how the grid of pixels lies in it, so does the result.
    close(back, other, (rho > 1.5) & (rho < 2.9), name, 0.08)


@pytest.mark.parametrize("name", NAMES)
def test_a_hole_stays_a_hole(name):
    """Missing pixels give no value there and change next to nothing beyond the kernel."""
    image, sigma, geometry, rho = scene(noise=1.0)
    out = run(name, image, sigma, geometry)
    y, x = np.indices((SIZE, SIZE))
    hole = np.hypot(x - 290, y - 190) < 4
    holed = image.copy()
    holed[:, hole] = np.nan
    got = run(name, holed, sigma, geometry)
    seen = geometry.visible(SIZE, SIZE) & (rho > 1.12) & (rho < 3.8) & ~hole
    assert np.isnan(got[:, hole]).all()
    assert np.isfinite(got[:, seen]).all()
    # Out of the hole's annuli and out of reach of the widest kernel there is no change at all.
    far = seen & (np.abs(rho - np.hypot(290 - SUN[0], 190 - SUN[1]) / RADIUS) > 0.25)
    far &= np.hypot(x - 290, y - 190) > 150
    close(out, got, far, name, 0.01)


@pytest.mark.parametrize("name", NAMES)
def test_the_moon_has_no_say(name):
    """What lies on the Moon's disc, however bright, changes nothing outside it."""
    image, sigma, geometry, rho = scene(noise=1.0)
    image = np.nan_to_num(image, nan=1e-3)
    bright = image.copy()
    bright[:, ~geometry.visible(SIZE, SIZE)] = 1e4
    seen = geometry.visible(SIZE, SIZE) & (rho > 1.12) & (rho < 3.8)
    out, other = (run(name, a, sigma, geometry)[:, seen] for a in (image, bright))
    np.testing.assert_allclose(other, out, atol=1e-4 * np.std(out))


@pytest.mark.parametrize("name", NAMES)
def test_an_even_picture_stays_even(name):
    geometry = Geometry(60.0, 55.0, 18.0, 60.0, 55.0, 19.0)
    image = np.full((3, 110, 121), 7.0, np.float32)
    out = run(name, image, np.full_like(image, 0.01), geometry)
    seen = geometry.visible(110, 121)
    value = out[:, seen]
    value = value[np.isfinite(value)]
    assert value.size > 0.9 * 3 * seen.sum()
    assert np.ptp(value) < 1e-3 * max(1.0, abs(value.mean()))
