"""Pictures made with their planes on disk, a few rows at a time, are those made at once."""

from functools import partial

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from limbward.compiled import in_threads
from limbward.geometry.disc import Disc
from limbward.radiance.scratch import ROWS, by_rows, let_go, room_on_disk
from limbward.render.compose import compose
from limbward.render.tone import INNER_RING, fit_tone
from limbward.sequences.film import to_bytes
from limbward.sequences.steady import SMOOTH_PX, _smooth

SHAPE = (2 * ROWS + 37, 430)
SUN = Disc(215.0, 270.0, 60.0)


def corona(rng):
    y, x = np.indices(SHAPE)
    rho = (np.hypot(x - SUN.x, y - SUN.y) / SUN.radius).astype("f4")
    light = np.maximum(rho, 0.9) ** -5.0 * (1.0 + 0.1 * np.sin(3.0 * np.arctan2(y - 270, x - 215)))
    radiance = (light * np.array([0.6, 1.0, 0.7])[:, None, None]).astype("f4")
    sigma = (0.01 * radiance + 1e-4).astype("f4")
    radiance += sigma * rng.standard_normal(radiance.shape).astype("f4")
    radiance[:, rho < 1.02] = np.nan
    return radiance, sigma, rho


def test_a_composite_is_the_same_with_its_planes_on_disk_and_by_rows(tmp_path, monkeypatch):
    radiance, sigma, _ = corona(np.random.default_rng(3))
    structure = np.random.default_rng(4).standard_normal(SHAPE).astype("f4")
    moon, alike = Disc(SUN.x, SUN.y, 1.02 * SUN.radius), np.ones(3, np.float32)

    def made(room):
        image, matrix = room(radiance.shape, np.float32), np.eye(3, dtype=np.float32)
        image[:] = radiance
        filtered = structure.copy()
        return compose(image, list(sigma), filtered, SUN, moon, alike, matrix, room=room).picture

    on_disk = made(partial(room_on_disk, folder=tmp_path))
    assert not list(tmp_path.iterdir())
    monkeypatch.setitem(by_rows.__kwdefaults__, "rows", 10_000)  # all at once
    np.testing.assert_array_equal(on_disk, made(np.empty))


def test_the_curve_is_that_of_all_pixels_at_once():
    radiance, _, rho = corona(np.random.default_rng(5))
    light = radiance[1]
    known = np.isfinite(light)
    ring = light[known & (rho > INNER_RING[0]) & (rho < INNER_RING[1])]
    far = np.quantile(rho[known][::97], 0.9)
    curve = fit_tone(light, rho)
    assert curve.bright == float(np.quantile(ring, 0.95))
    assert curve.dark == float(np.quantile(light[known & (rho >= far)], 0.1))


def test_rows_come_once_each_and_values_on_disk_stay(tmp_path):
    room = room_on_disk((70, 5), np.float32, tmp_path)
    for rows in by_rows(70, room, None, np.zeros(3), rows=32):
        room[rows] += np.arange(rows.start, rows.stop)[:, None]
    let_go(room)
    np.testing.assert_array_equal(room, np.repeat(np.arange(70.0)[:, None], 5, axis=1))


def test_a_disk_without_room_is_an_error_and_no_signal(tmp_path):
    with pytest.raises(OSError, match=r"space|large"):
        room_on_disk((1 << 20, 1 << 26), np.float32, tmp_path)


@pytest.mark.parametrize("count", [1, 7, 1000])
def test_a_part_of_a_range_begins_where_it_is_told(count):
    done = np.zeros(1200, int)

    def work(first, last):
        done[first:last] += 1

    in_threads(work, count, first=150)
    assert done[150 : 150 + count].all()
    assert done.sum() == count


def test_a_picture_in_bytes_does_not_know_its_bands():
    picture = np.random.default_rng(1).uniform(-0.1, 1.1, (3, *SHAPE)).astype("f4")
    y, x = np.ogrid[: SHAPE[0], : SHAPE[1]]
    dither = ((0.7548776662466927 * x + 0.5698402909980532 * y) % 1.0).astype("f4")
    scaled = np.clip(picture, 0.0, 1.0) * np.float32(255.0) + dither
    expected = np.moveaxis(np.minimum(scaled, 255.0).astype(np.uint8), 0, -1)
    np.testing.assert_array_equal(to_bytes(picture), expected)


def test_rows_are_smoothed_as_if_all_were():
    plane = np.random.default_rng(2).uniform(0.0, 1.0, SHAPE).astype("f4")
    found = np.concatenate([_smooth(plane, rows) for rows in by_rows(SHAPE[0])])
    np.testing.assert_array_equal(found, gaussian_filter(plane, SMOOTH_PX))
