"""Corrections that a DNG lists: what they make of pixels, against the formulas of its chapter 7.

Digital Negative Specification 1.7.1 (2023). Expected values are computed pixel by pixel.
"""

import struct

import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st

from limbward.camera.frame import UnreadableFrame
from limbward.camera.opcodes import LIST_1, LIST_2, LIST_3, Window, corrected
from limbward.camera.raw import read_raw
from tests.camera.files import frame

BLACK, WHITE = 512.0, 16000.0
SHAPE = (12, 16)
WHOLE = Window(0, 0, *SHAPE)


def oplist(*ops, optional=False):
    body = struct.pack(">I", len(ops))
    for code, content in ops:
        body += struct.pack(">4I", code, 0x01030000, int(optional), len(content)) + content
    return body


def area(top=0, left=0, bottom=SHAPE[0], right=SHAPE[1], plane=0, planes=1, pitch=(1, 1)):
    return struct.pack(">8I", top, left, bottom, right, plane, planes, *pitch)


def polynomial(*factors, **where):
    return 8, area(**where) + struct.pack(f">I{len(factors)}d", len(factors) - 1, *factors)


def by_line(code, values, **where):
    return code, area(**where) + struct.pack(f">I{len(values)}f", len(values), *values)


def mosaic(seed=0):
    data = np.random.default_rng(seed).integers(600, 15000, SHAPE).astype(np.uint16)
    return frame(data, black=BLACK, white=WHITE)


def of(raw, content, tag=LIST_2, active=WHOLE):
    return corrected("a.dng", raw, {tag: content}, WHOLE, active)


def share(values):
    """Return values of list 2: between black and white, 0 to 1."""
    return (np.asarray(values, float) - BLACK) / (WHITE - BLACK)


def test_a_polynomial_is_of_the_part_of_the_range():
    raw = mosaic()
    got = share(of(raw, oplist(polynomial(0.01, 0.2, 0.0, 0.7))).data)
    x = share(raw.data)
    assert got == pytest.approx(0.01 + 0.2 * x + 0.7 * x**3, abs=1e-6)


def test_an_area_with_a_pitch_leaves_the_other_pixels():
    raw = mosaic()
    part = {"top": 3, "left": 2, "bottom": 9, "right": 15, "pitch": (2, 3)}
    got = of(raw, oplist(polynomial(0.0, 0.5, **part))).data
    hit = np.zeros(SHAPE, bool)
    for y in range(3, 9, 2):
        for x in range(2, 15, 3):
            hit[y, x] = True
    assert share(got[hit]) == pytest.approx(0.5 * share(raw.data[hit]), abs=1e-6)
    assert np.array_equal(got[~hit], raw.data[~hit])


@settings(max_examples=40, deadline=None)
@given(st.integers(-5, 8), st.integers(-6, 9), st.integers(1, 4), st.integers(1, 4))
def test_a_list_counts_from_the_corner_of_its_own_picture(top, left, down, across):
    raw = mosaic()
    where = Window(top, left, 30, 40)
    part = {"top": 1, "left": 2, "bottom": 11, "right": 13, "pitch": (down, across)}
    got = of(raw, oplist(polynomial(0.0, 0.5, **part)), active=where).data
    for y in range(SHAPE[0]):
        for x in range(SHAPE[1]):
            row, column = y + top, x + left
            inside = 1 <= row < 11 and 2 <= column < 13
            hit = inside and (row - 1) % down == 0 and (column - 2) % across == 0
            assert (got[y, x] != raw.data[y, x]) == hit


@pytest.mark.parametrize(
    ("code", "axis", "scales"), [(10, 0, False), (11, 1, False), (12, 0, True), (13, 1, True)]
)
def test_rows_and_columns(code, axis, scales):
    raw = mosaic()
    each = np.linspace(0.5, 1.5, SHAPE[axis]) if scales else np.linspace(-0.01, 0.01, SHAPE[axis])
    got = share(of(raw, oplist(by_line(code, each))).data)
    line = each[:, None] if axis == 0 else each[None, :]
    expected = share(raw.data) * line if scales else share(raw.data) + line
    assert got == pytest.approx(expected, abs=1e-6)


