import io
from datetime import datetime

import exifread
import numpy as np
import pytest
import rawpy
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st

from limbward.simulate.dng import ExposureTags, RawLayout, dng_bytes
from limbward.simulate.instrument import CFA, Instrument

TAGS = ExposureTags(
    make="Aurelia",
    model="Aurelia L8",
    serial="AL8-004417",
    time_camera=datetime(2026, 8, 12, 20, 44, 53, 471300),
    exposure_s=1 / 500,
    f_number=8.0,
    focal_length_mm=800.0,
    iso=100,
    pixel_pitch_um=14.7,
    subsec_digits=2,
    offset_hours=-3.5,
    orientation=6,
    gps=(-33.455, 151.2, 12.0, datetime(2026, 8, 12, 17, 44, 53)),
)


def mosaic(shape=(60, 84), seed=1):
    return np.random.default_rng(seed).integers(0, 16383, shape).astype(np.uint16)


def layout(cfa="RGGB", margins=(0, 0, 0, 0)):
    return RawLayout(
        pattern=np.array(CFA[cfa]),
        black=np.array([[511.0, 513.0], [512.0, 514.0]]),
        white=16200,
        colour_matrix=Instrument().layout.colour_matrix,
        neutral=np.array([0.5, 1.0, 0.7]),
        margins=margins,
    )


@pytest.mark.parametrize("cfa", sorted(CFA))
@pytest.mark.parametrize("margins", [(0, 0, 0, 0), (4, 6, 2, 8), (2, 0, 3, 1)])
def test_libraw_decodes_exactly_what_was_written(cfa, margins):
    data, how = mosaic(), layout(cfa, margins)
    top, left, bottom, right = margins
    with rawpy.imread(io.BytesIO(dng_bytes(data, how, TAGS))) as raw:
        visible = data[top : 60 - bottom, left : 84 - right]
        assert np.array_equal(raw.raw_image_visible, visible)
        colour = np.where(raw.raw_colors_visible == 3, 1, raw.raw_colors_visible)
        assert np.array_equal(colour[:2, :2], how.pattern)
        assert raw.white_level == 16200
        for i in range(2):
            for j in range(2):
                index = raw.raw_colors_visible[i, j]
                assert raw.black_level_per_channel[index] == how.black[i, j]
        balance = np.array(raw.camera_whitebalance[:3])
        assert balance / balance[1] == pytest.approx([2.0, 1.0, 1 / 0.7], rel=1e-3)


def test_six_by_six_mosaic_keeps_its_pattern():
    pattern = np.array(
        [
            [1, 0, 2, 1, 2, 0],
            [2, 1, 1, 0, 1, 1],
            [0, 1, 1, 2, 1, 1],
            [1, 2, 0, 1, 0, 2],
            [0, 1, 1, 2, 1, 1],
            [2, 1, 1, 0, 1, 1],
        ]
    )
    how = RawLayout(
        pattern, np.full((6, 6), 500.0), 16200, layout().colour_matrix, layout().neutral
    )
    with rawpy.imread(io.BytesIO(dng_bytes(mosaic(), how, TAGS))) as raw:
        assert np.array_equal(raw.raw_pattern, pattern)
        assert np.array_equal(raw.raw_image_visible, mosaic())


def test_exifread_reads_every_tag():
    tags = exifread.process_file(io.BytesIO(dng_bytes(mosaic(), layout(), TAGS)), details=True)
    text = {name: str(value) for name, value in tags.items()}
    assert text["Image Make"] == "Aurelia"
    assert text["Image Model"] == "Aurelia L8"
    assert text["EXIF BodySerialNumber"] == "AL8-004417"
    assert text["EXIF DateTimeOriginal"] == "2026:08:12 20:44:53"
    assert text["EXIF SubSecTimeOriginal"] == "47"
    assert text["EXIF OffsetTimeOriginal"] == "-03:30"
    assert text["EXIF ExposureTime"] == "1/500"
    assert text["EXIF FNumber"] == "8"
    assert text["EXIF ISOSpeedRatings"] == "100"
    assert text["EXIF FocalLength"] == "800"
    assert text["EXIF ExifVersion"] == "0232"
    resolution = tags["EXIF FocalPlaneXResolution"].values[0]
    assert float(resolution) == pytest.approx(1e4 / 14.7, rel=1e-5)
    assert tags["Image Orientation"].values == [6]
    assert [float(v) for v in tags["GPS GPSLatitude"].values] == [33, 27, 18]
    assert text["GPS GPSLatitudeRef"] == "S"
    assert text["GPS GPSLongitudeRef"] == "E"
    assert [float(v) for v in tags["GPS GPSTimeStamp"].values] == [17, 44, 53]
    assert text["GPS GPSDate"] == "2026:08:12"


def test_optional_tags_stay_out():
    bare = ExposureTags(
        "Aurelia", "L8", "1", datetime(2026, 8, 12), 2.0, 8.0, 800.0, 100, pixel_pitch_um=6.0
    )
    tags = exifread.process_file(io.BytesIO(dng_bytes(mosaic(), layout(), bare)))
    assert not [name for name in tags if "SubSec" in name or "Offset" in name[5:10]]
    assert not [name for name in tags if name.startswith("GPS")]
    assert float(tags["EXIF ExposureTime"].values[0]) == 2.0


def test_tifffile_opens_it():
    with tifffile.TiffFile(io.BytesIO(dng_bytes(mosaic(), layout(), TAGS))) as tif:
        page = tif.pages[0]
        assert page.photometric == tifffile.PHOTOMETRIC.CFA
        assert np.array_equal(page.asarray(), mosaic())
        assert page.tags["DNGVersion"].value == bytes((1, 4, 0, 0))


def test_same_arguments_same_bytes():
    assert dng_bytes(mosaic(), layout(), TAGS) == dng_bytes(mosaic(), layout(), TAGS)


@settings(max_examples=40, deadline=None)
@given(latitude=st.floats(-90, 90), longitude=st.floats(-180, 180))
def test_position_survives_within_a_tenth_of_an_arcsecond(latitude, longitude):
    tags = ExposureTags(**{**TAGS.__dict__, "gps": (latitude, longitude, 0.0, TAGS.time_camera)})
    read = exifread.process_file(io.BytesIO(dng_bytes(mosaic((8, 8)), layout(), tags)))
    for name, value, negative in (("Latitude", latitude, "S"), ("Longitude", longitude, "W")):
        d, m, s = (float(v) for v in read[f"GPS GPS{name}"].values)
        sign = -1 if str(read[f"GPS GPS{name}Ref"]) == negative else 1
        assert m < 60
        assert s < 60
        assert sign * (d + m / 60 + s / 3600) == pytest.approx(value, abs=0.06 / 3600)
