"""Noise of single short exposures in a film: rows of the sensor, and pixels that are lifted."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from limbward.sequences.quiet import TARGET, quieted
from limbward.sequences.rows import row_offsets


def joined(picture):
    """Return a picture as `quieted` makes it, all rows of it."""
    made = quieted(lambda rows: picture[:, rows].copy(), picture.shape[1], drawn)
    return np.concatenate([part for _, part in made], axis=1)


def drawn(value):
    return np.asarray(np.arcsinh(60.0 * value) / np.arcsinh(60.0), np.float32)


@pytest.mark.parametrize("colours", [1, 2])
def test_offsets_of_rows_are_found_beside_a_bright_disc_and_a_slope(colours):
    rng = np.random.default_rng(1)
    y, x = np.indices((400, 600))
    level = 0.004 + 0.006 * y / 400 + 0.8 / (1.0 + ((x - 320) ** 2 + (y - 190) ** 2) / 900.0) ** 2
    if colours == 2:
        level *= 1.0 - 0.4 * (x % 2) * (y % 2)
    rows = 4e-4 * rng.standard_normal(400)
    level += rows[:, None] + 8e-4 * rng.standard_normal(level.shape)
    step = 1.0 / 4095  # of a converter of 12 bits
    found = row_offsets((np.rint(level / step) * step).astype(np.float32), colours)
    assert (rows - found).std() < 0.35 * rows.std()


def test_a_frame_without_dark_has_no_offsets():
    assert not row_offsets(np.full((100, 100), 0.3, np.float32)).any()


def test_lifted_noise_is_smoothed_and_what_is_bright_stays_sharp():
    rng = np.random.default_rng(2)
    light = np.full((240, 240), 2e-3)
    light[100:, :] = 0.5
    noise = gaussian_filter(rng.standard_normal((3, 240, 240)), (0.0, 0.8, 0.8))
    picture = light + 6e-3 * noise / noise.std()
    picture = np.maximum(picture, 0.0)
    picture[:, :, 200:] = 0.0  # beyond the frame
    before = drawn(picture)
    after = drawn(joined(picture.astype(np.float32)))
    dark = np.s_[:, 20:70, 20:170]
    assert before[dark].mean(axis=0).std() > 2.0 * TARGET
    assert after[dark].mean(axis=0).std() < 1.1 * TARGET
    np.testing.assert_allclose(after[:, 110:220, 20:170], before[:, 110:220, 20:170], atol=0.003)
    assert not after[:, :, 200:].any()


def test_lifted_noise_has_no_colour():
    """Sky as strong as the noise of its mean: what colour is left is a third of what there was."""
    rng = np.random.default_rng(3)
    noise = gaussian_filter(rng.standard_normal((3, 240, 240)), (0.0, 3.0, 3.0))
    picture = np.maximum(2e-3 + 3.5e-3 * noise / noise.std(), 0.0).astype(np.float32)
    before, after = (np.ptp(drawn(p), axis=0).mean() for p in (picture, joined(picture)))
    assert after < before / 3.0


def test_a_quiet_picture_is_left_alone():
    picture = np.full((3, 60, 60), 0.2, np.float32)
    np.testing.assert_array_equal(joined(picture), picture)
