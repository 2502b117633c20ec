"""Arrays on disk, and what they are worth: the values in memory, and none of its pages."""

from functools import partial

import numpy as np
import psutil
import pytest
from astropy.io.fits import Header

from limbward.camera.calibration import Setting, master_dark
from limbward.camera.raw import read_raw
from limbward.geometry.disc import Disc
from limbward.radiance.calibrate import find_hot
from limbward.radiance.fits import PlaneRows, open_picture, write_picture
from limbward.radiance.noisy import noisy_from
from limbward.radiance.scratch import ROWS, let_go, parked, room_on_disk
from limbward.radiance.vignetting import Vignetting
from tests.camera.files import dng, noise

TALL = 2 * ROWS + 37


def test_a_parked_picture_has_its_values_and_its_one_plane(tmp_path):
    room = partial(room_on_disk, folder=tmp_path)
    plane = np.random.default_rng(1).normal(size=(TALL, 30)).astype(np.float32)
    grey = parked(np.broadcast_to(plane, (3, *plane.shape)), room)
    coloured = parked(np.stack([plane, -plane, 2 * plane]), room)
    np.testing.assert_array_equal(grey, np.stack([plane] * 3))
    np.testing.assert_array_equal(coloured, np.stack([plane, -plane, 2 * plane]))
    assert grey.strides[0] == 0 != coloured.strides[0]


def test_pages_that_are_let_go_are_nobodys_memory(tmp_path):
    size = 40_000_000
    array = room_on_disk((size,), np.uint8, tmp_path)
    before = psutil.Process().memory_full_info().uss
    array[:] = 7
    full = psutil.Process().memory_full_info().uss
    if full - before < size / 2:
        pytest.skip("this system does not count pages of maps")
    let_go(array[1000:])  # a part of it has the same map
    assert psutil.Process().memory_full_info().uss < before + size / 2
    assert array.min() == array.max() == 7


def test_rows_of_a_colour_are_those_of_the_file(tmp_path):
    image = np.random.default_rng(2).normal(size=(3, TALL, 20)).astype(np.float32)
    write_picture(tmp_path / "a.fits", image, Header())
    with open_picture(tmp_path / "a.fits") as hdus:
        for rows in (slice(0, 5), slice(TALL - 7, TALL), slice(100, 400), slice(300, TALL + 50)):
            for c in range(3):
                np.testing.assert_array_equal(PlaneRows(hdus[0], c)[rows], image[c, rows])


def test_hot_pixels_beside_a_cut_are_found_as_elsewhere(tmp_path):
    """Rows are gone through some at a time, each with its neighbours."""
    rng = np.random.default_rng(3)
    pixels = [np.round(rng.normal(600, 3, (TALL, 64))).astype(np.uint16) for _ in range(2)]
    rows = [ROWS - 2, ROWS - 1, ROWS, ROWS + 1, 2 * ROWS - 1, 2 * ROWS, 20, TALL - 20]
    for k, row in enumerate(rows):
        for image in pixels:
            image[row, 5 + 7 * k] = 4000
    frames = [read_raw(dng(tmp_path / f"{k}.dng", image)) for k, image in enumerate(pixels)]
    hot = find_hot(frames, partial(room_on_disk, folder=tmp_path))
    assert sorted(np.argwhere(hot).tolist()) == sorted([r, 5 + 7 * k] for k, r in enumerate(rows))


def test_darks_of_more_rows_than_are_held_at_once(tmp_path):
    paths = [dng(tmp_path / f"{k}.dng", noise((TALL, 32), seed=k)) for k in range(3)]
    master = master_dark(paths, Setting("a", "b", 200, 1.0))
    mean = np.mean([read_raw(path).data.astype(float) for path in paths], axis=0)
    np.testing.assert_allclose(master.image, mean, rtol=1e-6)
    assert (master.count == 3).all()


def test_rows_of_a_flat_are_those_of_the_whole():
    found = Vignetting(a=0.2, b=0.1, sigma=0.01)
    whole = found.inverse_flat(300, 200)
    np.testing.assert_array_equal(found.inverse_flat(300, 200, slice(120, 250)), whole[120:250])


def test_a_noisy_merge_on_disk_is_as_noisy_as_in_memory(tmp_path):
    rng = np.random.default_rng(4)
    value = rng.uniform(0.5, 1.0, (1500, 1500)).astype(np.float32)
    y, x = np.indices(value.shape)
    sigma = (1e-3 * np.hypot(x - 750, y - 740)).astype(np.float32)
    kept = [parked(a[None], partial(room_on_disk, folder=tmp_path))[0] for a in (value, sigma)]
    sun = Disc(750.0, 740.0, 100.0)
    found = noisy_from(*kept, sun)
    assert found is not None
    assert found == noisy_from(value, sigma, sun)
