import numpy as np
import pytest
import tifffile
from astropy.io import fits
from numpy.testing import assert_array_equal

from limbward.camera.raw import UnreadableFrame, read_raw
from tests.camera.files import noise

MONO = noise((20, 30))
RGB = np.stack([noise((20, 30), seed) for seed in (1, 2, 3)])


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32, np.float64])
def test_monochrome_tiff_of_any_type(tmp_path, dtype):
    data = (MONO / 64).astype(dtype) if dtype == np.uint8 else MONO.astype(dtype)
    tifffile.imwrite(tmp_path / "a.tif", data)
    frame = read_raw(tmp_path / "a.tif")
    assert_array_equal(frame.data, data)
    assert frame.data.dtype in (np.uint16, np.float32)
    assert frame.pattern.tolist() == [[1]]
    assert frame.black.tolist() == [[0.0]]
    assert frame.white == (255 if dtype == np.uint8 else 65535)


@pytest.mark.parametrize("planar", ["contig", "separate"])
def test_rgb_tiff_of_either_layout(tmp_path, planar):
    data = RGB if planar == "separate" else np.moveaxis(RGB, 0, -1)
    tifffile.imwrite(tmp_path / "a.tif", data, photometric="rgb", planarconfig=planar)
    frame = read_raw(tmp_path / "a.tif")
    assert_array_equal(frame.data, RGB)
    assert frame.pattern.shape == (0, 0)
    assert frame.black.shape == (3,)


def test_alpha_is_dropped(tmp_path):
    data = np.moveaxis(np.concatenate([RGB, np.full((1, 20, 30), 65535, np.uint16)]), 0, -1)
    tifffile.imwrite(tmp_path / "a.tif", data, photometric="rgb", extrasamples=["unassalpha"])
    assert_array_equal(read_raw(tmp_path / "a.tif").data, RGB)


def test_palettes_are_refused(tmp_path):
    tifffile.imwrite(
        tmp_path / "a.tif",
        (MONO / 64).astype(np.uint8),
        photometric="palette",
        colormap=np.zeros((3, 256), np.uint16),
    )
    with pytest.raises(UnreadableFrame, match="PALETTE"):
        read_raw(tmp_path / "a.tif")


def test_floats_up_to_one_are_brought_to_the_range_of_16_bits(tmp_path):
    tifffile.imwrite(tmp_path / "a.tif", (MONO / 16000).astype(np.float32))
    frame = read_raw(tmp_path / "a.tif")
    assert frame.white == 65535
    np.testing.assert_allclose(frame.data / frame.white, MONO / 16000, rtol=1e-6)


@pytest.mark.parametrize(
    ("header", "top", "white"),
    [
        ({}, 1.0, 1.0),
        ({}, 1.3, 1.0),  # sharpening overshoots
        ({"SATURATE": 0.9}, 0.5, 0.9),
        ({"SATURATE": 65535.0}, 1.0, 1.0),  # left over from before the frame was normalised
        ({"SATURATE": 60000.0}, 40000.0, 60000.0),
        ({"DATAMAX": 50000.0}, 40000.0, 50000.0),
        ({"DATAMAX": 40000.0}, 40000.0, 65535.0),  # only says what the highest value is
        ({"SATURATE": -1.0}, 40000.0, 65535.0),
        ({"SATURATE": "yes"}, 40000.0, 65535.0),
    ],
)
def test_the_white_level_of_floats(tmp_path, header, top, white):
    data = (MONO / MONO.max() * top).astype(np.float32)
    fits.writeto(tmp_path / "a.fits", data, fits.Header(header))
    frame = read_raw(tmp_path / "a.fits")
    np.testing.assert_allclose(frame.data / frame.white, data / white, rtol=1e-5)


@pytest.mark.parametrize("value", [np.inf, -np.inf, np.nan, 1e300])
@pytest.mark.parametrize("scale", [1.0, 1 / 20000])
def test_infinite_values_count_as_missing_and_set_no_scale(tmp_path, value, scale):
    data = MONO * scale
    clean = tmp_path / "clean.fits"
    fits.writeto(clean, data)
    data[3, 4] = value
    fits.writeto(tmp_path / "a.fits", data)
    frame, right = read_raw(tmp_path / "a.fits"), read_raw(clean)
    assert np.isnan(frame.data[3, 4])
    assert frame.white == right.white
    rest = np.isfinite(frame.data)
    assert rest.sum() == data.size - 1
    assert_array_equal(frame.data[rest], right.data[rest])


