"""Two merges whose truth is drawn point by point, joined.

The bounds are those asked of two lenses in one corona: seam 0.3 % in radiance and 5 % in local
contrast, sharpness of the long lens 98 %, noise within 8 % of the bound, colour 1 %, place 0.1
pixel of the finer. The bound of noise follows from weights by inverse variance alone.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, uniform_filter

from limbward.geometry.disc import Disc
from limbward.radiance.join.blend import bands
from limbward.radiance.join.part import NO_TIE
from limbward.radiance.join.plan import joint_grid, plan_joint
from limbward.radiance.join.tie import tie
from tests.radiance.join.parts import SUN_ARCSEC, Lens

LONG = Lens()
SHORT = Lens(
    scale=28.0, up=-52.0, gain=(1.3, 0.8, 1.1), offset=3e-10, shift=(0.4, -0.3), claimed_turn=0.05
)
R = SUN_ARCSEC / LONG.scale
SEEDS = 8


def joined(parts, ties):
    grid = joint_grid(parts, None, np.inf)
    plan = plan_joint(parts, ties, grid, Disc(grid.sun_x, grid.sun_y, 1.05 * R), R)
    made = list(bands(plan))
    return (
        grid,
        plan,
        np.concatenate([b.radiance for b in made], axis=1),
        np.concatenate([b.sigma for b in made], axis=1),
        np.concatenate([b.count for b in made], axis=0),
    )


def without_noise(lens, part):
    light = lens.light().copy()
    light[:, np.isnan(part.radiance[0])] = np.nan
    return replace(part, radiance=light)


@pytest.fixture(scope="module")
def two():
    """The joint picture without noise, its tie from noisy parts, the truth, and distances."""
    rng = np.random.default_rng(5)
    parts = [LONG.part(rng, "long"), SHORT.part(rng, "short")]
    found = tie(*parts, R)
    clean = [without_noise(lens, p) for lens, p in zip((LONG, SHORT), parts, strict=True)]
    grid, plan, light, _, count = joined(clean, [NO_TIE, found])
    whole = replace(LONG, width=grid.width, height=grid.height, made={})
    y, x = np.indices(light.shape[1:])
    rho = np.hypot(x - grid.sun_x, y - grid.sun_y) / R
    away = [np.abs(v - c) / (n / 2) for v, c, n in (
        (x, grid.sun_x, LONG.width), (y, grid.sun_y, LONG.height))]  # fmt: skip
    edge = np.maximum(*away)  # 1 at the long lens's edge
    return parts, found, grid, plan, light, count, whole, rho, edge


def test_the_tie_is_the_truth(two):
    _, found, *_ = two
    error = found.gain * SHORT.gain - 1.0
    assert np.abs(error).max() < 0.002
    assert np.abs(error / (found.gain_sigma * SHORT.gain)).max() < 4.0
    assert np.ptp(error) < 0.001  # colours are better known than the throughput
    np.testing.assert_allclose(found.shift, SHORT.shift, atol=0.02)
    # 0.1 pixel of the finer at its corner, 294 pixels away.
    assert found.turn_deg == pytest.approx(-0.05, abs=0.019)
    assert abs(found.scale) < 2e-4
    assert found.radial == 0.0
    assert found.mismatch < 0.002
    # The blur of each is 0.8 of its own pixels.
    assert found.blur == pytest.approx((0.8 * 2) ** 2 - 0.8**2, abs=0.3)


def test_no_seam_in_radiance_or_colour(two):
    _, _, _, _, light, _, whole, rho, edge = two
    true = whole.light(np.hypot(0.8, np.sqrt(2.0)))
    for c in range(3):
        ratio = light[c] / true[c]
        steps = []
        for lo in np.arange(0.8, 1.2, 0.02):
            ring = (edge > lo) & (edge < lo + 0.02) & (rho > 1.3) & np.isfinite(ratio)
            steps.append(np.mean(ratio[ring]))
        assert np.ptp(steps) < 0.003, c
    ring = (edge > 1.05) & (edge < 1.3) & np.isfinite(light).all(axis=0)
    inside = (edge < 0.8) & (rho > 1.3)
    for c in (0, 2):
        colour = (light[c] / light[1]) / (true[c] / true[1])
        assert np.median(colour[ring]) == pytest.approx(np.median(colour[inside]), abs=0.01)


def structure(image, fine, wide):
    smooth = gaussian_filter(image, wide)
    return gaussian_filter(image / smooth, fine) - gaussian_filter(image / smooth, wide)


def test_no_step_of_contrast_at_scales_that_both_hold(two):
    _, _, _, _, light, _, whole, rho, edge = two
    true = whole.light()
    known = np.isfinite(light[1])
    image = np.where(known, light[1], true[1])
    made, wanted = (structure(v, 3.0, 10.0) for v in (image, true[1]))
    clear = gaussian_filter(known.astype(float), 8.0) > 0.999
    for lo in np.arange(0.7, 1.35, 0.05):
        ring = (edge > lo) & (edge < lo + 0.05) & (rho > 1.3) & clear
        contrast = np.sqrt(np.mean(made[ring] ** 2) / np.mean(wanted[ring] ** 2))
        assert contrast == pytest.approx(1.0, abs=0.05), lo


def test_the_inner_corona_is_as_sharp_as_the_long_lens_alone(two):
    parts, _, grid, _, light, _, _, rho, edge = two
    left, top = (grid.width - LONG.width) // 2, (grid.height - LONG.height) // 2
    rows, columns = slice(top, top + LONG.height), slice(left, left + LONG.width)
    alone = without_noise(LONG, parts[0]).radiance[1]
    with_other = light[1, rows, columns]
    place = (rho[rows, columns] > 1.35) & (edge[rows, columns] < 0.6)
    a, b = (np.where(np.isfinite(v), v, np.nanmedian(v)) for v in (alone, with_other))
    for fine, wide in ((0.3, 0.9), (0.6, 1.5), (1.0, 2.5), (2.0, 5.0)):
        one, both = (structure(v, fine, wide)[place] for v in (a, b))
        assert np.sum(one * both) / np.sum(one * one) == pytest.approx(1.0, abs=0.02)


def test_noise_is_near_the_bound_and_sigma_says_what_it_is(two):
    _, found, grid, _, light, *_, rho, edge = two
    left, top = (grid.width - LONG.width) // 2, (grid.height - LONG.height) // 2
    inside = np.s_[:, top : top + LONG.height, left : left + LONG.width]
    truth = [LONG.light(), SHORT.light()]
    pixel, low, stated, alone, other = 0.0, 0.0, 0.0, 0.0, 0.0
    for seed in range(SEEDS):
        rng = np.random.default_rng(100 + seed)
        noisy = [LONG.part(rng), SHORT.part(rng)]
        _, _, made, sigma, _ = joined(noisy, [NO_TIE, found])
        rest = np.nan_to_num(made - light)
        pixel = pixel + rest**2
        low = low + np.stack([uniform_filter(p, 12) ** 2 for p in rest])
        stated = stated + np.nan_to_num(sigma) ** 2
        one, two_ = (np.nan_to_num(p.radiance - t) for p, t in zip(noisy, truth, strict=True))
        alone = alone + np.stack([uniform_filter(p, 12) ** 2 for p in one])
        two_ = two_ * found.gain.reshape(3, 1, 1)
        other = other + np.stack([uniform_filter(p, 6) ** 2 for p in two_])
    y, x = np.indices(truth[1].shape[1:])
    there = np.hypot(x - SHORT.grid.sun_x, y - SHORT.grid.sun_y) * 2 / R
    away = 1.0 - 12 / LONG.height  # so that no mean reaches beyond the long lens's field
    found_there, possible = 0.0, 0.0
    for lo in np.arange(1.3, 3.3, 0.2):
        ring = (rho > lo) & (rho < lo + 0.2) & (edge < away)
        mine, its = ring[inside[1:]], (there > lo) & (there < lo + 0.2)
        assert np.sqrt(pixel[1][ring].mean() / stated[1][ring].mean()) == pytest.approx(1, abs=0.06)
        bound = 1 / (1 / alone[1][mine].mean() + 1 / other[1][its].mean())
        # Relative to the light, which falls by a factor of ten.
        found_there += np.count_nonzero(ring) * low[1][ring].mean() / light[1][ring].mean() ** 2
        possible += np.count_nonzero(ring) * bound / light[1][ring].mean() ** 2
        if lo + 0.2 < 2.2:  # further out lies the long lens's edge, where one gives way
            assert np.sqrt(low[1][ring].mean() / bound) < 1.05, lo
    assert np.sqrt(found_there / possible) < 1.08
    outside = (edge > 1.1) & np.isfinite(light[1])
    assert np.sqrt(pixel[1][outside].mean() / stated[1][outside].mean()) == pytest.approx(
        1, abs=0.05
    )


def test_counts_add_up_and_the_moon_stays_dark(two):
    _, _, _, plan, light, count, _, rho, edge = two
    assert set(np.unique(count[(rho > 1.2) & (edge < 0.9)])) == {LONG.frames + SHORT.frames}
    assert set(np.unique(count[(edge > 1.1) & np.isfinite(light[1])])) == {SHORT.frames}
    assert np.isnan(light[:, rho < 1.03]).all()
    assert (count[rho < 1.03] == 0).all()
    total = sum(plan.share)[1]
    seen = np.any(plan.whole, axis=0)
    far = rho[:: plan.factor, :: plan.factor][: seen.shape[0], : seen.shape[1]] > 1.2
    np.testing.assert_allclose(total[seen & far], 1.0, atol=1e-3)


def test_distortion_is_found_where_it_shows_and_zero_where_it_does_not():
    quiet = replace(LONG, noise=0.003, made={})
    bent = replace(SHORT, radial=0.03, width=360, height=260, noise=0.003, made={})
    for lens, expected in ((bent, 0.03), (replace(bent, radial=0.0, made={}), 0.0)):
        rng = np.random.default_rng(8)
        found = tie(quiet.part(rng), lens.part(rng), R)
        if expected:
            assert found.radial == pytest.approx(expected, abs=4 * found.radial_sigma)
            assert found.radial_sigma < 0.25 * expected
        else:
            assert found.radial == 0.0


def test_a_noisy_coarse_body_changes_nothing_but_beyond_the_field():
    rng = np.random.default_rng(3)
    poor = replace(SHORT, scale=56.0, noise=0.5, shift=(0.0, 0.0), claimed_turn=0.0, made={})
    parts = [LONG.part(rng), poor.part(rng)]
    found = tie(*parts, R)
    grid, _, light, *_ = joined(parts, [NO_TIE, found])
    left, top = (grid.width - LONG.width) // 2, (grid.height - LONG.height) // 2
    inner = light[:, top + 60 : top + LONG.height - 60, left + 60 : left + LONG.width - 60]
    alone = parts[0].radiance[:, 60:-60, 60:-60]
    change = (inner - alone) / parts[0].sigma[:, 60:-60, 60:-60]
    assert np.sqrt(np.nanmean(change**2)) < 0.05
    np.testing.assert_array_equal(np.isnan(inner), np.isnan(alone))
