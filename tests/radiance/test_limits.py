"""The merge against the Cramér-Rao bound: no use of the same frames could be less noisy.

Bound for radiance from bracketed raw exposures: C. Aguerrebere et al., SIAM J. Imaging Sciences 7
(2014) 1 (from memory): the inverse of the sum of what each unsaturated sample tells.
"""

import numpy as np
import pytest

from limbward.radiance import taps
from limbward.radiance.batch import Limits
from limbward.radiance.calibrate import Calibration
from limbward.radiance.merge import MergeFrame, merge
from limbward.radiance.registered import register_frames, weight_maps
from limbward.radiance.relative import relative_exposures
from limbward.radiance.saturation import KERNEL_REACH_PX
from tests.radiance.scene import Scene, Shot

pytestmark = pytest.mark.statistical

CEILING = 0.9
MARGIN_PX = 2.0
SHORTEST_S = 1 / 2000
REPEATS = 2
# A Sun 400 pixels in radius is 2.4 arcsec a pixel; the small grid is as coarse as that of 24
# megapixels would be. The strip runs from one side of the corona to the other.
SUN_RADIUS, WIDTH, HEIGHT, SMALL_SIDE = 400.0, 3280, 480, 205


@pytest.fixture(scope="module")
def limits():
    """Seven exposures over twelve stops, merged twice over with other noise."""
    rng = np.random.default_rng(1)
    scene = Scene(WIDTH, HEIGHT, SUN_RADIUS, moon_ratio=1.01)
    shots = [
        Shot(
            SHORTEST_S * 4.0**k,
            float(np.exp(rng.normal(0.0, 0.03))),
            scene.grid.sun_x + rng.uniform(-6, 6),
            scene.grid.sun_y + rng.uniform(-6, 6),
            moon_dx=rng.uniform(-2, 2),
        )
        for k in range(7)
    ]
    truth = scene.truth()
    radiance, sigma = [], []
    for seed in range(REPEATS):
        noise = np.random.default_rng(100 + seed)
        raws = [scene.frame(s, noise) for s in shots]
        views = [scene.view(s, raw) for s, raw in zip(shots, raws, strict=True)]
        registered = register_frames(views, scene.grid, MARGIN_PX, SMALL_SIDE)
        exposures = relative_exposures(registered)
        unit = np.exp(np.log(exposures.factor / [s.factor for s in shots]).mean())
        weights, predicted = weight_maps(registered, exposures.factor)
        frames = [
            MergeFrame(
                v.affine, v.exposure_s * f, o, v.moon, v.noise, w,
                np.full(3, v.ceiling / (v.exposure_s * f)),
            )
            for v, f, o, w in zip(views, exposures.factor, exposures.offset, weights, strict=True)
        ]  # fmt: skip
        calibration = Calibration()
        merged, _ = merge(
            frames,
            enumerate(raws),
            scene.grid,
            registered.factor,
            predicted,
            lambda k, raw, same=calibration: same,
            limits=Limits(moon_margin_px=MARGIN_PX),
        )
        radiance.append(merged.radiance * unit)
        sigma.append(merged.sigma * unit)
    seen = np.isfinite(radiance[0]).all(axis=0)
    y, x = np.indices((HEIGHT, WIDTH))
    edge = np.minimum(np.minimum(x, y), np.minimum(WIDTH - 1 - x, HEIGHT - 1 - y))
    seen &= (edge > 40) & (scene.rho() > 1.02) & (scene.rho() < 4.0)
    return scene, truth, seen, np.stack(radiance), np.stack(sigma), bound(scene, shots, truth)


