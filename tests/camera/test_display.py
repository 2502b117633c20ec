"""Pictures encoded for a display are told from linear ones and taken back to light."""

import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms
from PIL.TiffImagePlugin import ImageFileDirectory_v2

from limbward.camera.display import ADOBE_GAMMA, profile_curve
from limbward.camera.raw import read_raw

EXIF = 34665
LIGHT = np.linspace(0.0, 1.0, 20 * 30 * 3).reshape(20, 30, 3)
SRGB_PROFILE = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def srgb(light):
    """IEC 61966-2-1."""
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


def tone(tag):
    """Return a profile of nothing but a green tone curve."""
    entry = b"gTRC" + (144).to_bytes(4, "big") + len(tag).to_bytes(4, "big")
    return bytes(128) + (1).to_bytes(4, "big") + entry + tag


def curv(*values):
    body = b"".join(v.to_bytes(2, "big") for v in values)
    return tone(b"curv" + bytes(4) + len(values).to_bytes(4, "big") + body)


def para(kind, *values):
    body = b"".join(round(v * 65536).to_bytes(4, "big", signed=True) for v in values)
    return tone(b"para" + bytes(4) + kind.to_bytes(2, "big") + bytes(2) + body)


def tiff(path, values, bits, *, profile=None, tags=()):
    top = 2**bits - 1
    data = np.rint(values * top).astype(np.uint8 if bits == 8 else np.uint16)
    photometric = "rgb" if data.ndim == 3 else "minisblack"
    tifffile.imwrite(path, data, photometric=photometric, iccprofile=profile, extratags=tags)
    return read_raw(path)


@pytest.mark.parametrize(
    ("bits", "profile"), [(8, None), (8, SRGB_PROFILE), (16, SRGB_PROFILE), (16, curv(563))]
)
def test_light_comes_back(tmp_path, bits, profile):
    encoded = LIGHT ** (256 / 563) if profile == curv(563) else srgb(LIGHT)
    frame = tiff(tmp_path / "a.tif", encoded, bits, profile=profile)
    assert frame.encoding
    # Half a step of 8 bits where the curve is steepest, 2.3 at white; rounding of 16 bits.
    within = {8: 0.5 / 255 * 2.3 + 2e-4, 16: 2e-4}[bits]
    got = np.moveaxis(frame.data, 0, -1) / frame.white
    assert np.abs(got - LIGHT).max() < within
    assert frame.data.max() == frame.white  # a clipped pixel is known as one


@pytest.mark.parametrize("space", [1, 2])
def test_the_colour_space_of_exif_tells(tmp_path, space):
    encoded = srgb(LIGHT) if space == 1 else LIGHT ** (1 / ADOBE_GAMMA)
    picture = Image.fromarray(np.rint(encoded * 255).astype(np.uint8))
    tags = ImageFileDirectory_v2()
    tags[EXIF] = {0xA001: space}
    picture.save(tmp_path / "a.tif", tiffinfo=tags)
    frame = read_raw(tmp_path / "a.tif")
    assert "ColorSpace" in frame.encoding
    assert np.abs(np.moveaxis(frame.data, 0, -1) / frame.white - LIGHT).max() < 5e-3


LINEAR = {
    "nothing said": {"bits": 16},
    "a straight profile": {"bits": 16, "profile": curv()},
    "a profile of gamma 1": {"bits": 16, "profile": para(0, 1.0)},
    "a white level beside the profile": {
        "bits": 16,
        "profile": SRGB_PROFILE,
        "tags": [(50717, 4, 1, 65535, True)],
    },
}


@pytest.mark.parametrize("case", LINEAR)
def test_linear_files_stay_what_they_are(tmp_path, case):
    frame = tiff(tmp_path / "a.tif", LIGHT, **LINEAR[case])
    assert frame.encoding == ""
    assert np.array_equal(np.moveaxis(frame.data, 0, -1), np.rint(LIGHT * 65535))


def test_grey_of_8_bits_is_linear_unless_it_says_otherwise(tmp_path):
    grey = LIGHT[..., 0]
    assert tiff(tmp_path / "a.tif", grey, 8).encoding == ""
    assert tiff(tmp_path / "b.tif", grey, 8, profile=SRGB_PROFILE).encoding


# ICC.1:2022, table 68: the functions as they stand there.
@pytest.mark.parametrize(
    ("profile", "expected"),
    [
        (para(0, 2.2), lambda x: x**2.2),
        (para(1, 2.0, 1.25, -0.25), lambda x: np.where(x >= 0.2, (1.25 * x - 0.25) ** 2, 0)),
        (para(2, 2.0, 1.0, -0.5, 0.25), lambda x: np.where(x >= 0.5, (x - 0.5) ** 2 + 0.25, 0.25)),
        (
            para(3, 2.0, 1.0, 0.0, 0.5, 0.5),
            lambda x: np.where(x >= 0.5, x**2, 0.5 * x),
        ),
        (
            para(4, 2.0, 0.5, 0.0, 0.25, 0.5, 0.125, 0.0625),
            lambda x: np.where(x >= 0.5, (0.5 * x) ** 2 + 0.125, 0.25 * x + 0.0625),
        ),
        (curv(0, 16384, 65535), lambda x: np.interp(x, [0, 0.5, 1], [0, 16384 / 65535, 1])),
    ],
)
def test_the_curves_of_profiles(profile, expected):
    x = np.linspace(0, 1, 101)
    assert profile_curve(profile, x) == pytest.approx(expected(x), abs=2e-4)


def test_a_profile_without_a_tone_curve_and_one_cut_short(tmp_path):
    assert profile_curve(bytes(132), np.zeros(2)) is None
    frame = tiff(tmp_path / "a.tif", srgb(LIGHT), 16, profile=SRGB_PROFILE[:100])
    assert frame.encoding
