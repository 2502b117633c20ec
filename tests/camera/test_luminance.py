import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from limbward.camera.frame import linear_frame
from limbward.camera.luminance import green_cell, green_plane, saturated_fraction
from limbward.camera.reduce import coarser, green_of, reduce_frame
from tests.camera.files import BAYER, SIX, frame, noise, repeat

PATTERNS = {**BAYER, "SIX": SIX, "SIX shifted": np.roll(SIX, (1, 2), (0, 1)).tolist()}
all_patterns = pytest.mark.parametrize("pattern", PATTERNS.values(), ids=PATTERNS)


def ramp(shape: tuple[int, int]) -> np.ndarray:
    """Return brightness that says where it is: 1000 + 3 x + 5 y."""
    y, x = np.mgrid[: shape[0], : shape[1]]
    return (1000 + 3 * x + 5 * y).astype(np.uint16)


def test_cells():
    for pattern in BAYER.values():
        cell = green_cell(np.array(pattern, np.int8))
        assert (cell.side, cell.start, cell.centre) == (2, (0, 0), (0.5, 0.5))
    six = green_cell(np.array(SIX, np.int8))
    assert (six.side, six.start) == (3, (0, 0))
    # Five greens in a 3 x 3 block, at (0, 0), (1, 1), (1, 2), (2, 1), (2, 2).
    assert_allclose(six.centre, (1.2, 1.2))
    with pytest.raises(ValueError, match="no green"):
        green_cell(np.array([[0, 2], [2, 0]], np.int8))


@all_patterns
@pytest.mark.parametrize("colour", [0, 1, 2])
@pytest.mark.parametrize("shape", [(48, 60), (49, 61), (50, 63)])
def test_the_plane_says_where_its_pixels_are(pattern, shape, colour):
    plane = green_plane(frame(ramp(shape), pattern, black=100.0), colour=colour)
    rows, columns = plane.image.shape
    x = plane.origin[0] + plane.scale * np.arange(columns)
    y = plane.origin[1] + plane.scale * np.arange(rows)
    assert_allclose(plane.image, 900 + 3 * x[None, :] + 5 * y[:, None], rtol=0, atol=1e-3)
    assert rows >= shape[0] // plane.scale - 1


@all_patterns
@pytest.mark.parametrize("colour", [0, 1, 2])
def test_only_one_colour_counts_each_pixel_with_its_black(pattern, colour):
    shape = (36, 48)
    tile = np.asarray(pattern)
    black = 100.0 + np.arange(tile.size).reshape(tile.shape)
    data = np.where(repeat(tile, shape) == colour, 700 + repeat(black, shape), 15900)
    plane = green_plane(frame(data.astype(np.uint16), pattern, black=black), colour=colour)
    assert_allclose(plane.image, 700.0, atol=1e-3)
    assert not plane.saturated.any()


