"""The boxes of HEIF files, made by hand, and the curves of their pictures.

Real files are read in tests/real_files.
"""

import contextlib
import io
import struct

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from limbward.camera.display import from_srgb
from limbward.camera.frame import UnreadableFrame
from limbward.camera.heif import HLG, PQ, light_of
from limbward.camera.heif_boxes import exif_of, layout_of, read_meta
from limbward.camera.raw import read_raw
from tests.camera.files import jpeg


def box(name, *content):
    body = b"".join(content)
    return struct.pack(">I4s", 8 + len(body), name) + body


def full(name, *content, version=0):
    return box(name, struct.pack(">I", version << 24), *content)


def meta(rows=2, columns=3, size=(1000, 700)):
    """Return the content of a meta box: item 50 is a grid of the items from 1 on."""
    tiles = range(1, rows * columns + 1)
    dimg = box(b"dimg", struct.pack(f">HH{len(tiles)}H", 50, len(tiles), *tiles))
    thumbnail = box(b"thmb", struct.pack(">HHH", 60, 1, 50))
    grid = struct.pack(">4B2H", 0, 0, rows - 1, columns - 1, *size)
    parts = [
        full(b"pitm", struct.pack(">H", 50)),
        full(b"iref", thumbnail, dimg),
        box(b"idat", grid),
    ]
    return struct.pack(">I", 0) + b"".join(parts)


def test_a_grid_is_known_by_its_tiles():
    layout = layout_of(meta())
    assert layout.items == (1, 2, 3, 4, 5, 6)
    assert (layout.rows, layout.columns, layout.height, layout.width) == (2, 3, 700, 1000)


def test_a_single_picture_is_itself():
    layout = layout_of(struct.pack(">I", 0) + full(b"pitm", struct.pack(">H", 7)))
    assert (layout.items, layout.height) == ((7,), None)


def test_a_grid_that_its_tiles_do_not_fill_is_damaged():
    content = meta().replace(struct.pack(">4B", 0, 0, 1, 2), struct.pack(">4B", 0, 0, 1, 3))
    with pytest.raises(ValueError, match="fill no grid"):
        layout_of(content)


def test_the_exif_item_is_found():
    tiff = b"MM\0*" + bytes(20)
    item = struct.pack(">I", 6) + b"Exif\0\0" + tiff
    start = 300
    infe = full(b"infe", struct.pack(">HH4s", 9, 0, b"Exif"), b"\0", version=2)
    iinf = full(b"iinf", struct.pack(">H", 1), infe)
    place = struct.pack(">HHHIHII", 9, 0, 0, 0, 1, start, len(item))
    iloc = full(b"iloc", bytes([0x44, 0x40]), struct.pack(">H", 1), place, version=1)
    whole = box(b"ftyp", b"heic") + full(b"meta", iinf, iloc)
    whole = whole.ljust(start, b"\0") + item
    found = exif_of(io.BytesIO(whole))
    assert found is not None
    assert found.read() == tiff


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_damaged_boxes_are_told_of(data):
    content = bytearray(box(b"ftyp", b"heic") + full(b"meta", meta()[4:]))
    for _ in range(data.draw(st.integers(1, 4))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    for read in (lambda s: layout_of(read_meta(s)), exif_of):
        with contextlib.suppress(ValueError, struct.error):
            read(io.BytesIO(bytes(content)))


def test_reference_white_of_the_curves():
    """ITU-R BT.2408-7, table 1: diffuse white is 58 % of PQ (203 cd/m2) and 75 % of HLG."""
    x = np.array([0.0, 0.58])
    assert light_of(PQ, x) == pytest.approx([0.0, 1.0], abs=0.02)
    # 75 % of HLG is 26.5 % of the scene light at the top (the same report, section 2.1).
    assert light_of(HLG, np.array([0.0, 0.75, 1.0])) == pytest.approx([0, 0.265, 1], abs=1e-3)
    steps = np.linspace(0, 1, 99)
    assert np.array_equal(light_of(1, steps), from_srgb(steps))
    for transfer in (1, PQ, HLG):
        assert np.all(np.diff(light_of(transfer, steps)) >= 0)


def test_what_is_no_heif_is_refused(tmp_path):
    other = jpeg(tmp_path / "a.jpg").rename(tmp_path / "a.heic")
    with pytest.raises(UnreadableFrame, match=r"cannot be decoded as HEIF .*list of pictures"):
        read_raw(other)
