"""Photographs of real cameras: what is read of them, against other readers and invariants.

`python -m tests.real_files.fetch` gets them out of source packages; without them there is nothing
to test. Headers are compared with what Pillow and LibRaw read by code of their own.
"""

from __future__ import annotations

import math
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
import rawpy
import tifffile
from PIL import Image

from limbward.camera.card import IMAGE_KINDS, kind_of
from limbward.camera.dng import check_dng, raw_page
from limbward.camera.exif import read_exif
from limbward.camera.opcodes import LIST_2, POLYNOMIAL, read_list
from limbward.camera.raw import read_raw
from limbward.camera.shot import PLAUSIBLE_YEARS
from limbward.errors import UnreadableFile
from tests.real_files.fetch import SOURCES, place

HUGE = 50_000_000  # pixels of three colours, which take a gigabyte to decode
FETCH = "run `python -m tests.real_files.fetch` to get them"
MAKERS, COLOUR_RAW, DAMAGED, DNGS = (place(source) for source in SOURCES[:4])


def files(root: Path, *kinds: str) -> list:
    found = sorted(p for p in root.glob("*") if kind_of(p.name) in kinds)
    if not found:
        why = f"no files of {root.name}: {FETCH}"
        return [pytest.param(None, marks=pytest.mark.skip(reason=why), id=root.name)]
    return [pytest.param(p, id=p.name) for p in found]


def sane(frame) -> None:
    """Whatever camera it is from, numbers lie between black and white, and most above black."""
    assert frame.data.ndim in (2, 3)
    assert min(frame.data.shape[-2:]) > 0
    black = float(np.max(frame.black))
    assert 0 <= float(np.min(frame.black)) <= black < frame.white <= 65535
    part = frame.data[..., ::3, ::3].astype(np.float64)
    assert np.isfinite(part).all()
    assert np.median(part) >= float(np.min(frame.black)) - 1
    assert np.mean(part > 1.02 * frame.white) < 0.01
    assert np.all(frame.daylight > 0)
    assert np.linalg.det(frame.to_srgb) > 0


@pytest.mark.parametrize("path", files(MAKERS, "jpeg"))
def test_headers_of_forty_makers_are_read_as_pillow_reads_them(path):
    ours = read_exif(path)
    with Image.open(path) as image:
        exif = image.getexif()
        inner = exif.get_ifd(0x8769)
    model = str(exif.get(0x0110, "")).strip("\0 ")
    if model:
        assert " ".join(model.split()) in ours.camera
    said = str(inner.get(0x9003, "")).strip("\0 ")
    try:
        when = datetime.strptime(said, "%Y:%m:%d %H:%M:%S")
    except ValueError:
        when = None
    if when is not None and PLAUSIBLE_YEARS[0] <= when.year:
        assert ours.time_camera is not None
        assert ours.time_camera.replace(microsecond=0) == when
    exposure = inner.get(0x829A)
    if exposure is not None and math.isfinite(float(exposure)) and float(exposure) > 0:
        assert ours.exposure_s == pytest.approx(float(exposure), rel=1e-6)


def test_most_makers_have_a_time_and_an_exposure():
    """The files are of 1999 and later: a camera without them would be the exception."""
    paths = [p for p in MAKERS.glob("*.jpg") if read_exif(p).camera]
    if not paths:
        pytest.skip(f"no files of {MAKERS.name}: {FETCH}")
    told = [read_exif(p) for p in paths]
    assert len(told) >= 30
    assert sum(e.time_camera is not None for e in told) >= 0.9 * len(told)
    assert sum(e.exposure_s is not None for e in told) >= 0.9 * len(told)