def test_a_table_of_list_1_is_of_the_stored_numbers():
    raw = mosaic()
    table = np.minimum(np.arange(65536) // 2 + 300, 65535)
    content = area() + struct.pack(">I65536H", 65536, *table.tolist())
    got = of(raw, oplist((7, content)), LIST_1).data
    assert got == pytest.approx(table[raw.data], abs=0.51)


def test_a_map_of_gains_is_read_between_its_points():
    raw = mosaic()
    gains = np.array([[1.0, 2.0, 3.0], [2.0, 3.0, 4.0]])
    head = struct.pack(">2I4dI", 2, 3, 1.0, 0.5, 0.0, 0.0, 1)
    content = area() + head + gains.astype(">f4").tobytes()
    got = share(of(raw, oplist((9, content))).data) / share(raw.data)
    # The points are at 0 and 1 down, 0, 1/2 and 1 across: the gain is 1 + v + 2 u.
    v = (np.arange(SHAPE[0]) + 0.5)[:, None] / SHAPE[0]
    u = (np.arange(SHAPE[1]) + 0.5)[None, :] / SHAPE[1]
    assert got == pytest.approx(1 + v + 2 * u, abs=1e-4)


def test_bad_pixels_get_the_mean_of_their_colour():
    tile = np.array([[1000, 2000], [2100, 3000]])
    data = np.tile(tile, (6, 8)).astype(np.uint16)
    data[4, 4], data[5, 7], data[8, 3] = 0, 9999, 65
    raw = frame(data, black=BLACK, white=WHITE)
    points = struct.pack(">3I2I4I", 0, 1, 1, 5, 7, 8, 3, 9, 4)
    ops = oplist((4, struct.pack(">2I", 0, 0)), (5, points))
    got = of(raw, ops, LIST_1).data
    assert np.array_equal(got, np.tile(tile, (6, 8)))


def test_what_was_saturated_is_saturated_still():
    raw = mosaic()
    raw.data[2, 3] = int(WHITE)
    got = of(raw, oplist(polynomial(0.0, 0.15))).data
    assert got[2, 3] == WHITE
    assert share(got).max() == 1.0
    assert np.count_nonzero(got >= 0.98 * WHITE) == 1


def test_what_must_be_applied_and_is_not_known_is_refused():
    with pytest.raises(UnreadableFrame, match=r"distortion.*linear 16-bit TIFF"):
        of(mosaic(), oplist((1, bytes(40))))
    assert of(mosaic(), oplist((99, bytes(4)), optional=True)).data.dtype == np.uint16


def test_list_3_is_named_and_left_out():
    got = of(mosaic(), oplist((1, bytes(40)), (3, bytes(56))), LIST_3)
    assert np.array_equal(got.data, mosaic().data)
    assert "distortion and vignetting" in got.notes[0]


@given(st.binary(max_size=120), st.sampled_from([LIST_1, LIST_2, LIST_3]))
@settings(max_examples=200, deadline=None)
def test_damaged_lists_are_told_of(content, tag):
    try:
        got = of(mosaic(), content, tag)
    except UnreadableFrame:
        return
    assert got.data.shape == SHAPE


def cfa_dng(path, data, *more, **how):
    tags = [
        (33421, 3, 2, (2, 2), True), (33422, 1, 4, bytes([0, 1, 1, 2]), True),
        (50706, 1, 4, b"\1\7\0\0", True), (50708, 2, 0, "Invented One", True),
        (50714, 3, 1, 512, True), (50717, 4, 1, 16000, True),
        (50721, 10, 9, [v for m in (9, -3, -1, -4, 12, 2, 0, 1, 6) for v in (m, 10)], True),
        (50778, 3, 1, 21, True), (271, 2, 0, "Invented", True), (272, 2, 0, "One", True),
        *more,
    ]  # fmt: skip
    tifffile.imwrite(path, data, photometric=32803, extratags=tags, metadata=None, **how)
    return path


def test_a_file_is_read_with_its_corrections(tmp_path):
    data = np.random.default_rng(3).integers(600, 15000, (64, 96)).astype(np.uint16)
    content = oplist(polynomial(0.0, 0.5, bottom=64, right=96))
    path = cfa_dng(tmp_path / "a.dng", data, (LIST_2, 7, len(content), content, True))
    raw = read_raw(path)
    assert share(raw.data) == pytest.approx(0.5 * share(data), abs=1e-6)
    assert np.array_equal(read_raw(cfa_dng(tmp_path / "b.dng", data)).data, data)


@pytest.mark.parametrize("woven", [False, True])
def test_jpeg_xl_is_decoded(tmp_path, woven):
    pytest.importorskip("imagecodecs")
    data = np.random.default_rng(4).integers(600, 15000, (64, 96)).astype(np.uint16)
    stored, more = data, [(50829, 4, 4, (2, 4, 62, 90), True)]
    if woven:  # the fields one after the other, as DNG 1.7.1 has it for mosaics
        stored = np.concatenate([data[0::2], data[1::2]])
        stored = np.concatenate([stored[:, 0::2], stored[:, 1::2]], axis=1)
        more += [(50975, 4, 1, 2, True), (52547, 4, 1, 2, True)]
    path = cfa_dng(
        tmp_path / "a.dng", stored, *more, compression=52546, compressionargs={"lossless": True}
    )
    raw = read_raw(path)
    assert np.array_equal(raw.data, data[2:62, 4:90])
    assert (raw.white, set(raw.black.ravel())) == (16000, {512})
    assert raw.pattern.tolist() == [[0, 1], [1, 2]]
