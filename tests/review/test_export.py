"""Copies of the finished picture: sizes, light, captions; and a frame seen tile by tile."""

from __future__ import annotations

import io

import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms

from limbward.camera.frame import RawFrame
from limbward.errors import ConfigError
from limbward.render.export import parse_size, resized, sharpened, write_copy
from limbward.render.raw_view import TILE_PX, frame_view, tile
from limbward.render.space import SRGB
from limbward.render.writers import Caption

CAPTION = Caption("Solar corona", "First light", "A. Nonym", "Lava field")


def test_sizes():
    assert parse_size("web").longest == 2048
    assert parse_size("SQUARE.PNG").kind == "png"
    assert parse_size("1920x1080").exact == (1920, 1080)
    for wrong in ("", "huge", "3x4", "99999", "web.gif", "0x0", "-5", "1e3", "full/../x"):
        with pytest.raises(ConfigError, match=r"size|side|written"):
            parse_size(wrong)


def test_light_is_kept_and_the_picture_fills_the_size():
    rng = np.random.default_rng(2)
    picture = SRGB.encode(rng.uniform(0.0, 1.0, (3, 120, 180)).astype(np.float32))
    small = resized(picture, parse_size("60"))
    assert small.shape == (3, 40, 60)
    # White noise of linear light: its mean must stay, whatever the encoding.
    assert SRGB.decode(small).mean() == pytest.approx(SRGB.decode(picture).mean(), rel=0.02)
    assert resized(picture, parse_size("50x50")).shape == (3, 50, 50)
    np.testing.assert_array_equal(resized(picture, parse_size("2000")), picture)


def test_sharpening_leaves_even_areas_alone():
    even = np.full((3, 40, 40), 0.4, np.float32)
    np.testing.assert_allclose(sharpened(even, 0.8), even, atol=1e-6)
    edge = even.copy()
    edge[:, :, 20:] = 0.6
    assert np.ptp(sharpened(edge, 0.8)) > np.ptp(edge)


@pytest.mark.parametrize("kind", ["jpg", "png", "tif"])
def test_files_carry_profile_caption_and_credit(tmp_path, kind):
    path = tmp_path / f"a.{kind}"
    picture = np.linspace(0.0, 1.0, 3 * 64 * 96, dtype=np.float32).reshape(3, 64, 96)
    write_copy(path, picture, CAPTION, parse_size(f"web.{kind}"))
    data = path.read_bytes()
    for text in (b"First light", b"A. Nonym", b"Lava field"):
        assert text in data
    if kind == "tif":
        pixels = tifffile.imread(path) / 65535
    else:
        with Image.open(path) as image:
            pixels = np.asarray(image) / 255
            if kind == "jpg":
                profile = ImageCms.ImageCmsProfile(io.BytesIO(image.info["icc_profile"]))
                assert "sRGB" in ImageCms.getProfileDescription(profile)
                assert image.getexif()[33432] == "A. Nonym"
    assert pixels.shape == (64, 96, 3)
    assert np.abs(pixels - np.moveaxis(picture, 0, -1)).mean() < 0.02


def frame(height=700, width=1100, pattern=((0, 1), (1, 2))):
    """A mosaic of one colour: R, G, B are 0.2, 0.1, 0.05 of the range."""
    tiles = np.tile(np.array(pattern, np.int8), (height // 2 + 1, width // 2 + 1))[:height, :width]
    values = 100 + np.array([0.2, 0.1, 0.05])[tiles] * 10_000
    pattern = np.array(pattern, np.int8)
    black = np.full(pattern.shape, 100, np.float32)
    identity = np.eye(3, dtype=np.float32)
    return RawFrame(
        values.astype(np.uint16), pattern, black, 10_100.0, np.ones(3, np.float32), identity
    )


def test_an_even_frame_has_its_colour_at_every_size_and_in_every_tile():
    view = frame_view(frame())
    wanted = np.rint(255 * SRGB.encode(np.array([0.2, 0.1, 0.05], np.float32)))
    for level, column, row in [(0, 0, 0), (0, 2, 1), (0, 1, 0), (1, 1, 0), (2, 0, 0)]:
        part = tile(view, level, column, row, 0.0)
        assert np.abs(part.astype(int) - wanted).max() <= 1
    assert tile(view, 0, 2, 1, 0.0).shape == (700 - TILE_PX, 1100 - 2 * TILE_PX, 3)
    brighter = tile(view, 0, 0, 0, 1.0)[0, 0] / 255
    assert SRGB.decode(brighter.astype(np.float32)) == pytest.approx([0.4, 0.2, 0.1], abs=0.005)


@pytest.mark.parametrize("where", [(0, 9, 0), (0, 0, 9), (9, 0, 0), (-1, 0, 0), (0, -1, 0)])
def test_tiles_that_are_not_there(where):
    with pytest.raises(ValueError, match="no such tile"):
        tile(frame_view(frame(64, 64)), *where, 0.0)


def test_what_is_clipped_is_white():
    full = frame(64, 64)
    full.data[10, 10] = 10_100
    assert tuple(tile(frame_view(full), 0, 0, 0, 0.0)[10, 10]) == (255, 255, 255)


def test_an_exact_size_is_cut_about_the_sun():
    picture = np.full((3, 100, 200), 0.1, np.float32)
    picture[:, 45:56, 35:46] = 1.0
    size = parse_size("100x100.tif")
    for sun, column in (((40.0, 50.0), 40.0), ((60.0, 50.0), 30.0), (None, None)):
        out = resized(picture, size, sun=sun)[1]
        assert out.shape == (100, 100)
        shown = np.nonzero(out > 0.5)[1]
        if column is None:
            assert not shown.size  # the middle of the picture shows columns 50 to 150
        else:
            assert shown.mean() == pytest.approx(column, abs=0.5)
