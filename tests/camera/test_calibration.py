from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from limbward.camera.calibration import (
    Master,
    Setting,
    best_match,
    black_image,
    clipped_mean,
    hot_pixels,
    master_dark,
    master_flat,
)
from limbward.camera.frame import linear_frame
from limbward.errors import LimbwardError
from tests.camera.files import BAYER, dng, frame, repeat

SETTING = Setting("Invented Model One", "SN42", 200, 2.0)
SHAPE = (40, 60)


def darks(tmp_path, count, *, mean=600.0, sigma=5.0, spoil=None):
    rng = np.random.default_rng(5)
    paths = []
    for k in range(count):
        values = rng.normal(mean, sigma, SHAPE)
        if spoil:
            spoil(k, values)
        path = tmp_path / f"dark{k}.dng"
        paths.append(dng(path, np.round(values).astype(np.uint16)))
    return paths


def test_a_master_dark_is_the_mean_without_cosmic_rays(tmp_path):
    def ray(k, values):
        values[10 + k, 20] = 9000.0

    master = master_dark(darks(tmp_path, 9, spoil=ray), SETTING)
    assert master.frames == 9
    assert master.image.shape == SHAPE
    assert abs(master.image.mean() - 600.0) < 0.5
    # The mean of 9 values of sigma 5 scatters by 1.7; a ray left in would add 930.
    assert np.abs(master.image - 600.0).max() < 12.0
    assert_array_equal(master.count[10:19, 20], 8)


def test_a_dark_with_a_warm_pixel_keeps_it(tmp_path):
    def warm(k, values):
        values[7, 8] += 400.0

    master = master_dark(darks(tmp_path, 6, spoil=warm), SETTING)
    assert abs(master.image[7, 8] - 1000.0) < 12.0
    hot = hot_pixels(master, np.array(BAYER["RGGB"], np.int8))
    assert_array_equal(np.argwhere(hot), [(7, 8)])


@given(
    st.lists(st.floats(400, 700, width=32), min_size=1, max_size=12),
    st.floats(1e4, 6e4, width=32),
)
@settings(deadline=None)
def test_the_clipped_mean_lies_among_the_values(values, outlier):
    stack = np.array([*values, outlier], np.float32)[:, None]
    mean, count = clipped_mean(stack)
    assert 1 <= count[0] <= len(stack)
    assert min(values) - 1e-3 <= mean[0] <= outlier
    if len(set(values)) > 8:
        assert mean[0] <= max(values) + 1e-3


def test_nothing_is_clipped_from_three_frames():
    stack = np.array([[1.0], [1.0], [100.0]], np.float32)
    mean, count = clipped_mean(stack)
    assert (mean[0], count[0]) == (34.0, 3)


def test_a_master_flat_keeps_the_vignetting_and_not_the_colour(tmp_path):
    rng = np.random.default_rng(6)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    vignette = 1.0 - 0.4 * ((x - 29.5) ** 2 + (y - 19.5) ** 2) / (29.5**2 + 19.5**2)
    colour = repeat([[0.4, 1.0], [1.0, 0.6]], SHAPE)
    paths = []
    for k, level in enumerate((6000.0, 7000.0, 8000.0, 9000.0, 6500.0)):  # the light changes
        signal = level * vignette * colour + rng.normal(0, 8.0, SHAPE)
        path = tmp_path / f"flat{k}.dng"
        paths.append(dng(path, np.round(512 + signal).astype(np.uint16), black=512.0))
    master = master_flat(paths, SETTING)
    for dy in (0, 1):
        for dx in (0, 1):
            own = vignette[dy::2, dx::2]
            assert_allclose(master.image[dy::2, dx::2], own / np.median(own), atol=0.01)


def test_a_dark_flat_is_refused(tmp_path):
    with pytest.raises(LimbwardError, match="A flat is black"):
        master_flat(darks(tmp_path, 3, mean=400.0), SETTING)


def test_a_flat_may_have_its_own_dark(tmp_path):
    dark = master_dark(darks(tmp_path, 4, mean=600.0), SETTING)
    path = dng(tmp_path / "flat.dng", np.full(SHAPE, 5600, np.uint16))
    assert_allclose(master_flat([path], SETTING, dark).image, 1.0, atol=0.01)


def test_frames_of_different_sizes_or_none_are_refused(tmp_path):
    one = dng(tmp_path / "a.dng", np.full((40, 60), 600, np.uint16))
    other = dng(tmp_path / "b.dng", np.full((40, 62), 600, np.uint16))
    with pytest.raises(LimbwardError, match=r"b\.dng differs in size"):
        master_dark([one, other], SETTING)
    with pytest.raises(LimbwardError, match="no frames"):
        master_dark([], SETTING)


def test_the_matching_master_has_the_same_body_iso_and_exposure():
    empty = np.zeros((1, 1), np.float32)
    counts = np.ones((1, 1), np.uint16)

    def master(**changes):
        return Master(empty, counts, replace(SETTING, **changes), 1)

    right, near = master(), master(exposure_s=1.9)
    others = [
        master(iso=400),
        master(serial="SN43"),
        master(camera="Another"),
        master(exposure_s=1.0),
        master(exposure_s=None),
    ]
    assert best_match(SETTING, others) is None
    assert best_match(SETTING, [*others, near]) is near
    assert best_match(SETTING, [near, right, *others]) is right
    assert best_match(replace(SETTING, exposure_s=None), [right]) is None


def test_black_images():
    levels = np.array([[100, 101], [102, 103]], np.float32)
    mosaic = frame(np.zeros((5, 7), np.uint16), black=levels)
    assert_array_equal(black_image(mosaic), repeat(levels, (5, 7)))
    rgb = linear_frame(np.zeros((3, 5, 7), np.uint16), 65535.0)
    assert black_image(rgb).shape == (3, 5, 7)
