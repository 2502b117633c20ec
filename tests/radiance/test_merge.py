"""The merge against the truth, against plain NumPy, and against itself turned and shifted."""

import numpy as np
import pytest

from limbward.errors import LimbwardError
from limbward.geometry.disc import Disc
from limbward.geometry.grid import Grid, frame_affine
from limbward.geometry.orientation import Orientation
from limbward.radiance import taps
from limbward.radiance.batch import Batch
from limbward.radiance.calibrate import Calibration
from limbward.radiance.kernels.sampling import ALIGNED
from limbward.radiance.merge import (
    Accumulator,
    MergeFrame,
    add_frames,
    map_affine,
    merge,
    moon_box,
)
from limbward.radiance.noise import NoiseModel
from limbward.radiance.registered import register_frames, weight_maps
from limbward.radiance.relative import relative_exposures
from tests.radiance.reference import KERNEL_REACH_PX, gathered
from tests.radiance.scene import RGGB, Scene, Shot
from tests.radiance.test_relative import bracketed

pytestmark = pytest.mark.statistical

GBRG = np.array([[1, 2], [0, 1]], np.int8)


def top(view, factor=1.0):
    return np.full(3, view.ceiling / (view.exposure_s * factor))


def pipeline(scene, shots, rng, vignette=None, **options):
    raws = [scene.frame(s, rng, vignette) for s in shots]
    views = [scene.view(s, r) for s, r in zip(shots, raws, strict=True)]
    registered = register_frames(views, scene.grid)
    exposures = relative_exposures(registered)
    weights, predicted = weight_maps(registered, exposures.factor)
    frames = [
        MergeFrame(v.affine, v.exposure_s * f, o, v.moon, v.noise, w, top(v, f))
        for v, f, o, w in zip(views, exposures.factor, exposures.offset, weights, strict=True)
    ]
    calibration = Calibration()
    merged, disc = merge(
        frames,
        enumerate(raws),
        scene.grid,
        registered.factor,
        predicted,
        lambda k, r: calibration,
        **options,
    )
    # The unit is the mean of the true exposures: a matter of definition.
    true = np.array([s.factor for s in shots])
    return merged, disc, np.exp(np.log(exposures.factor / true).mean())


@pytest.fixture(scope="module")
def merged():
    scene = Scene(1300, 900, 200.0)
    rng = np.random.default_rng(21)
    shots = bracketed(scene, rng)
    result, _, unit = pipeline(scene, shots, rng)
    truth = scene.truth() / unit
    return result, truth, scene.rho()


def rings(rho, first, last, step):
    for inner in np.arange(first, last, step):
        yield inner, (rho >= inner) & (rho < inner + step)


def test_radial_profile_within_one_percent_in_every_colour(merged):
    """From 1.05 to 3 solar radii, five decades of exposure, noise and 5 % shutter errors."""
    result, truth, rho = merged
    for inner, ring in rings(rho, 1.05, 3.0, 0.05):
        for c in range(3):
            ratio = np.nanmean(result.radiance[c][ring]) / np.mean(
                truth[c][ring & np.isfinite(result.radiance[c])]
            )
            assert ratio == pytest.approx(1.0, abs=0.003), (inner, c)


def test_no_seam_where_an_exposure_drops_out(merged):
    """The ratio to the truth steps by less than 0.3 % between rings of 0.02 solar radii."""
    result, truth, rho = merged
    for c in range(3):
        profile = [
            np.nanmedian((result.radiance[c] / truth[c])[ring])
            for _, ring in rings(rho, 1.1, 3.0, 0.02)
        ]
        assert np.abs(np.diff(profile)).max() < 0.003


def test_sigma_is_the_scatter(merged):
    result, truth, rho = merged
    for inner, ring in rings(rho, 1.1, 3.0, 0.2):
        for c in range(3):
            pull = ((result.radiance[c] - truth[c]) / result.sigma[c])[ring]
            pull = pull[np.isfinite(pull)]
            pull -= np.median(pull)  # the profile's own bias has its test
            assert 1.4826 * np.median(np.abs(pull)) == pytest.approx(1.0, abs=0.1), (inner, c)


