"""Fields by CIPA DC-008-2023 (Exif 3.0); FITS keywords by the FITS Standard 4.0."""

import struct
from datetime import datetime

import numpy as np
import pytest
from astropy.io import fits
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL.TiffImagePlugin import ImageFileDirectory_v2

from limbward.camera.exif import camera_name, read_exif
from limbward.camera.raw import UnreadableFrame, read_raw
from tests.camera.files import dng, jpeg, noise, ratio

TIME, SUBSEC, OFFSET = 0x9003, 0x9291, 0x9011
MAKE, MODEL, ORIENTATION = 0x010F, 0x0110, 0x0112
EXPOSURE, F_NUMBER, ISO, FOCAL = 0x829A, 0x829D, 0x8827, 0x920A
LENS = 0xA434
NAMED = {MAKE: "Invented", MODEL: "Model One"}


def test_everything_a_raw_file_says_is_read(tmp_path):
    path = dng(
        tmp_path / "a.dng",
        noise((20, 30)),
        time_camera=datetime(2026, 8, 12, 17, 45, 30, 250000),
        subsec_digits=2,
        offset_hours=-1.5,
        orientation=6,
        gps=(64.8, -23.7, 40.0, datetime(2026, 8, 12, 17, 44, 1, 500000)),
        lens="Invented 600 mm f/8",
    )
    exif = read_exif(path)
    assert exif.camera == "Invented Model One"
    assert exif.lens == "Invented 600 mm f/8"
    assert exif.serial == "SN42"
    assert exif.time_camera == datetime(2026, 8, 12, 17, 45, 30, 250000)
    assert exif.has_subsec
    assert exif.offset_hours == -1.5
    assert exif.gps_utc == datetime(2026, 8, 12, 17, 44, 1, 500000)
    assert exif.exposure_s == pytest.approx(1 / 500, rel=1e-12)
    assert (exif.iso, exif.f_number, exif.focal_length_mm) == (200, 8.0, 600.0)
    assert exif.pixel_pitch_um == pytest.approx(3.76, abs=1e-3)
    assert exif.orientation == 6
    assert exif.notes == exif.camera_notes == ()


def test_the_lens_is_named(tmp_path):
    path = jpeg(tmp_path / "a.jpg", {LENS: "Invented T 400mm f/5.6 "}, NAMED)
    assert read_exif(path).lens == "Invented T 400mm f/5.6"
    assert read_exif(jpeg(tmp_path / "b.jpg", image=NAMED)).lens == ""


@pytest.mark.parametrize(("digits", "seconds"), [("5", 0.5), ("05", 0.05), ("123", 0.123)])
def test_subseconds_are_decimals_not_a_count(tmp_path, digits, seconds):
    # DC-008: the digits follow the decimal point.
    exif = read_exif(jpeg(tmp_path / "a.jpg", {TIME: "2026:08:12 17:45:30", SUBSEC: digits}, NAMED))
    assert exif.has_subsec
    assert exif.time_camera.microsecond == round(seconds * 1e6)


@pytest.mark.parametrize("digits", ["   ", "", "x1"])
def test_blank_subseconds_are_none(tmp_path, digits):
    exif = read_exif(jpeg(tmp_path / "a.jpg", {TIME: "2026:08:12 17:45:30", SUBSEC: digits}, NAMED))
    assert not exif.has_subsec
    assert exif.time_camera == datetime(2026, 8, 12, 17, 45, 30)


@pytest.mark.parametrize(
    "text",
    [
        "0000:00:00 00:00:00",
        "    :  :     :  :  ",  # unknown, by DC-008
        "2026:13:40 99:99:99",
        "1904:01:01 00:00:00",
        "yesterday",
        "",
    ],
)
def test_a_date_that_is_none_is_not_made_up(tmp_path, text):
    exif = read_exif(jpeg(tmp_path / "a.jpg", {TIME: text}, NAMED))
    assert exif.time_camera is None
    assert exif.notes


