"""FITS frames of astronomical cameras, mono and mosaics, with the cards in common use."""

from datetime import datetime

import numpy as np
import pytest
from astropy.io import fits

from limbward.camera.bands import band_of, is_narrow, line_camera
from limbward.camera.exif import read_exif
from limbward.camera.luminance import green_plane
from limbward.camera.raw import read_raw
from tests.apart import files
from tests.apart.sensor import Sensor

TAGS = files.Tags(
    "Meridian", "P1", None, "2026:08:12 17:45:01", "250", None, 0.004, 120, 8.0, 800.0
)
SENSOR = Sensor(1, (24, 32), black=(512, 512, 512, 512))


@pytest.fixture
def numbers():
    return np.random.default_rng(1).integers(600, 9000, (24, 32)).astype(np.uint16)


@pytest.mark.parametrize("mosaic", [False, True])
def test_the_numbers_are_those_of_the_sensor(tmp_path, numbers, mosaic):
    path = tmp_path / "a.fits"
    files.sensor_fits(path, numbers, SENSOR, TAGS, mosaic=mosaic)
    frame = read_raw(path)
    assert np.array_equal(frame.data, numbers)
    assert (frame.is_mosaic, frame.white) == (mosaic, SENSOR.white)
    assert set(frame.black.ravel()) == {512.0}  # by PEDESTAL
    if not mosaic:
        plane = green_plane(frame)
        assert np.array_equal(plane.image, numbers.astype(np.float32) - 512.0)
        assert (plane.scale, plane.origin) == (1.0, (0.0, 0.0))


def test_the_cards_say_when_how_long_and_through_what(tmp_path, numbers):
    path = tmp_path / "a.fits"
    files.sensor_fits(path, numbers, SENSOR, TAGS, mosaic=False)
    with fits.open(path, "update") as hdus:
        hdus[0].header["FILTER"] = "H Alpha"
    exif = read_exif(path)
    assert exif.time_camera == datetime(2026, 8, 12, 17, 45, 1, 250000)
    assert (exif.offset_hours, exif.has_subsec) == (0.0, True)
    assert (exif.exposure_s, exif.focal_length_mm) == (0.004, 800.0)
    assert exif.pixel_pitch_um == 1125.0 or exif.pixel_pitch_um is None  # 36 mm over 32 pixels
    assert exif.camera == "Meridian P1"
    assert exif.band == "h-alpha"


@pytest.mark.parametrize(("stated", "black"), [(-300, 300.0), (300, 300.0), (0, 0.0), (40000, 0.0)])
def test_a_pedestal_counts_whatever_its_sign_unless_it_cannot_be_one(
    tmp_path, numbers, stated, black
):
    path = tmp_path / "a.fits"
    header = fits.Header([("PEDESTAL", stated)])
    fits.PrimaryHDU(numbers, header).writeto(path)
    assert read_raw(path).black.ravel()[0] == black


@pytest.mark.parametrize(
    ("text", "band", "narrow"),
    [
        ("Ha", "h-alpha", True),
        ("H-alpha 0.5A", "h-alpha 0.5a", True),
        ("656 nm", "h-alpha", True),
        ("Ca K", "ca k", True),
        ("L", "white", False),
        ("", "", False),
        ("Green", "green", False),
        ("Fe XIV 530.3 nm", "fe xiv 530.3 nm", True),
    ],
)
def test_bands_have_one_name(text, band, narrow):
    assert (band_of(text), is_narrow(band_of(text))) == (band, narrow)


def words(*given):
    return np.array(given, dtype=object)


def test_the_camera_of_a_line_is_that_of_most_frames_in_it():
    band = words("h-alpha", "h-alpha", "", "white", "ca k")
    camera = words("Aurelia", "Borealis", "Cirrus", "Cirrus", "Borealis")
    serial = words("1", "2", "3", "3", "2")
    assert line_camera(band, camera, serial) == "Borealis"
    nameless = words("", "", "", "", "")
    assert line_camera(band, nameless, words("7", "7", "3", "3", "7")) == "7"
    assert line_camera(band, nameless, nameless) is None
    with pytest.raises(LookupError):
        line_camera(band[2:4], camera[2:4], serial[2:4])