def test_every_pixel_of_the_corona_is_there(merged):
    result, _, rho = merged
    seen = (rho > 1.1) & (rho < 2.0)
    assert np.isfinite(result.radiance[:, seen]).all()
    assert (result.count[seen] > 3).all()
    assert np.isnan(result.radiance[:, rho < 0.9]).all()
    assert (result.count[rho < 0.9] == 0).all()


def batch_of(data, pattern, black, calibration=None, blocked=None):
    """Return a batch of frames (B, H, W) of one mosaic."""
    blocked = np.zeros(data.shape, np.uint8) if blocked is None else blocked
    return Batch(
        pixels=np.ascontiguousarray(data[:, None]),
        blocked=blocked,
        blocked_rows=blocked.any(axis=2),
        black=np.asarray(black, np.float32)[None],
        taps=taps.build(pattern),
        calibration=calibration or Calibration(),
    )


@pytest.mark.parametrize("pattern", [RGGB, GBRG])
@pytest.mark.parametrize("turn", [0.0, 0.04, 3.0])
@pytest.mark.parametrize("corrected", [False, True])
def test_kernel_agrees_with_plain_numpy(pattern, turn, corrected):
    """Shifted frames, frames turned by little, and frames taken pixel by pixel."""
    rng = np.random.default_rng(8)
    data = rng.integers(700, 800, (90, 110)).astype(np.uint16)
    black = np.array([[600.0, 601.0], [602.0, 599.0]], np.float32)
    image = data - np.tile(black, (45, 55))
    calibration = Calibration()
    if corrected:
        dark = rng.uniform(595, 605, data.shape).astype(np.float32)
        flat = rng.uniform(0.9, 1.1, data.shape).astype(np.float32)
        calibration = Calibration(dark=dark, inverse_flat=flat)
        image = (data - dark) * flat
    blocked = np.zeros((1, 90, 110), np.uint8)
    blocked[0, 20:24, 28:32] = 2  # green
    blocked[0, 8:12, 12:16] = 4  # blue
    grid = Grid(100, 80, 3.0, 12.0)
    frame = MergeFrame(
        affine=frame_affine(grid, 55.3, 44.8, Orientation(3.0, 12.0), turn),
        exposure_s=0.25,
        offset=np.array([1.0, -2.0, 3.0]),
        moon=Disc(50.0, 40.0, 12.0),
        noise=NoiseModel(0.3, 2.0, 0.01),
        weight=rng.uniform(0.5, 1.5, (3, 8, 10)).astype(np.float32),
        top=np.array([5.0, 4.98, 5.01]),
    )
    sharp = rng.uniform(0.0, 1.0, (3, 8, 10)).astype(np.float32)
    # About the ceiling on the right: so in a part of the picture weights fade, in a part there are
    # none.
    ramp = np.linspace(4.9, 5.01, 10) + np.zeros((3, 8, 1))
    predicted = ramp.astype(np.float32)
    place = map_affine(grid, 10)
    sums = Accumulator.empty(80, 100)
    add_frames(
        sums,
        [frame],
        batch_of(data[None], pattern, black, calibration, blocked),
        predicted,
        sharp,
        place,
        2,
    )
    light, weight, variance = gathered(
        image, pattern, frame, sharp, place, 2.0, (80, 100), calibration.inverse_flat, predicted
    )
    y, x = np.indices((80, 100))
    fx, fy = np.einsum("ij,jyx->iyx", frame.affine, np.stack([x, y, np.ones_like(x)]))
    bits = blocked[0][
        np.clip((fy + 0.5).astype(int), 0, 89), np.clip((fx + 0.5).astype(int), 0, 109)
    ]
    for c in range(3):
        weight[c, (bits >> c) & 1 == 1] = 0.0
    assert np.count_nonzero((sums.weight > 0) != (weight > 0)) <= 3  # where a fade begins
    seen = (weight > 1e-4) & (sums.weight > 0)
    assert seen.mean() > 0.3
    # A place on the border of two steps is counted to either: one in a hundred, of frames turned.
    for found, expected in (
        (sums.weight[seen], weight[seen]),
        (sums.light[seen] / sums.weight[seen], light[seen] / weight[seen]),
        (sums.variance[seen] / sums.weight[seen] ** 2, variance[seen] / weight[seen] ** 2),
    ):
        off = np.abs(found / expected - 1.0)
        assert np.quantile(off, 0.98) < 2e-3
        assert np.median(off) < 1e-4
    # The rim, over which weights fall to nothing beside the Moon, is half a pixel wide.
    away = np.hypot(fx - 50.0, fy - 40.0) - 12.0 - 2.0 - KERNEL_REACH_PX
    rim = (away > 0.05) & (away < 0.45) & (weight > 0).all(axis=0)
    assert rim.sum() > 20
    assert np.median(np.abs(sums.weight[:, rim] / weight[:, rim] - 1.0)) < 1e-3