def test_the_time_of_digitising_stands_in_with_a_note(tmp_path):
    exif = read_exif(jpeg(tmp_path / "a.jpg", {0x9004: "2026:08:12 17:45:30"}, NAMED))
    assert exif.time_camera == datetime(2026, 8, 12, 17, 45, 30)
    assert any("DateTimeDigitized" in note for note in exif.notes)


@pytest.mark.parametrize(
    ("text", "hours"),
    [("+05:30", 5.5), ("-03:30", -3.5), ("+00:00", 0.0), ("   :  ", None), ("+99:00", None)],
)
def test_zones(tmp_path, text, hours):
    exif = read_exif(jpeg(tmp_path / "a.jpg", {OFFSET: text}, NAMED))
    assert exif.offset_hours == hours


def test_exposures_that_are_none_are_not_made_up(tmp_path):
    exif = read_exif(
        jpeg(
            tmp_path / "a.jpg",
            {EXPOSURE: ratio(1, 0), F_NUMBER: ratio(0, 0), FOCAL: ratio(0, 1), ISO: 0},
            NAMED,
        )
    )
    assert exif.exposure_s is None
    assert exif.f_number is None
    assert exif.focal_length_mm is None
    assert exif.iso is None
    assert any("exposure" in note for note in exif.notes)


def test_apex_values_stand_in(tmp_path):
    # DC-008 annex C: Tv = -log2(t), Av = 2 log2(N).
    exif = read_exif(jpeg(tmp_path / "a.jpg", {0x9201: ratio(9, 1), 0x9202: ratio(6, 1)}, NAMED))
    assert exif.exposure_s == 1 / 512
    assert exif.f_number == 8.0
    assert any("rounded" in note for note in exif.notes)


def test_an_iso_beyond_sixteen_bits_is_taken_from_where_it_fits(tmp_path):
    exif = read_exif(jpeg(tmp_path / "a.jpg", {ISO: 65535, 0x8832: 102400}, NAMED))
    assert exif.iso == 102400


@pytest.mark.parametrize(
    ("resolution", "unit", "pitch"),
    [
        (ratio(25400, 4), 2, 4.0),
        (ratio(2000, 1), 3, 5.0),
        (ratio(200, 1), 4, 5.0),
        (ratio(25400, 4), None, 4.0),  # the default unit is the inch
        (ratio(72, 1), 2, None),  # a screen's resolution, not a sensor's
        (ratio(1, 0), 2, None),
    ],
)
def test_pixel_pitch(tmp_path, resolution, unit, pitch):
    tags = {0xA20E: resolution} | ({} if unit is None else {0xA210: unit})
    exif = read_exif(jpeg(tmp_path / "a.jpg", tags, NAMED))
    assert exif.pixel_pitch_um == (None if pitch is None else pytest.approx(pitch))


def test_what_is_of_the_camera_is_not_said_of_the_frame(tmp_path):
    exif = read_exif(jpeg(tmp_path / "a.jpg", {0xA20E: ratio(72, 1), 0xA210: 2}, NAMED))
    assert len(exif.camera_notes) == 1
    assert "pixel pitch of 353 µm" in exif.camera_notes[0]  # 25400 um / 72
    assert not any("pitch" in note for note in exif.notes)


def test_gps_stamps_are_rationals_and_may_be_incomplete(tmp_path):
    clock = (ratio(17, 1), ratio(44, 1), ratio(1251, 100))
    whole = read_exif(jpeg(tmp_path / "a.jpg", {}, NAMED, {7: clock, 29: "2026:08:12"}))
    assert whole.gps_utc == datetime(2026, 8, 12, 17, 44, 12, 510000)
    dateless = read_exif(jpeg(tmp_path / "b.jpg", {}, NAMED, {7: clock}))
    assert dateless.gps_utc is None
    assert any("GPS" in note for note in dateless.notes)


