"""Times and exposures from names and side files, where Exif has none."""

from datetime import datetime

import numpy as np
import pytest
import tifffile
from astropy.io import fits
from hypothesis import given
from hypothesis import strategies as st

from limbward.camera.elsewhere import from_name, side_file
from limbward.camera.exif import read_exif
from limbward.camera.sidecar import sidecar_xml
from tests.camera.files import jpeg

WHEN = datetime(2026, 8, 12, 18, 30, 45)
NAMES = {
    "20260812_183045.tif": WHEN,
    "20260812-183045.tif": WHEN,
    "20260812183045.tif": WHEN,
    "2026-08-12T18-30-45Z.tif": WHEN,
    "2026-08-12T18:30:45.fits": WHEN,
    "2026-08-12 18.30.45.jpg": WHEN,
    "2026_08_12_18_30_45.jpg": WHEN,
    "IMG_20260812_183045_123.jpg": WHEN,
    "sun-2026-08-12_18h30m45s_c.tif": WHEN,
    "PIC_20260812_183045123.jpg": WHEN.replace(microsecond=123000),
    "2026-08-12T18-30-45.25Z.fit": WHEN.replace(microsecond=250000),
}


@pytest.mark.parametrize("name", NAMES)
def test_times_in_names(name):
    told = from_name(name)
    assert told.time == NAMES[name]
    assert told.has_subsec == bool(NAMES[name].microsecond)
    assert told.offset_hours == (0.0 if "Z" in name else None)


@pytest.mark.parametrize(
    "name",
    ["IMG_0042.DNG", "20261312_183045.tif", "20260812_253045.tif", "a123456789012345678.tif",
     "2026-08-12.tif", "18000812_183045.tif", "DSC_20260812.jpg"],
)  # fmt: skip
def test_other_names_tell_no_time(name):
    assert from_name(name).time is None


@given(st.datetimes(datetime(1990, 1, 1), datetime(2099, 12, 31)), st.text(max_size=5))
def test_a_compact_time_is_found_whatever_is_before_it(when, before):
    when = when.replace(microsecond=0)
    before = "".join(c for c in before if not c.isdigit() and c != "/")
    assert from_name(f"{before}{when:%Y%m%d_%H%M%S}.jpg").time == when


@pytest.mark.parametrize(
    ("name", "exposure"),
    [
        ("corona_0.5s.tif", 0.5), ("corona 1-500s.tif", 1 / 500), ("c_1_250s_001.tif", 1 / 250),
        ("250ms.fits", 0.25), ("x_2s_a.tif", 2.0), ("frames.tif", None), ("a0s.tif", None),
        ("img5stars.jpg", None),
    ],
)  # fmt: skip
def test_exposures_in_names_need_a_unit(name, exposure):
    told = from_name(name).exposure_s
    assert told == (None if exposure is None else pytest.approx(exposure))


def test_focal_length_and_iso_in_names():
    told = from_name("totality_800mm_ISO200_0003.tif")
    assert (told.focal_length_mm, told.iso) == (800.0, 200.0)


def bare(path):
    tifffile.imwrite(path, np.zeros((4, 4, 3), np.uint16), photometric="rgb", datetime=None)
    return path


def test_what_exif_lacks_comes_from_the_name_and_is_said(tmp_path):
    exif = read_exif(bare(tmp_path / "20260812_183045_1-500s.tif"))
    assert (exif.time_camera, exif.time_source) == (WHEN, "file name")
    assert exif.exposure_s == pytest.approx(1 / 500)
    assert any("come from the file name" in note for note in exif.notes)


def test_exif_is_believed_before_the_name(tmp_path):
    exif = read_exif(jpeg(tmp_path / "20200101_000000.jpg", {0x9003: "2026:08:12 18:30:45"}))
    assert (exif.time_camera, exif.time_source) == (WHEN, "")


XMP = """<x:xmpmeta xmlns:x="adobe:ns:meta/" xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:RDF><rdf:Description rdf:about="" xmlns:exif="http://ns.adobe.com/exif/1.0/"
 exif:ExposureTime="1/500" exif:FNumber="80/10">
<exif:DateTimeOriginal>2026-08-12T18:30:45.5+02:00</exif:DateTimeOriginal>
<exif:FocalLength>600/1</exif:FocalLength>
<exif:ISOSpeedRatings><rdf:Seq><rdf:li>200</rdf:li></rdf:Seq></exif:ISOSpeedRatings>
</rdf:Description></rdf:RDF></x:xmpmeta>"""


@pytest.mark.parametrize("name", ["a.tif.xmp", "a.xmp", "a.XMP"])
def test_a_side_file_tells(tmp_path, name):
    (tmp_path / name).write_text(XMP)
    exif = read_exif(bare(tmp_path / "a.tif"))
    assert exif.time_camera == WHEN.replace(microsecond=500_000)
    assert (exif.has_subsec, exif.offset_hours, exif.time_source) == (True, 2.0, "side file")
    assert (exif.exposure_s, exif.f_number) == (pytest.approx(1 / 500), 8.0)
    assert (exif.iso, exif.focal_length_mm) == (200.0, 600.0)


def test_the_sidecars_of_a_run_come_back(tmp_path):
    (tmp_path / "a.xmp").write_text(sidecar_xml("2026-08-12T18:30:45.250Z", 0.1))
    exif = read_exif(bare(tmp_path / "a.tif"))
    assert exif.time_camera == WHEN.replace(microsecond=250_000)
    assert exif.offset_hours == 0.0


@pytest.mark.parametrize(
    "content",
    [b"", b"<x", b"\xff\xfe", XMP.replace("2026-08-12T18:30:45.5+02:00", "2026-08-12").encode(),
     b'<!DOCTYPE x [<!ENTITY a "aaaa">]>' + XMP.encode()],
)  # fmt: skip
def test_damaged_and_hostile_side_files_tell_no_time(tmp_path, content):
    (tmp_path / "a.xmp").write_bytes(content)
    told = side_file(tmp_path / "a.tif")
    assert told is None or told.time is None
    assert read_exif(bare(tmp_path / "a.tif")).time_camera is None


@pytest.mark.parametrize(
    ("cards", "time"),
    [
        ({"DATE-OBS": "2026-08-12T18:30:45"}, WHEN),
        ({"DATE-OBS": "2026-08-12", "TIME-OBS": "18:30:45"}, WHEN),
        ({"DATE-OBS": "2026-08-12"}, None),
    ],
)
def test_a_fits_date_without_a_time_of_day_is_not_midnight(tmp_path, cards, time):
    hdu = fits.PrimaryHDU(np.zeros((4, 4), np.uint16))
    hdu.header.update({**cards, "XPOSURE": 0.25})
    hdu.writeto(tmp_path / "a.fits")
    exif = read_exif(tmp_path / "a.fits")
    assert exif.time_camera == time
    assert exif.exposure_s == 0.25