def test_aligned_and_turned_ways_agree():
    """A slope just above the limit is taken pixel by pixel; the two ways are one formula."""
    rng = np.random.default_rng(3)
    data = rng.integers(700, 5000, (1, 260, 2400)).astype(np.uint16)
    grid = Grid(2300, 200, 3.0, 12.0)
    sums = []
    for slope in (ALIGNED * 0.99, ALIGNED * 1.01):
        frame = MergeFrame(
            affine=np.array([[1.0, -slope, 40.3], [slope, 1.0, 20.8]]),
            exposure_s=1.0,
            offset=np.zeros(3),
            moon=Disc(-500.0, 40.0, 12.0),
            noise=NoiseModel(0.3, 2.0),
            weight=np.ones((3, 1, 1), np.float32),
        )
        one = Accumulator.empty(200, 2300)
        add_frames(
            one,
            [frame],
            batch_of(data, RGGB, np.zeros((2, 2))),
            np.zeros((3, 1, 1), np.float32),
            np.zeros((3, 1, 1), np.float32),
            map_affine(grid, 2400),
            2,
        )
        sums.append(one.result().radiance)
    # 2 % of the slope moves the far end by 0.07 pixel; near the first column nothing moves.
    near = np.s_[:, 30:-30, 30:300]
    assert np.sqrt(np.nanmean((sums[0] - sums[1])[near] ** 2)) < 0.05 * np.nanstd(sums[0][near])
    assert np.isfinite(sums[0][near]).all()


@pytest.mark.parametrize("brackets", [5, 7])
def test_a_satellite_a_bird_and_a_cosmic_ray_are_left_out(brackets):
    """Where five frames or more see a place; the frame in question is any of them."""
    scene = Scene(420, 320, 60.0)
    rng = np.random.default_rng(12)
    shots = [
        Shot(0.06, 1.0, 210 + rng.uniform(-3, 3), 160 + rng.uniform(-3, 3)) for _ in range(brackets)
    ]
    clean, _, _ = pipeline(scene, shots, np.random.default_rng(5))
    for which in range(brackets):
        raws = []
        one = np.random.default_rng(5)
        for s in shots:
            raws.append(scene.frame(s, one))
        spoiled = raws[which].data
        spoiled[60:63, 20:400] += 1500  # a satellite's trail
        spoiled[250:265, 300:320] = 520  # a bird
        spoiled[200, 60] += 9000  # a cosmic ray
        views = [scene.view(s, r) for s, r in zip(shots, raws, strict=True)]
        registered = register_frames(views, scene.grid)
        exposures = relative_exposures(registered)
        weights, predicted = weight_maps(registered, exposures.factor)
        frames = [
            MergeFrame(v.affine, v.exposure_s * f, o, v.moon, v.noise, w, top(v, f))
            for v, f, o, w in zip(
                views,
                exposures.factor,
                exposures.offset,
                weights,
                strict=True,
            )
        ]
        result, _ = merge(
            frames,
            enumerate(raws),
            scene.grid,
            registered.factor,
            predicted,
            lambda k, r: Calibration(),
        )
        pull = np.abs(result.radiance - clean.radiance) / clean.sigma
        away = scene.rho() > 1.3
        assert np.nanmax(pull[:, away]) < 8.0, which
        lost = brackets - result.count[58:66, 60:360]
        assert lost.max() >= 1


