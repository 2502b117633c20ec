"""Cloud, blur and reflections put into simulated stacks, and found again."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from limbward.camera.clipping import clip_level
from limbward.radiance.blur import excess_blur, too_blurred
from limbward.radiance.ghost import find_ghost, ghost_on_grid
from limbward.radiance.registered import predict, register_frames
from limbward.radiance.veil import _clearest, _percentile, find_veil, unveiled
from tests.radiance.scene import RATE, SKY, Scene, Shot, radiance

EXPOSURES = (1 / 60, 1 / 30, 1 / 15, 1 / 8) * 2
WIDTH, HEIGHT, RADIUS = 600, 400, 60.0


def registered_of(scene, shots, change, rng):
    """Return views and registered frames whose signal above black is changed by a function."""
    views = []
    for k, shot in enumerate(shots):
        raw = scene.frame(shot, rng)
        view = scene.view(shot, raw)
        views.append(replace(view, planes=change(k, view)))
    return views, register_frames(views, scene.grid)


def steady(rng, jitter=1.0):
    return [
        Shot(e, 1.0, WIDTH / 2 + rng.uniform(-jitter, jitter), HEIGHT / 2 + rng.uniform(-1, 1))
        for e in EXPOSURES
    ]


def bank(view, k):
    """A bank of cloud that drifts over the field: 12 % in the middle of a broad band."""
    y, x = np.indices(view.planes.shape[1:]) * view.factor
    at = 100.0 + 60.0 * k
    return 1.0 - 0.12 * np.exp(-(((x + 0.5 * y - at) / 120.0) ** 2))


def radii(scene, registered):
    """Return the distance of the small grid's pixels from the Sun's centre, solar radii."""
    small = scene.grid.reduced(registered.factor)
    y, x = np.indices((small.height, small.width), dtype=float)
    return np.hypot(x - small.sun_x, y - small.sun_y) * registered.factor / RADIUS


def transmission_error(veil, scene, views, registered):
    """Return the logarithm of found over true transmission, less what all frames share.

    Where the corona is four times as bright as the sky: further out a dimmer corona and a dimmer
    sky look the same.
    """
    small = scene.grid.reduced(registered.factor)
    y, x = np.indices((small.height, small.width), dtype=float)
    rho = radii(scene, registered)
    place = (rho > 1.3) & (rho < 2.5)
    off = []
    for k in range(len(views)):
        across = (x - small.sun_x) * registered.factor + scene.grid.sun_x
        down = (y - small.sun_y) * registered.factor + scene.grid.sun_y
        at = 100.0 + 60.0 * k
        true = 1.0 - 0.12 * np.exp(-(((across + 0.5 * down - at) / 120.0) ** 2))
        off.append((np.log(veil.transmission[k]) - np.log(true))[place])
    off = np.array(off)
    return off - np.median(off, axis=0)


def test_a_drifting_bank_of_cloud_is_found_to_a_percent():
    scene = Scene(WIDTH, HEIGHT, RADIUS, up=0.0)
    rng = np.random.default_rng(5)
    views, registered = registered_of(
        scene,
        steady(rng),
        lambda k, v: (v.planes * bank(v, k)).astype(np.float32),
        rng,
    )
    n = len(views)
    veil = find_veil(registered, np.ones(n), np.zeros((n, 3)))
    assert veil.cloudy
    assert np.sqrt(np.mean(transmission_error(veil, scene, views, registered) ** 2)) < 0.01
    # Where noise is no matter the frames agree then to less than a third of what they did.
    clear = unveiled(registered, np.ones(n), np.zeros((n, 3)), veil)
    near = radii(scene, registered) < 2.0
    light = [s.signal[:, 1][:, near] / s.exposure[:, None] for s in (registered, clear)]
    seen = np.isfinite(light[0]).sum(axis=0) > n / 2
    before, after = (
        np.median(np.nanstd(v[:, seen], axis=0) / np.nanmean(v[:, seen], axis=0)) for v in light
    )
    assert after < before / 3


def test_a_rim_that_one_frame_alone_shows_does_not_darken_what_all_show():
    """Nothing tells what that frame's splines are there; here a seventh of the light."""
    n, h, w = 6, 60, 90
    signal, logs = np.ones((n, 3, h, w), np.float32), np.zeros((n, h, w))
    signal[1:, :, :, 80:] = np.nan
    logs[0, :, 75:] = np.log(1 / 7)
    frames = SimpleNamespace(
        signal=signal, sun_radius_px=100.0, factor=4, grid=Scene(w, h, RADIUS, up=0.0).grid
    )
    clear, _ = _clearest(frames, np.ones(n), logs)
    assert np.abs(clear).max() < 0.01


