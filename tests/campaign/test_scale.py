"""One photometric scale and the mean corona, against what was painted."""

import numpy as np
import pytest

from limbward.campaign.cells import Cells, cell_means
from limbward.campaign.mean import Sums, as_tree, on_scale
from limbward.campaign.scale import common_scale
from limbward.campaign.view import picture_affine, sampled, sampled_error, view_of

from .paint import SUN_ARCSEC, Station, brightness, paint

VIEW = view_of(2.85, 24.0 / SUN_ARCSEC)
CELLS = Cells(radii=22, angles=60)
GAINS = (1.0, 0.02, 7.0, 300.0, 0.6)
SKIES = (0.0, 0.3, -0.1, 0.1, 0.05)


def coronas(noise=0.01):
    out = []
    for k, (gain, sky) in enumerate(zip(GAINS, SKIES, strict=True)):
        station = Station(up_deg=30.0 * k, gain=(gain,) * 3, sky=sky, noise=noise, seed=k)
        light, sigma, header = paint(station)
        affine = picture_affine(header)
        out.append(
            (
                np.stack([sampled(p, affine, VIEW) for p in light]),
                np.stack([sampled_error(p, affine, VIEW) for p in sigma]),
            )
        )
    return out


@pytest.fixture(scope="module")
def seen():
    return coronas()


def in_cells(seen):
    pairs = [cell_means(light[1], sigma[1], VIEW, CELLS) for light, sigma in seen]
    return np.stack([p[0] for p in pairs]), np.stack([p[1] for p in pairs])


def test_gains_and_skies_are_found(seen):
    """To 1 % of each other; skies relative to the median's, in units of the common scale."""
    got = common_scale(*in_cells(seen))
    relative = got.gain * GAINS
    assert relative / np.median(relative) == pytest.approx(np.ones(5), abs=0.01)
    unit = brightness(np.array([2.0]), np.array([0.0]))[0] * np.median(relative)
    sky = -np.array(SKIES) * unit
    assert got.offset - np.median(got.offset) == pytest.approx(
        sky - np.median(sky), abs=0.01 * unit
    )
    # Its gauge: the median station's unit, and no sky at the median.
    assert np.median(got.offset) == pytest.approx(0.0, abs=1e-3 * unit)
    assert np.median(np.log(got.gain)) == pytest.approx(0.0, abs=1e-3)
    assert (got.gain_sigma / got.gain).max() < 0.01
    assert (got.gain_sigma > 0).all()


def test_a_cloud_before_a_part_of_the_corona_spoils_no_gain(seen):
    """An eighth of one station's corona is half as bright: its misfit says so, its gain stays."""
    light, sigma = in_cells(seen)
    light[2, :, :8] *= 0.5
    got = common_scale(light, sigma)
    relative = got.gain * GAINS / np.median(got.gain * GAINS)
    assert relative[[0, 1, 3, 4]] == pytest.approx(np.ones(4), abs=0.01)
    assert relative[2] == pytest.approx(1.0, abs=0.02)  # by plain least squares 5 % too large


def test_a_station_that_disagrees_everywhere_has_a_misfit(seen):
    light, sigma = in_cells(seen)
    light[2] *= 1.0 + 0.1 * np.random.default_rng(1).standard_normal(light[2].shape)
    got = common_scale(light, sigma)
    assert got.misfit[2] == pytest.approx(0.1, rel=0.2)
    assert got.misfit[[0, 1, 3, 4]].max() < 0.04


def test_one_that_saw_nothing_has_no_scale(seen):
    light, sigma = in_cells(seen)
    light[1] = np.nan
    got = common_scale(light, sigma)
    assert np.isnan(got.gain[1])
    assert np.isfinite(got.gain[[0, 2, 3, 4]]).all()


def test_the_mean_is_the_corona_at_its_stated_noise(seen):
    sums = []
    for k, (light, sigma) in enumerate(seen):
        unit = brightness(np.array([2.0]), np.array([0.0]))[0]
        gain = np.full(3, 1.0 / GAINS[k])
        pair = on_scale(light, sigma, gain, np.full(3, -SKIES[k] * unit), np.zeros(3))
        sums.append(Sums.of(*pair))
    light, sigma, count, chi2 = as_tree(sums, Sums.__add__).result()
    west, north = VIEW.places()
    rho = np.hypot(west, north)
    # Nearer in, a line between pixels of 0.03 solar radii is seen to lie above the steep corona: by
    # h^2 f'' / 8, half a per cent at 1.2.
    ring = (rho > 1.8) & (rho < 2.6)
    truth = brightness(west, north)
    assert (count[ring] == 5).all()
    off = (light[0][ring] - truth[ring]) / sigma[0][ring]
    # Interpolated pixels are quieter than their sigma, by up to two thirds where between four.
    assert 0.5 < np.std(off) < 1.1
    assert abs(np.mean(off)) < 0.1
    best = min(np.nanmedian((s / g)[0][ring]) for (_, s), g in zip(seen, GAINS, strict=True))
    assert np.median(sigma[0][ring]) < 0.5 * best
    assert chi2 < 1.1
    assert np.isnan(light[:, VIEW.side // 2, VIEW.side // 2]).all()  # the Moon hid it from all


def test_any_grouping_gives_the_same_sums(seen):
    sums = [Sums.of(*pair) for pair in seen]
    tree = as_tree(sums, Sums.__add__)
    row = sums[0]
    for one in sums[1:]:
        row = row + one
    assert tree.light == pytest.approx(row.light, rel=1e-12)
    assert (tree.count == row.count).all()


def test_a_tree_holds_few_at_a_time():
    """Memory grows with the logarithm of the number."""
    held, most = 0, 0

    class Piece:
        def __init__(self):
            nonlocal held, most
            held += 1
            most = max(most, held)

        def __del__(self):
            nonlocal held
            held -= 1

    as_tree((Piece() for _ in range(500)), lambda a, b: Piece())
    assert most < 14


def test_cells_have_the_mean_of_their_pixels():
    west, north = VIEW.places()
    angle = np.degrees(np.arctan2(-west, north)) % 360
    mean, error = cell_means(
        angle.astype(np.float32), np.ones_like(angle, dtype=np.float32), VIEW, CELLS
    )
    middle = np.broadcast_to(CELLS.position_angles, mean.shape)
    assert np.abs(mean - middle)[5:].max() < 1.0
    assert (error < 0.5).all()
