import os
import struct
import sys
from types import SimpleNamespace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from limbward.camera.frame import SRGB_TO_XYZ, camera_to_srgb
from limbward.camera.raw import (
    UnreadableFrame,
    _colour_tile,
    read_raw,
)
from tests.camera.files import BAYER, MATRIX, SIX, dng, noise, repeat


@pytest.mark.parametrize("pattern", BAYER.values(), ids=BAYER)
def test_bayer_phases(tmp_path, pattern):
    mosaic = noise((40, 60))
    frame = read_raw(dng(tmp_path / "a.dng", mosaic, pattern=pattern))
    assert_array_equal(frame.data, mosaic)
    assert_array_equal(frame.pattern, pattern)
    assert frame.white == 15800


def test_six_by_six_mosaic(tmp_path):
    mosaic = noise((60, 66))
    frame = read_raw(dng(tmp_path / "a.dng", mosaic, pattern=SIX))
    assert_array_equal(frame.data, mosaic)
    assert_array_equal(frame.pattern, SIX)


@pytest.mark.parametrize("pattern", [*BAYER.values(), SIX], ids=[*BAYER, "SIX"])
@pytest.mark.parametrize("margins", [(4, 6, 2, 8), (7, 5, 3, 2), (1, 0, 0, 0), (0, 3, 5, 1)])
def test_margins_move_colours_and_black_levels_together(tmp_path, pattern, margins):
    # Each pixel holds its colour's value and the black of its place; whatever corner the visible
    # area gets, taking the black off by the tile must leave the colour.
    shape = (96, 102)
    black = 500.0 + np.arange(np.size(pattern)).reshape(np.shape(pattern))
    top, left = margins[:2]
    y, x = np.mgrid[: shape[0], : shape[1]]
    place = (y - top) % len(pattern), (x - left) % len(pattern[0])
    value = 1000 * (1 + np.asarray(pattern)[place])
    mosaic = (value + black[place]).astype(np.uint16)
    frame = read_raw(dng(tmp_path / "a.dng", mosaic, pattern=pattern, black=black, margins=margins))
    assert frame.data.shape <= (shape[0] - top - margins[2], shape[1] - left - margins[3])
    assert frame.black.shape == frame.pattern.shape
    size = (frame.height, frame.width)
    above = frame.data - repeat(frame.black, size)
    assert_array_equal(above, 1000.0 * (1 + repeat(frame.pattern, size).astype(float)))


def test_fractions_of_black_levels_are_kept(tmp_path):
    black = [[512.25, 510.5], [511.0, 514.75]]
    frame = read_raw(dng(tmp_path / "a.dng", noise((40, 60)), black=black))
    assert_array_equal(frame.black, np.array(black, np.float32))


def test_monochrome(tmp_path):
    mosaic = noise((40, 60))
    frame = read_raw(dng(tmp_path / "a.dng", mosaic, pattern=[[1]], black=500.0))
    assert_array_equal(frame.data, mosaic)
    assert frame.pattern.tolist() == [[1]]
    assert frame.black.tolist() == [[500.0]]
    assert not frame.is_mosaic
    assert_array_equal(frame.to_srgb, np.eye(3))
    assert_array_equal(frame.daylight, np.ones(3))


@pytest.mark.parametrize("pattern", [[[1]], [[1, 1], [1, 1]]])
def test_a_mosaic_is_monochrome_only_if_the_file_says_so(tmp_path, pattern):
    """Of a damaged tag LibRaw makes what its memory held, which may be green all over."""
    green = SimpleNamespace(
        sizes=SimpleNamespace(top_margin=0, left_margin=0),
        raw_color=lambda y, x: 1,
        num_colors=3,
        color_desc=b"RGBG",
    )
    said = dng(tmp_path / "said.dng", noise((40, 60)), pattern=pattern)
    assert _colour_tile(said, green).tolist() == [[1]]
    damaged = dng(tmp_path / "damaged.dng", noise((40, 60)))
    with pytest.raises(UnreadableFrame, match=r"^damaged\.dng has an impossible colour mosaic"):
        _colour_tile(damaged, green)
    (tmp_path / "other.raf").write_bytes(b"no TIFF")
    with pytest.raises(UnreadableFrame, match="impossible colour mosaic"):
        _colour_tile(tmp_path / "other.raf", green)


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_the_orientation_tag_turns_no_pixels(tmp_path, orientation):
    mosaic = noise((40, 60))
    frame = read_raw(dng(tmp_path / "a.dng", mosaic, orientation=orientation))
    assert_array_equal(frame.data, mosaic)