def bound(scene, shots, truth):
    """Return the least variance (3, H, W): kernel sums of all samples of use, at true radiance."""
    table = taps.build(scene.pattern)
    th, tw = table.tile
    y, x = np.indices(truth.shape[1:])
    told = np.zeros(truth.shape)
    for shot in shots:
        a = scene.affine(shot)
        fx, fy = a[0, 0] * x + a[0, 1] * y + a[0, 2], a[1, 0] * x + a[1, 1] * y + a[1, 2]
        ix, iy = np.floor(fx + 0.5).astype(int), np.floor(fy + 0.5).astype(int)
        sub_y = ((fy - iy + 0.5) * taps.STEPS).astype(int)
        sub = sub_y * taps.STEPS + ((fx - ix + 0.5) * taps.STEPS).astype(int)
        power = table.power[(iy % th) * tw + ix % tw, sub]
        moon = scene.moon(shot)
        clear = np.hypot(fx - moon.x, fy - moon.y) > moon.radius + MARGIN_PX + KERNEL_REACH_PX
        exposure = shot.exposure_s * shot.factor
        for c in range(3):
            signal = truth[c] * exposure
            use = clear & (signal < CEILING * (scene.white - scene.black))
            variance = (scene.gain * signal + scene.read**2) * power[..., c]
            told[c] += use * exposure**2 / variance
    return 1.0 / np.maximum(told, 1e-30)


def decades(truth, seen):
    """Yield (colour, decade, pixels): decades of brightness, the brightest first."""
    for c in range(3):
        depth = np.floor(np.log10(truth[c][seen].max()) - np.log10(truth[c]))
        for decade in range(3):
            pixels = seen & (depth == decade)
            if pixels.sum() > 20000:
                yield "RGB"[c], decade, (c, pixels)


def test_variance_is_within_five_percent_of_the_bound(limits):
    _, truth, seen, radiance, sigma, least = limits
    found = {
        (name, decade): (
            float(np.mean(radiance[:, c, pixels].var(axis=0, ddof=1) / least[c, pixels])),
            float(np.mean(sigma[0, c, pixels] ** 2 / least[c, pixels])),
        )
        for name, decade, (c, pixels) in decades(truth, seen)
    }
    assert len(found) >= 8
    assert max(actual for actual, _ in found.values()) <= 1.05, found
    assert max(stated for _, stated in found.values()) <= 1.05, found


def test_sigma_is_honest_in_every_decade(limits):
    """The standard deviation of (merge - truth) / SIGMA: no median that would hide a bias."""
    _, truth, seen, radiance, sigma, _ = limits
    for name, decade, (c, pixels) in decades(truth, seen):
        pull = (radiance[:, c, pixels] - truth[c, pixels]) / sigma[:, c, pixels]
        assert 0.9 < np.std(pull) < 1.1, (name, decade)


def test_profile_is_within_one_percent_of_the_truth(limits):
    scene, truth, seen, radiance, _, _ = limits
    ring = ((scene.rho()[seen] - 1.03) / 0.02).astype(int)
    ring[scene.rho()[seen] < 1.03] = 10_000
    size = np.bincount(ring)
    for c in range(3):
        merged = np.bincount(ring, radiance[:, c, seen].mean(axis=0))
        true = np.bincount(ring, truth[c, seen])
        rings = np.flatnonzero((size > 200) & (np.arange(len(size)) < 150))
        assert len(rings) > 100
        np.testing.assert_allclose(merged[rings] / true[rings], 1.0, atol=0.01)


def test_no_step_where_an_exposure_drops_out(limits):
    """Merge over truth, by the level of each exposure: just below and just above its ceiling."""
    scene, truth, seen, radiance, _, _ = limits
    span = scene.white - scene.black
    steps = {}
    for k in range(7):
        for c in range(3):
            level = truth[c] * SHORTEST_S * 4.0**k / (CEILING * span)
            below = seen & (level > 0.80) & (level < 0.93)
            above = seen & (level > 1.07) & (level < 1.20)
            if min(below.sum(), above.sum()) > 3000:
                ratio = radiance[:, c] / truth[c]
                steps[k, c] = abs(ratio[:, below].mean() - ratio[:, above].mean())
    assert len(steps) >= 6
    assert max(steps.values()) < 0.003, steps
