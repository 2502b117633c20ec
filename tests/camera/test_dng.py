"""DNGs that are not what they claim."""

import numpy as np
import pytest
import tifffile

from limbward.camera.raw import UnreadableFrame, read_raw
from tests.camera.files import dng, noise

MOSAIC = noise((120, 160))


def cut(path, kept):
    path.write_bytes(path.read_bytes()[:kept])
    return path


def end_of_pixels(path):
    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages[0]
        page = page if page.photometric == 32803 else page.pages[0]
        return page.dataoffsets[-1] + page.databytecounts[-1]


def test_a_dng_cut_short_in_its_pixels_is_refused(tmp_path):
    path = dng(tmp_path / "a.dng", MOSAIC)
    end = end_of_pixels(path)
    assert np.array_equal(read_raw(path).data, MOSAIC)
    for missing in (1, 2 * 160, 2 * 160 * 60):
        dng(path, MOSAIC)
        cut(path, end - missing)
        with pytest.raises(UnreadableFrame, match=f"cut short, at byte {end - missing} of {end}"):
            read_raw(path)


def test_what_follows_the_pixels_is_not_needed(tmp_path):
    path = dng(tmp_path / "a.dng", MOSAIC)
    path.write_bytes(path.read_bytes() + b"more")
    assert np.array_equal(read_raw(path).data, MOSAIC)
    cut(path, end_of_pixels(path))
    assert np.array_equal(read_raw(path).data, MOSAIC)


@pytest.mark.parametrize("code", [50002, 52546])
def test_damaged_jpeg_xl_is_named(tmp_path, code):
    path = dng(tmp_path / "a.dng", MOSAIC)
    with tifffile.TiffFile(path, mode="r+") as tiff:
        page = tiff.pages[0]
        page = page if page.photometric == 32803 else page.pages[0]
        page.tags[259].overwrite(code)
    with pytest.raises(UnreadableFrame, match=r"JPEG XL.*(copy it again|Install the library)"):
        read_raw(path)