def test_a_clear_sky_is_left_alone_and_its_slope_is_found():
    """The sky's slope swings over in totality, by up to a fifth of it across the field here."""
    scene = Scene(WIDTH, HEIGHT, RADIUS, up=0.0)
    rng = np.random.default_rng(6)
    slopes = np.linspace(-0.2, 0.2, len(EXPOSURES))

    def sloped(k, view):
        x = np.arange(view.planes.shape[2]) * view.factor / WIDTH - 0.5
        colour = np.array([0.55, 1.0, 0.7])[:, None, None]
        more = RATE * SKY * EXPOSURES[k] * slopes[k] * x
        return (view.planes + colour * more).astype(np.float32)

    views, registered = registered_of(scene, steady(rng), sloped, rng)
    n = len(views)
    veil = find_veil(registered, np.ones(n), np.zeros((n, 3)))
    assert not veil.cloudy
    np.testing.assert_array_equal(veil.transmission, 1.0)
    found = (veil.sky[:, 1, :, -1] - veil.sky[:, 1, :, 0]).mean(axis=1) / (RATE * SKY)
    np.testing.assert_allclose(found - found.mean(), slopes - slopes.mean(), atol=0.02)


def test_a_trailed_frame_is_found_and_its_length_measured():
    """A trail of L pixels has the variance L**2 / 12 (moments of a box)."""
    scene = Scene(1200, 800, 150.0, up=0.0)
    rng = np.random.default_rng(7)
    shots = [
        Shot(e, 1.0, 600 + rng.uniform(-1, 1), 400 + rng.uniform(-1, 1))
        for e in (1 / 250, 1 / 125) * 5
    ]
    trail = 10

    def change(raw):
        data = raw.data.astype(np.float64)
        moved = np.mean([np.roll(data, 2 * j, axis=1) for j in range(-2, 3)], axis=0)
        return replace(raw, data=moved.astype(np.uint16))

    views = []
    for k, shot in enumerate(shots):
        raw = scene.frame(shot, rng)
        views.append(scene.view(shot, change(raw) if k == 3 else raw))
    registered = register_frames(views, scene.grid)
    excess, sigma = excess_blur(registered, np.ones(len(shots)))
    others = np.delete(excess, 3)
    variance = 4.0 * (5**2 - 1) / 12.0  # of five steps of two pixels; the box's is 8.3
    assert excess[3] - np.median(others) == pytest.approx(variance, rel=0.3)
    assert variance == pytest.approx(trail**2 / 12.0, rel=0.1)
    assert list(too_blurred(excess, sigma, registered.exposure)) == [3]


def test_two_sharp_frames_take_the_place_of_a_blurred_one():
    """Noise grows by a fifth; a blur of 3 px would stay."""
    excess = np.array([0.0, 0.1, -0.1, 0.2, -0.2, 9.0])
    exposure = np.array([1.0, 1.0, 1.0, 1 / 100, 1 / 100, 1 / 100])
    assert list(too_blurred(excess, np.full(6, 0.1), exposure)) == [5]
    assert too_blurred(excess[1:], np.full(5, 0.1), np.delete(exposure, 3)) == {}


def test_a_frame_among_others_as_soft_stays():
    """Noise widens what is found of the shortest exposures, all of them."""
    excess = np.array([0.0, 0.1, -0.1, 0.05, 1.0, 1.0, 1.8])
    exposure = np.array([1.0, 1.0, 1.0, 1.0, 0.002, 0.002, 0.002])
    assert too_blurred(excess, np.full(7, 0.1), exposure) == {}
    assert list(too_blurred(np.append(excess[:6], 9.0), np.full(7, 0.1), exposure)) == [6]


def test_a_blurred_frame_stays_if_no_other_can_take_its_place():
    excess = np.array([0.0, 0.1, -0.1, 9.0])
    alone = too_blurred(excess, np.full(4, 0.1), np.array([1.0, 1.0, 1.0, 1 / 100]))
    assert alone == {}