@all_patterns
@pytest.mark.parametrize("colour", [0, 1, 2])
def test_saturation_is_that_of_the_greens_or_of_all(pattern, colour):
    shape = (36, 48)
    data = np.full(shape, 500, np.uint16)
    places = np.argwhere(repeat(pattern, shape) == colour)
    y, x = places[len(places) // 2]
    data[y, x] = 15990
    plane = green_plane(frame(data, pattern))
    everything = green_plane(frame(data, pattern), any_colour=True)
    assert plane.saturated.sum() == (colour == 1)
    assert everything.saturated.sum() == 1
    j, i = np.argwhere(everything.saturated)[0]
    assert abs(plane.origin[0] + plane.scale * i - x) < plane.scale
    assert abs(plane.origin[1] + plane.scale * j - y) < plane.scale
    data[y, x] = 15600  # 0.975 of the white level
    assert not green_plane(frame(data, pattern), any_colour=True).saturated.any()


def test_float_mosaics_and_missing_values():
    data = ramp((36, 48)).astype(np.float32)
    data[10, 11] = np.nan
    for pattern in BAYER.values():
        plane = green_plane(frame(data, pattern))
        assert np.isfinite(plane.image).all()
        assert plane.saturated.sum() == (pattern[0][1] == 1)  # (10, 11) is green, or is not


def test_monochrome_and_rgb_at_full_resolution():
    mono = ramp((20, 30))
    plane = green_plane(linear_frame(mono, 65535.0))
    assert_array_equal(plane.image, mono)
    assert (plane.scale, plane.origin) == (1.0, (0.0, 0.0))
    rgb = np.stack([mono, mono + 7, mono]).astype(np.float32)
    rgb[0, 2, 3] = 65000
    rgb[1, 4, 5] = np.nan
    frame_rgb = linear_frame(rgb, 65535.0)
    plane = green_plane(frame_rgb)
    assert plane.image[0, 0] == 1007
    assert_array_equal(np.argwhere(plane.saturated), [(4, 5)])
    assert green_plane(frame_rgb, any_colour=True).saturated[2, 3]


def test_saturated_fraction():
    data = np.full((40, 50), 500, np.uint16)
    data[:4] = 15800
    assert saturated_fraction(frame(data)) == 0.1


@all_patterns
def test_reduced_planes_are_means_of_their_colour(pattern):
    shape = (130, 170)
    tile = np.asarray(pattern)
    black = 100.0 + np.arange(tile.size).reshape(tile.shape)
    colours, levels = repeat(tile, shape), repeat(black, shape)
    data = noise(shape)
    reduced = reduce_frame(frame(data, pattern, black=black), long_side=40)
    f = reduced.factor
    assert f % len(pattern) == 0
    assert max(reduced.planes.shape[1:]) <= 40
    for c in range(3):
        for i, j in ((0, 0), (1, 2), (reduced.planes.shape[1] - 1, reduced.planes.shape[2] - 1)):
            part = np.s_[i * f : (i + 1) * f, j * f : (j + 1) * f]
            own = colours[part] == c
            expected = (data[part] - levels[part])[own].mean()
            assert reduced.planes[c, i, j] == pytest.approx(expected, rel=1e-6)


def test_bins_lie_where_they_are_said_to():
    reduced = reduce_frame(linear_frame(ramp((101, 203)), 65535.0), long_side=30)
    _, h, w = reduced.planes.shape
    x, y = (reduced.factor * (np.arange(n) + 0.5) - 0.5 for n in (w, h))
    assert_allclose(green_of(reduced), 1000 + 3 * x + 5 * y[:, None], rtol=1e-6)


@all_patterns
@given(data=st.data())
@settings(max_examples=20, deadline=None)
def test_a_clipped_sample_hides_its_bin_in_its_colour_only(pattern, data):
    shape = (60, 72)
    y = data.draw(st.integers(0, shape[0] - 1))
    x = data.draw(st.integers(0, shape[1] - 1))
    mosaic = np.full(shape, 500, np.uint16)
    mosaic[y, x] = 16000
    reduced = reduce_frame(frame(mosaic, pattern), long_side=12)
    f, hidden = reduced.factor, np.isnan(reduced.planes)
    inside = y // f < reduced.planes.shape[1] and x // f < reduced.planes.shape[2]
    colour = repeat(pattern, shape)[y, x]
    expected = [[colour, y // f, x // f]] if inside else np.empty((0, 3))
    assert_array_equal(np.argwhere(hidden), expected)


def test_reduced_rgb_and_monochrome():
    mono = noise((50, 70))
    reduced = reduce_frame(linear_frame(mono, 65535.0), long_side=35)
    assert_array_equal(reduced.planes[0], reduced.planes[2])
    assert reduced.factor == 2
    rgb = np.stack([mono, mono * 2, mono * 3]).astype(np.float32)
    rgb[2, 0, 0] = np.nan
    reduced = reduce_frame(linear_frame(rgb, 65535.0), long_side=35)
    assert_allclose(reduced.planes[1], 2 * reduced.planes[0], rtol=1e-6)
    assert_array_equal(np.argwhere(np.isnan(reduced.planes)), [(2, 0, 0)])


def test_small_frames_are_not_reduced_to_nothing():
    reduced = reduce_frame(frame(noise((4, 3000))), long_side=100)
    assert reduced.planes.size > 0


def test_a_coarser_version_is_that_of_larger_bins():
    mosaic = frame(noise((170, 260)), black=100.0)
    fine, direct = reduce_frame(mosaic, long_side=65), reduce_frame(mosaic, long_side=22)
    again = coarser(fine, 3)
    assert (fine.factor, again.factor, direct.factor) == (4, 12, 12)
    assert_allclose(again.planes, direct.planes, rtol=1e-5)
    fine.planes[1, 4, 5] = np.nan
    assert_array_equal(np.argwhere(np.isnan(coarser(fine, 3).planes)), [(1, 1, 1)])
