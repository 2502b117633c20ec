"""FITS written row by row against Astropy's reader, and against what is written whole."""

import numpy as np
import pytest
from astropy.io import fits

from limbward.radiance.fits import read_picture, write_picture
from limbward.radiance.fits_rows import RowsFile


@pytest.fixture
def pictures():
    rng = np.random.default_rng(4)
    light = rng.normal(size=(3, 37, 23)).astype(np.float32)
    light[:, 5:9, 4] = np.nan
    count = rng.integers(0, 60000, (37, 23)).astype(np.uint16)
    header = fits.Header()
    header["BUNIT"] = ("adu/s", "unit")
    header["LEVEL"] = 0.0
    return light, count, header


def write(path, light, count, header, history):
    shapes = {"": (light.shape, "f4"), "COUNT": (count.shape, "u2")}
    file = RowsFile(path, header, shapes, history)
    for top in range(0, 37, 8):
        file.write("", top, light[:, top : top + 8])
        file.write("COUNT", top, count[top : top + 8])
    return file


def test_astropy_finds_data_and_checksums_right(tmp_path, pictures):
    light, count, header = pictures
    history = ["Made of rows. " * 8]
    write(tmp_path / "rows.fits", light, count, header, history).close()
    # Astropy warns of checksums that are wrong; the tests take warnings for errors.
    with fits.open(tmp_path / "rows.fits", checksum=True, do_not_scale_image_data=False) as hdus:
        assert hdus[0].verify_checksum() == hdus[0].verify_datasum() == 1
        assert hdus[1].verify_checksum() == hdus[1].verify_datasum() == 1
        np.testing.assert_array_equal(hdus[0].data[:, ::-1], light)
        np.testing.assert_array_equal(hdus["COUNT"].data[::-1], count)
        assert hdus["COUNT"].data.dtype == np.uint16
        hdus.verify("exception")


def test_the_same_as_what_astropy_writes(tmp_path, pictures):
    light, count, header = pictures
    write(tmp_path / "rows.fits", light, count, header, ["a line"]).close()
    write_picture(tmp_path / "picture.fits", light, header, {"COUNT": count}, ["a line"])
    assert (tmp_path / "picture.fits").read_bytes() == (tmp_path / "rows.fits").read_bytes()
    primary = fits.PrimaryHDU(light[:, ::-1], header=header)
    primary.header["HISTORY"] = "a line"
    whole = fits.HDUList([primary, fits.ImageHDU(count[::-1], name="COUNT")])
    whole.writeto(tmp_path / "whole.fits", checksum=True)
    one, two = (read_picture(tmp_path / f"{n}.fits", ["COUNT"]) for n in ("rows", "whole"))
    np.testing.assert_array_equal(one[0], two[0])
    np.testing.assert_array_equal(one[2]["COUNT"], two[2]["COUNT"])
    ignored = {"CHECKSUM", "DATASUM"}
    a, b = ([c for c in h.cards if c.keyword not in ignored] for h in (one[1], two[1]))
    assert [(c.keyword, c.value) for c in a] == [(c.keyword, c.value) for c in b]


def test_rows_are_read_back_and_values_updated(tmp_path, pictures):
    light, count, header = pictures
    file = write(tmp_path / "rows.fits", light, count, header, [])
    rows = file.read("", 8, 5)
    np.testing.assert_array_equal(rows, light[:, 8:13])
    file.write("", 8, rows - 1)
    header["LEVEL"] = 2.5
    file.update(header)
    file.close()
    image, read, _ = read_picture(tmp_path / "rows.fits")
    np.testing.assert_array_equal(image[:, 8:13], light[:, 8:13] - 1)
    np.testing.assert_array_equal(image[:, 13:], light[:, 13:])
    assert read["LEVEL"] == 2.5