def ghostly(strength, pointing, aureole=0.0):
    """Return views and registered frames with the corona reflected about the frame's middle.

    ``aureole`` is the part of the light that the lens scatters, over 12 px and further.
    """
    scene = Scene(WIDTH, HEIGHT, RADIUS, up=0.0, read=1.0)
    rng = np.random.default_rng(8)
    shots = [Shot(0.5, 1.0, WIDTH / 2 + pointing, HEIGHT / 2 + 0.3 * pointing) for _ in range(4)]
    shots += [
        Shot(e, 1.0, WIDTH / 2 + pointing, HEIGHT / 2 + 0.3 * pointing)
        for e in (1 / 2000, 1 / 500, 1 / 125, 1 / 30)
    ]
    shots.sort(key=lambda s: s.exposure_s)
    quiet = replace(scene, noisy=False, white=1e9)

    def add(k, view):
        shot = shots[k]
        y, x = np.indices((HEIGHT, WIDTH), dtype=float)
        light = radiance(x - shot.sun_x, y - shot.sun_y, RADIUS)
        moon = quiet.moon(shot)
        light *= np.hypot(x - moon.x, y - moon.y) > moon.radius
        turned = gaussian_filter(light[:, ::-1, ::-1], (0, 6.0, 6.0))
        f = view.factor
        h, w = view.planes.shape[1:]
        small = turned[:, : h * f, : w * f].reshape(3, h, f, w, f).mean(axis=(2, 4))
        wide = sum(gaussian_filter(light, (0, s, s)) for s in (12.0, 40.0)) / 2.0 - light
        wide = wide[:, : h * f, : w * f].reshape(3, h, f, w, f).mean(axis=(2, 4))
        scattered = strength * small + aureole * wide
        return (view.planes + scattered * shot.exposure_s).astype(np.float32)

    return scene, *registered_of(scene, shots, add, rng)


def test_a_ghost_is_found_on_the_moon_and_its_picture_known():
    scene, views, registered = ghostly(1e-3, 20.0)
    registered = replace(
        registered,
        predicted=predict(
            registered.signal, registered.exposure, scene.grid, registered.factor, RADIUS
        ),
    )
    ghost = find_ghost(registered, views[-4:], np.ones(4))
    assert ghost is not None
    # The predicted corona lacks what is inside 1.05 radii, a tenth of the light.
    np.testing.assert_allclose(ghost.strength, 1e-3, rtol=0.25)
    assert abs(ghost.axis_x - (WIDTH - 1) / 2) < 0.011 * WIDTH
    assert abs(ghost.axis_y - (HEIGHT - 1) / 2) < 0.011 * WIDTH
    picture = ghost_on_grid(registered, views[-1], ghost)
    small = scene.grid.reduced(registered.factor)
    _, x = np.unravel_index(np.argmax(gaussian_filter(picture[1], 25)), picture.shape[1:])
    # Its middle lies as far on the other side of the axis as the Sun on this side.
    assert (x - small.sun_x) * registered.factor == pytest.approx(-40.0, abs=20.0)


@pytest.mark.parametrize("aureole", [0.0, 0.02])
def test_no_ghost_is_seen_where_there_is_none(aureole):
    """Scattered light on the Moon is the corona the right way round, not upside down."""
    scene, views, registered = ghostly(0.0, 20.0, aureole)
    del scene
    assert find_ghost(registered, views[-4:], np.ones(4)) is None


@pytest.mark.parametrize("part", [0.85, 0.93, 0.97])
def test_the_level_at_which_samples_end_is_found(part):
    scene = Scene(WIDTH, HEIGHT, RADIUS)
    raw = scene.frame(Shot(2.0, 1.0, 300, 200), np.random.default_rng(3))
    end = round(scene.black + part * (scene.white - scene.black))
    clipped = replace(raw, data=np.minimum(raw.data, end).astype(np.uint16))
    assert clip_level(clipped) == pytest.approx(end, abs=1.0)


def test_a_frame_that_reaches_white_or_is_not_clipped_shows_no_lower_end():
    scene = Scene(WIDTH, HEIGHT, RADIUS)
    rng = np.random.default_rng(4)
    assert clip_level(scene.frame(Shot(2.0, 1.0, 300, 200), rng)) is None
    assert clip_level(scene.frame(Shot(1 / 2000, 1.0, 300, 200), rng)) is None


@pytest.mark.parametrize("percent", [0.0, 10.0, 90.0, 100.0])
def test_percentiles_without_what_is_unknown_are_numpys(percent):
    rng = np.random.default_rng(1)
    values = np.where(rng.random((9, 500)) < 0.5, np.nan, rng.normal(size=(9, 500)))
    values[4] = 0.3  # one at least is known
    right = np.nanpercentile(values, percent, axis=0)
    np.testing.assert_allclose(_percentile(values, percent), right, rtol=0, atol=1e-14)