def test_a_few_frames_are_not_judged():
    """Of four frames nobody can say which is wrong."""
    scene = Scene(300, 240, 45.0)
    rng = np.random.default_rng(2)
    shots = [Shot(0.06, 1.0, 150, 120) for _ in range(4)]
    raws = [scene.frame(s, rng) for s in shots]
    raws[1].data[30:40, 30:40] += 3000
    views = [scene.view(s, r) for s, r in zip(shots, raws, strict=True)]
    registered = register_frames(views, scene.grid)
    weights, predicted = weight_maps(registered, np.ones(len(views)))
    frames = [
        MergeFrame(v.affine, v.exposure_s, np.zeros(3), v.moon, v.noise, w, top(v))
        for v, w in zip(views, weights, strict=True)
    ]
    result, _ = merge(
        frames,
        enumerate(raws),
        scene.grid,
        registered.factor,
        predicted,
        lambda k, r: Calibration(),
    )
    assert (result.count[32:38, 32:38] == 4).all()


def noiseless(shot, **options):
    scene = Scene(420, 320, 60.0, noisy=False, **options)
    merged, _, _ = pipeline(scene, [shot], np.random.default_rng(1))
    return scene, merged.radiance


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("turn", [0.0, 2.0, 90.0, 180.0])
def test_shifts_turns_and_mirrors_are_undone(turn, mirrored):
    """However the camera stands, the picture is the same sky: to rounding to whole ADU."""
    shot = Shot(0.03, 1.0, 213.37, 155.81, rotation_deg=turn)
    scene, radiance = noiseless(shot, mirrored=mirrored)
    rho = scene.rho()
    seen = (rho > 1.3) & (rho < 2.2) & np.isfinite(radiance).all(axis=0)
    assert seen.sum() > 20000
    ratio = radiance[:, seen] / scene.truth()[:, seen]
    assert np.abs(np.mean(ratio, axis=1) - 1.0).max() < 0.002
    assert np.sqrt(np.mean((ratio - ratio.mean()) ** 2)) < 0.01


@pytest.mark.parametrize("pattern", [np.array([[1]], np.int8), np.empty((0, 0), np.int8)])
def test_frames_without_a_mosaic(pattern):
    shot = Shot(0.03, 1.0, 213.37, 155.81)
    scene, radiance = noiseless(shot, pattern=pattern)
    rho = scene.rho()
    seen = (rho > 1.3) & (rho < 2.2) & np.isfinite(radiance).all(axis=0)
    truth = scene.truth()
    for c in range(3):
        ratio = radiance[c][seen] / truth[c if pattern.size == 0 else 1][seen]
        assert np.mean(ratio) == pytest.approx(1.0, abs=0.002)