def test_colour_matrices_keep_white_white(tmp_path):
    frame = read_raw(dng(tmp_path / "a.dng", noise((40, 60))))
    assert_allclose(frame.to_srgb.sum(axis=1), 1.0, atol=1e-5)
    # A D65 white in the camera's own colours is (1, 1, 1) once balanced for daylight.
    white = MATRIX @ SRGB_TO_XYZ @ np.ones(3)
    assert_allclose(frame.daylight * white / white[1], 1.0, atol=3e-3)
    # A colour goes from sRGB to the camera and back.
    colour = np.array([0.7, 0.3, 0.1])
    seen = (MATRIX @ SRGB_TO_XYZ @ colour) / white
    assert_allclose(frame.to_srgb @ seen, colour, atol=3e-3)


def test_the_matrix_of_a_camera_undoes_what_the_camera_sees():
    to_srgb = camera_to_srgb(MATRIX)
    white = MATRIX @ SRGB_TO_XYZ @ np.ones(3)
    colour = np.array([0.2, 0.5, 0.9])
    assert_allclose(to_srgb @ (MATRIX @ SRGB_TO_XYZ @ colour / white), colour, atol=1e-5)
    assert_array_equal(camera_to_srgb(np.zeros((3, 3))), np.eye(3))
    assert_array_equal(camera_to_srgb(np.ones((3, 3))), np.eye(3))


@pytest.mark.parametrize("part", [0.0, 0.02, 0.5, 0.99])
def test_a_file_cut_short_is_a_sentence(tmp_path, part):
    path = dng(tmp_path / "a.dng", noise((200, 300)))
    content = path.read_bytes()
    path.write_bytes(content[: int(part * len(content))])
    with pytest.raises(UnreadableFrame, match=r"^a\.dng .*\.$"):
        read_raw(path)


@pytest.mark.parametrize("name", ["a.dng", "a.cr2", "a.raf", "a.tif", "a.fits"])
def test_a_file_of_something_else_is_a_sentence(tmp_path, name):
    path = tmp_path / name
    path.write_bytes(b"This is no picture. " * 500)
    with pytest.raises(UnreadableFrame, match=name):
        read_raw(path)


def test_a_file_that_declares_absurd_sizes_is_not_decoded(tmp_path):
    path = dng(tmp_path / "a.dng", noise((40, 60)))
    content = bytearray(path.read_bytes())
    for tag in (256, 257):  # ImageWidth, ImageLength: LONG, one value
        entry = content.index(tag.to_bytes(2, "little") + b"\4\0\1\0\0\0")
        content[entry + 8 : entry + 12] = (40000).to_bytes(4, "little")
    path.write_bytes(content)
    with pytest.raises(UnreadableFrame, match="declares 1600 megapixels"):
        read_raw(path)


def test_missing_and_forbidden_files_are_sentences(tmp_path, monkeypatch):
    with pytest.raises(UnreadableFrame, match="No such file"):
        read_raw(tmp_path / "missing.dng")
    path = dng(tmp_path / "a.dng", noise((40, 60)))

    def refusing(*args, **options):
        raise PermissionError(13, "Permission denied", str(path))

    # Without rights in earnest, for the administrator may read everything.
    monkeypatch.setattr(type(path), "open", refusing)
    with pytest.raises(UnreadableFrame, match="Permission denied"):
        read_raw(path)


def test_other_files_are_no_frames(tmp_path):
    path = tmp_path / "a.txt"
    path.write_bytes(b"x")
    with pytest.raises(UnreadableFrame, match="not a RAW, TIFF, FITS, JPEG or HEIF file"):
        read_raw(path)


@pytest.mark.skipif(sys.platform == "win32", reason="Windows names are Unicode")
def test_a_name_that_is_no_unicode_is_a_sentence(tmp_path):
    path = dng(tmp_path / "a.dng", noise((40, 60)))
    odd = os.fsencode(tmp_path) + b"/b\xff.dng"
    try:
        os.rename(path, odd)
    except OSError:
        pytest.skip("this file system takes Unicode names only")
    with pytest.raises(UnreadableFrame, match="Unicode"):
        read_raw(os.fsdecode(odd))


def test_reading_leaves_the_file_as_it_was(tmp_path):
    path = dng(tmp_path / "a.dng", noise((40, 60)))
    path.chmod(0o444)
    before = path.read_bytes(), path.stat().st_mtime_ns
    read_raw(path)
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before


def test_a_mosaic_that_no_sensor_has_is_a_sentence(tmp_path):
    whole = dng(tmp_path / "a.dng", noise((48, 64))).read_bytes()
    # CFAPattern (tag 33422) said to be long and to lie among the pixels.
    at = whole.index(struct.pack("<HHI", 33422, 1, 4))
    damaged = whole[: at + 4] + struct.pack("<II", 68, len(whole) - 800) + whole[at + 12 :]
    (tmp_path / "a.dng").write_bytes(damaged)
    with pytest.raises(UnreadableFrame, match="mosaic"):
        read_raw(tmp_path / "a.dng")