@pytest.mark.parametrize("root", [MAKERS, DAMAGED], ids=lambda p: p.name)
def test_pruned_and_malicious_files_are_read_or_refused_with_a_sentence(root):
    """They are cut to a few kilobytes, or made to break a reader."""
    paths = [p for p in sorted(root.glob("*")) if kind_of(p.name) in IMAGE_KINDS]
    if not paths:
        pytest.skip(f"no files of {root.name}: {FETCH}")
    decoded, refused = 0, []
    for path in paths:
        exif = read_exif(path)
        assert all(text.isprintable() for text in (exif.camera, exif.serial, *exif.notes))
        try:
            frame = read_raw(path)
        except UnreadableFile as error:
            refused.append((path.name, str(error)))
            continue
        sane(frame)
        decoded += 1
    assert all(name in said and len(said.split()) > 4 for name, said in refused)
    assert decoded >= 20


@pytest.mark.parametrize("path", files(COLOUR_RAW, "raw"))
def test_a_whole_raw_file_of_a_camera(path):
    ours, frame = read_exif(path), read_raw(path)
    sane(frame)
    with rawpy.imread(str(path)) as raw:
        sizes, other = raw.sizes, raw.other
    assert frame.data.shape == (sizes.height, sizes.width)
    assert sorted(frame.pattern.ravel().tolist()) == [0, 1, 1, 2]
    assert ours.camera
    assert ours.serial
    assert ours.time_camera == other.timestamp.replace(tzinfo=None)
    assert ours.exposure_s == pytest.approx(other.shutter_speed, rel=1e-3)
    assert ours.iso == other.iso_speed
    assert ours.f_number == pytest.approx(other.aperture, rel=1e-2)
    assert ours.focal_length_mm == pytest.approx(other.focal_length, rel=1e-3)
    # Its converter has 12 bits, and the black stands well below the middle of the range.
    assert frame.white <= 4095
    assert frame.black.max() < 0.1 * frame.white


@pytest.mark.parametrize("path", files(DNGS, "raw"))
def test_dngs_of_version_1_7(path):
    with tifffile.TiffFile(path) as tiff:
        page = raw_page(tiff)
        shape, colours = page.shape[:2], int(page.samplesperpixel)
        lists = page.tags.valueof(LIST_2)
    jpeg_xl = check_dng(path)
    if shape[0] * shape[1] * colours > 3 * HUGE:
        pytest.skip("it takes a gigabyte to decode")
    if jpeg_xl:
        pytest.importorskip("imagecodecs")
    frame = read_raw(path)
    assert frame.data.ndim == (2 if colours == 1 else 3)
    sane(frame)
    assert frame.data.std() > 0 or path.name[:2] in ("04", "05", "06", "07", "08", "09", "10", "11")
    if lists is None or POLYNOMIAL not in [op.code for op in read_list(lists)]:
        return
    # The polynomials rise steeply: stored evenly for the eye, the values become those of light.
    with rawpy.imread(str(path)) as raw:
        stored = raw.raw_image_visible[::9, ::9, 1].astype(float) / frame.white
    light = frame.data[1, ::9, ::9] / frame.white
    assert np.median(light[stored < 0.95]) < 0.3 * np.median(stored[stored < 0.95])
    order = np.argsort(stored, axis=None)
    assert np.all(np.diff(light.ravel()[order]) >= -1e-6)


def test_heif_of_cameras_and_telephones():
    """Single pictures and grids of tiles, of 8 and of 10 bits, with Exif."""
    paths = [p for p in sorted(DAMAGED.glob("*")) if kind_of(p.name) == "heif"]
    if not paths:
        pytest.skip(f"no files of {DAMAGED.name}: {FETCH}")
    told = [read_exif(path) for path in paths]
    assert sum(bool(e.camera and e.time_camera and e.exposure_s) for e in told) >= 5
    shapes = set()
    for path in paths:
        try:
            frame = read_raw(path)
        except UnreadableFile:
            continue
        sane(frame)
        assert frame.encoding
        shapes.add(frame.data.shape)
        if frame.data.shape[1] > 2000:  # tiles: in another order they would not fit
            green = frame.data[1, ::1, 100:3000:7].astype(np.float64)
            steps = np.abs(np.diff(green, axis=0)).mean(axis=1)
            apart = np.abs(green[512:] - green[:-512]).mean()  # rows of other tiles
            assert steps[511::512].max() < 0.2 * apart
    assert len(shapes) >= 4