@pytest.mark.parametrize(
    ("sides", "expected"),
    [("NW", (64.8125, -23.75)), ("SE", (-64.8125, 23.75)), ("N?", None)],
)
def test_a_gps_place_is_in_degrees_minutes_and_seconds(tmp_path, sides, expected):
    # DC-008 4.6.6: 64 deg 48 min 45 s and 23 deg 45.0 min, as receivers of both habits write.
    latitude = (ratio(64, 1), ratio(48, 1), ratio(45, 1))
    longitude = (ratio(23, 1), ratio(4500, 100), ratio(0, 1))
    gps = {1: sides[0], 2: latitude, 3: sides[1], 4: longitude}
    exif = read_exif(jpeg(tmp_path / "a.jpg", {}, NAMED, gps))
    assert exif.gps_place == (None if expected is None else pytest.approx(expected))


def test_a_gps_place_off_the_globe_or_of_zeros_is_none(tmp_path):
    zero, far = (ratio(0, 1),) * 3, (ratio(95, 1), ratio(0, 1), ratio(0, 1))
    nowhere = read_exif(jpeg(tmp_path / "a.jpg", {}, NAMED, {1: "N", 2: zero, 3: "E", 4: zero}))
    assert nowhere.gps_place is None
    unreal = read_exif(jpeg(tmp_path / "b.jpg", {}, NAMED, {1: "N", 2: far, 3: "E", 4: far}))
    assert unreal.gps_place is None
    assert any("latitude of 95 degrees" in note for note in unreal.notes)


@pytest.mark.parametrize(
    ("make", "model", "name"),
    [
        ("Invented", "Model One", "Invented Model One"),
        ("INVENTED CORPORATION", "Invented One", "Invented One"),
        ("", "One", "One"),
        ("Invented", "", "Invented"),
    ],
)
def test_the_make_is_not_doubled(make, model, name):
    assert camera_name(make, model) == name


def test_a_file_without_exif_says_so(tmp_path):
    path = jpeg(tmp_path / "a.jpg")
    exif = read_exif(path)
    assert exif.time_camera is None
    assert exif.notes == ("The file has no Exif block that ExifRead understands.",)


@pytest.mark.parametrize("suffix", [".dng", ".jpg", ".tif", ".fits", ".cr3"])
@pytest.mark.parametrize("content", [b"", b"II*\0", b"\xff\xd8\xff\xe1", bytes(range(256)) * 4])
def test_damaged_files_give_a_note_and_no_exception(tmp_path, suffix, content):
    path = tmp_path / f"a{suffix}"
    path.write_bytes(content)
    exif = read_exif(path)
    assert exif.exposure_s is None
    assert exif.notes


@given(st.integers(0, 3000), st.binary(min_size=1, max_size=40))
@settings(deadline=None)
def test_any_damage_to_a_file_gives_values_that_can_be_true(tmp_path_factory, place, damage):
    folder = tmp_path_factory.mktemp("damaged")
    path = dng(folder / "a.dng", noise((20, 30)), subsec_digits=2)
    content = bytearray(path.read_bytes())
    content[place : place + len(damage)] = damage
    path.write_bytes(content)
    exif = read_exif(path, decode=False)
    assert exif.exposure_s is None or 0 < exif.exposure_s < 1e5
    assert exif.f_number is None or exif.f_number > 0
    assert exif.time_camera is None or 1990 <= exif.time_camera.year < 2101


def tiff_block(tags: dict) -> bytes:
    directory = ImageFileDirectory_v2(b"II*\x00\x08\x00\x00\x00")
    for tag, value in tags.items():
        directory[tag] = value
    return b"II*\x00\x08\x00\x00\x00" + directory.tobytes(8)


def box(name: bytes, content: bytes) -> bytes:
    return struct.pack(">I4s", 8 + len(content), name) + content