def test_a_saturated_spot_that_no_prediction_shows_is_left_out():
    """A prominence a few pixels wide: only the short exposure may give it."""
    scene = Scene(420, 320, 60.0, noisy=False)
    rng = np.random.default_rng(1)
    shots = [Shot(1 / 250, 1.0, 210, 160), Shot(1 / 15, 1.0, 210, 160)]
    raws = [scene.frame(s, rng) for s in shots]
    bright = 60000.0  # ADU/s
    for shot, frame in zip(shots, raws, strict=True):
        spot = frame.data[160:163, 320:323]
        spot[...] = np.minimum(512 + bright * 5 * shot.exposure_s, 16000)
    views = [scene.view(s, r) for s, r in zip(shots, raws, strict=True)]
    registered = register_frames(views, scene.grid)
    weights, predicted = weight_maps(registered, np.ones(2))
    frames = [
        MergeFrame(v.affine, v.exposure_s, np.zeros(3), v.moon, v.noise, w, top(v))
        for v, w in zip(views, weights, strict=True)
    ]
    result, _ = merge(
        frames,
        enumerate(raws),
        scene.grid,
        registered.factor,
        predicted,
        lambda k, r: Calibration(),
    )
    x, y = 321 + scene.grid.sun_x - 210, 161 + scene.grid.sun_y - 160
    assert result.count[round(y), round(x)] == 1
    assert np.nanmin(result.radiance[:, round(y), round(x)]) > 0.5 * 5 * bright


def test_a_frame_that_cannot_be_read_is_left_out_and_named():
    scene = Scene(420, 320, 60.0)
    rng = np.random.default_rng(1)
    shots = [Shot(1 / 30, 1.0, 210, 160), Shot(1 / 15, 1.0, 212, 161)]
    raws = [scene.frame(s, rng) for s in shots]
    views = [scene.view(s, r) for s, r in zip(shots, raws, strict=True)]
    registered = register_frames(views, scene.grid)
    weights, predicted = weight_maps(registered, np.ones(len(views)))
    frames = [
        MergeFrame(v.affine, v.exposure_s, np.zeros(3), v.moon, v.noise, w, top(v))
        for v, w in zip(views, weights, strict=True)
    ]

    decoded = [(0, raws[0]), (1, LimbwardError("the file is cut short"))]
    result, _ = merge(
        frames, decoded, scene.grid, registered.factor, predicted, lambda k, r: Calibration()
    )
    assert result.failed == {1: "the file is cut short"}
    assert result.count.max() == 1


def test_the_moons_disc_is_registered_on_the_moon():
    """A mark on the Moon, which wanders over the corona, stays sharp in the Moon's own merge."""
    scene = Scene(420, 320, 60.0, noisy=False)
    rng = np.random.default_rng(1)
    shots = [Shot(0.5, 1.0, 210, 160, moon_dx=d, moon_dy=0.5 * d) for d in (-4.0, 0.0, 4.0)]
    raws = [scene.frame(s, rng) for s in shots]
    y, x = np.indices((320, 420))
    for shot, frame in zip(shots, raws, strict=True):
        moon = scene.moon(shot)
        mark = np.exp(-((x - moon.x - 10) ** 2 + (y - moon.y + 7) ** 2) / (2 * 2.0**2))
        frame.data[...] = np.minimum(frame.data + np.rint(400 * mark), 16000)
    views = [scene.view(s, r) for s, r in zip(shots, raws, strict=True)]
    registered = register_frames(views, scene.grid)
    weights, predicted = weight_maps(registered, np.ones(len(views)))
    frames = [
        MergeFrame(v.affine, v.exposure_s, np.zeros(3), v.moon, v.noise, w, top(v))
        for v, w in zip(views, weights, strict=True)
    ]
    box = moon_box(Disc(205.25, 161.5, scene.moon(shots[0]).radius))
    _, disc = merge(
        frames,
        enumerate(raws),
        scene.grid,
        registered.factor,
        predicted,
        lambda k, r: Calibration(),
        box=box,
    )
    green = np.nan_to_num(disc.radiance[1])
    yy, xx = np.indices(green.shape)
    near = np.hypot(xx + box.left - 215.25, yy + box.top - 154.5) < 8
    total = green[near].sum()
    assert (green * near * xx).sum() / total + box.left == pytest.approx(215.25, abs=0.05)
    assert (green * near * yy).sum() / total + box.top == pytest.approx(154.5, abs=0.05)
    assert green[near].max() == pytest.approx(400 / 0.5, rel=0.2)