@pytest.mark.parametrize("dtype", [np.int16, np.int32, np.uint32])
def test_whole_numbers_that_fill_their_type_are_white_at_its_end(tmp_path, dtype):
    limit = np.iinfo(dtype).max
    data = np.linspace(0, limit, 600).reshape(20, 30).astype(dtype)
    tifffile.imwrite(tmp_path / "a.tif", data)
    frame = read_raw(tmp_path / "a.tif")
    np.testing.assert_allclose(frame.data / frame.white, data / limit, atol=1e-6)
    assert frame.white in (32767, 65535)


def test_a_twelve_bit_converter_shows_where_it_clips(tmp_path):
    data = MONO // 4
    data[5:9, 5:9] = 4095
    tifffile.imwrite(tmp_path / "a.tif", data)
    assert read_raw(tmp_path / "a.tif").white == 4095
    # One hot pixel at the top is not a clipped converter, and neither is a top that is no 2^n - 1.
    data = MONO // 4
    data[5, 5] = 4095
    tifffile.imwrite(tmp_path / "b.tif", data)
    assert read_raw(tmp_path / "b.tif").white == 65535
    tifffile.imwrite(tmp_path / "c.tif", np.minimum(MONO // 4, 3000))
    assert read_raw(tmp_path / "c.tif").white == 65535


def test_monochrome_fits_of_unsigned_integers(tmp_path):
    fits.writeto(tmp_path / "a.fits", MONO)  # BZERO = 32768 by the standard
    frame = read_raw(tmp_path / "a.fits")
    assert_array_equal(frame.data, MONO)
    assert frame.data.dtype == np.uint16


def test_rgb_fits_and_axes_of_one(tmp_path):
    fits.writeto(tmp_path / "a.fits", RGB)
    assert_array_equal(read_raw(tmp_path / "a.fits").data, RGB)
    fits.writeto(tmp_path / "b.fits", MONO[None])
    assert_array_equal(read_raw(tmp_path / "b.fits").data, MONO)


def test_an_image_in_an_extension_is_found(tmp_path):
    hdus = fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(MONO)])
    hdus.writeto(tmp_path / "a.fits.fz")
    assert_array_equal(read_raw(tmp_path / "a.fits.fz").data, MONO)


def test_values_that_are_none_stay_none(tmp_path):
    data = MONO.astype(np.float32)
    data[3, 4] = np.nan
    fits.writeto(tmp_path / "a.fits", data)
    frame = read_raw(tmp_path / "a.fits")
    assert np.isnan(frame.data[3, 4])
    assert np.isfinite(frame.data).sum() == data.size - 1


def test_a_stated_saturation_is_taken(tmp_path):
    fits.writeto(tmp_path / "a.fits", MONO, fits.Header({"SATURATE": 60000}))
    assert read_raw(tmp_path / "a.fits").white == 60000


@pytest.mark.parametrize("height", [20, 21])
@pytest.mark.parametrize("shift", [(0, 0), (0, 1), (1, 0), (1, 1)])
@pytest.mark.parametrize("order", ["TOP-DOWN", "BOTTOM-UP"])
def test_mosaics_in_fits(tmp_path, height, shift, order):
    y, x = np.mgrid[:height, :30]
    tile = np.array([[0, 1], [1, 2]])
    colour = tile[(y + shift[0]) % 2, (x + shift[1]) % 2]
    header = fits.Header(
        {"BAYERPAT": "RGGB", "YBAYROFF": shift[0], "XBAYROFF": shift[1], "ROWORDER": order}
    )
    fits.writeto(tmp_path / "a.fits", (colour * 100).astype(np.uint16), header)
    frame = read_raw(tmp_path / "a.fits")
    y, x = np.mgrid[:height, :30]
    assert_array_equal(frame.data, 100 * frame.pattern[y % 2, x % 2].astype(int))
    first = frame.data[-1] if order == "BOTTOM-UP" else frame.data[0]
    assert_array_equal(first, 100 * colour[0])


@pytest.mark.parametrize("shape", [(30,), (5, 20, 30), (2, 3, 20, 30)])
def test_other_shapes_are_sentences(tmp_path, shape):
    fits.writeto(tmp_path / "a.fits", np.zeros(shape, np.float32))
    with pytest.raises(UnreadableFrame, match=r"a\.fits (has the shape|holds no image)"):
        read_raw(tmp_path / "a.fits")


def test_a_file_cut_short_is_a_sentence(tmp_path):
    path = tmp_path / "a.fits"
    fits.writeto(path, noise((200, 300)))
    path.write_bytes(path.read_bytes()[:30000])
    with pytest.raises(UnreadableFrame, match=r"a\.fits"):
        read_raw(path)
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, noise((200, 300)))
    path.write_bytes(path.read_bytes()[:30000])
    with pytest.raises(UnreadableFrame, match=r"a\.tif"):
        read_raw(path)