def test_exif_in_the_boxes_of_iso_media_is_found(tmp_path):
    # ISO/IEC 14496-12 boxes: a size, a name, the content; a uuid box has 16 bytes of its own.
    blocks = (
        box(b"CMT1", tiff_block({MAKE: "Invented", MODEL: "Model Three"}))
        + box(b"CMT2", tiff_block({TIME: "2026:08:12 17:45:30", SUBSEC: "25", 0xA431: "N7"}))
        + box(b"CMT4", tiff_block({7: (ratio(17, 1), ratio(44, 1), ratio(2, 1)), 29: "2026:08:12"}))
    )
    content = box(b"ftyp", b"test0000") + box(b"moov", box(b"uuid", bytes(16) + blocks))
    path = tmp_path / "a.cr3"
    path.write_bytes(content + box(b"mdat", bytes(100)))
    exif = read_exif(path)
    assert exif.camera == "Invented Model Three"
    assert exif.serial == "N7"
    assert exif.time_camera == datetime(2026, 8, 12, 17, 45, 30, 250000)
    assert exif.gps_utc == datetime(2026, 8, 12, 17, 44, 2)


def test_exif_of_a_wrapped_jpeg_is_found(tmp_path):
    inner = jpeg(tmp_path / "a.jpg", {TIME: "2026:08:12 17:45:30"}, NAMED).read_bytes()
    header = b"FUJIFILMCCD-RAW ".ljust(84, b"\0") + struct.pack(">II", 160, len(inner))
    path = tmp_path / "a.raf"
    path.write_bytes(header.ljust(160, b"\0") + inner)
    assert read_exif(path).time_camera == datetime(2026, 8, 12, 17, 45, 30)


def fits_file(path, **cards):
    hdu = fits.PrimaryHDU(np.zeros((4, 5), np.float32))
    for name, value in cards.items():
        hdu.header[name.replace("_", "-")] = value
    hdu.writeto(path)
    return path


def test_fits_headers(tmp_path):
    path = fits_file(
        tmp_path / "a.fits",
        DATE_OBS="2026-08-12T17:45:30.125",
        EXPTIME=0.5,
        GAIN=100,
        INSTRUME="Invented Cam",
        XPIXSZ=3.76,
        FOCALLEN=800.0,
    )
    exif = read_exif(path)
    assert exif.camera == "Invented Cam"
    assert exif.time_camera == datetime(2026, 8, 12, 17, 45, 30, 125000)
    assert exif.has_subsec
    assert exif.offset_hours == 0.0  # FITS 4.0, section 9.2.1: UTC unless TIMESYS says otherwise
    assert (exif.exposure_s, exif.iso, exif.focal_length_mm) == (0.5, 100, 800.0)
    assert exif.pixel_pitch_um == 3.76
    assert any("GAIN" in note for note in exif.notes)


def test_fits_headers_that_say_nothing_or_nonsense(tmp_path):
    empty = read_exif(fits_file(tmp_path / "a.fits"))
    assert empty.time_camera is None
    assert empty.exposure_s is None
    assert len(empty.notes) == 2
    odd = read_exif(fits_file(tmp_path / "b.fits", DATE_OBS="12/08/26", EXPTIME=-1.0, TIMESYS="TT"))
    assert odd.time_camera is None
    assert odd.exposure_s is None
    assert odd.offset_hours is None


def test_a_file_that_cannot_be_opened_is_an_error(tmp_path):
    with pytest.raises(FileNotFoundError):
        read_exif(tmp_path / "missing.dng")


@pytest.mark.parametrize("twice", [False, True])
@pytest.mark.parametrize("axes", [2**63, 60000, -1, 1000])
def test_axes_beyond_the_standard_are_not_counted(tmp_path, axes, twice):
    # FITS Standard 4.0, section 4.4.1.1: NAXIS is at most 999.
    path = fits_file(tmp_path / "a.fits", EXPTIME=0.5)
    right = b"NAXIS   =" + b"2".rjust(21)
    content = path.read_bytes()
    assert right in content
    wrong = b"NAXIS   =" + str(axes).encode().rjust(21)
    if twice:
        right = b"EXPTIME =" + b"0.5".rjust(21)
        assert right in content
    path.write_bytes(content.replace(right, wrong))
    assert "NAXIS" in read_exif(path).notes[0]
    with pytest.raises(UnreadableFrame, match="NAXIS"):
        read_raw(path)
