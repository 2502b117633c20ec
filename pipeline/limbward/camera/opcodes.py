"""The corrections that a DNG lists for its pixels, as far as they are of the sensor's own values.

Digital Negative Specification 1.7.1 (2023), chapter 7, *Opcode List Processing*. List 1 is for the
values as stored, list 2 for those between black and white; list 3 is for colours after demosaicing,
which a measurement does not take part in: its distortion and vignetting stay in the frame.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from limbward.camera.frame import RawFrame, UnreadableFrame
from limbward.camera.luminance import SATURATED

LIST_1, LIST_2, LIST_3 = 51008, 51009, 51022
BAD_CONSTANT, BAD_LIST, TRIM, TABLE, POLYNOMIAL, GAIN_MAP = 4, 5, 6, 7, 8, 9
ROW_DELTA, COLUMN_DELTA, ROW_SCALE, COLUMN_SCALE = 10, 11, 12, 13
NAMES = {1: "distortion", 2: "fish-eye distortion", 3: "vignetting", 14: "distortion"}
OPTIONAL = 1  # a flag
MOST = 1000  # opcodes in a list
HIGHEST = 65535.0  # that a value of list 1 is a fraction of

Pixels = NDArray[np.float32]


@dataclass(frozen=True)
class Opcode:
    """One correction: what it is, whether a reader may leave it out, and its parameters."""

    code: int
    optional: bool
    body: bytes


@dataclass(frozen=True)
class Window:
    """Where the pixels at hand lie: row and column of their first in a list's coordinates.

    Attributes
    ----------
    top, left : int
    height, width : int
        Of the picture that the list is about.
    """

    top: int
    left: int
    height: int
    width: int


def read_list(content: bytes) -> list[Opcode]:
    """Return the opcodes of a list, which are big-endian in any file.

    Raises
    ------
    struct.error
        If it is cut short.
    """
    (count,) = struct.unpack_from(">I", content)
    found, at = [], 4
    for _ in range(min(count, MOST)):
        code, _, flags, size = struct.unpack_from(">4I", content, at)
        at += 16
        if at + size > len(content):
            raise struct.error("an opcode is cut short")
        found.append(Opcode(code, bool(flags & OPTIONAL), content[at : at + size]))
        at += size
    return found


def corrected(
    name: str, frame: RawFrame, lists: dict[int, bytes], stored: Window, active: Window
) -> RawFrame:
    """Return a frame with the corrections of lists 1 and 2 applied, and those of list 3 named.

    Parameters
    ----------
    name : str
        Of the file.
    frame : RawFrame
    lists : dict
        Content of the tags `LIST_1`, `LIST_2` and `LIST_3`, of those that there are.
    stored, active : Window
        Where the frame lies in all stored pixels, and in the active area.

    Returns
    -------
    RawFrame
        Of float32 if values were changed. Saturated pixels are at the white level again, whatever
        the corrections made of them.

    Raises
    ------
    UnreadableFrame
        If a correction that must be applied is not known here.
    """
    try:
        ops = {tag: read_list(content) for tag, content in lists.items()}
        values = np.array(frame.data, np.float32)
        for tag, where in ((LIST_1, stored), (LIST_2, active)):
            for op in ops.get(tag, []):
                if op.code == TRIM or (op.optional and op.code not in APPLIED):
                    continue  # what lies beyond is of no use, but does no harm
                if op.code not in APPLIED:
                    raise UnreadableFrame(
                        f"{name} requires a correction of its pixels that is not supported here "
                        f"({NAMES.get(op.code, f'opcode {op.code}')}); convert it to a linear "
                        "16-bit TIFF."
                    )
                APPLIED[op.code](values, frame, op.body, where, tag)
    except (struct.error, IndexError, ValueError) as error:
        raise UnreadableFrame(f"{name} has a damaged list of corrections ({error}).") from error
    left_out = sorted({NAMES[op.code] for op in ops.get(LIST_3, []) if op.code in NAMES})
    notes = frame.notes
    if left_out:
        notes += (
            f"The file's correction of {' and '.join(left_out)} applies only after demosaicing "
            "and is not used.",
        )
    if not any(op.code in APPLIED for tag in (LIST_1, LIST_2) for op in ops.get(tag, [])):
        return replace(frame, notes=notes)
    values[frame.data >= SATURATED * frame.white] = frame.white
    return replace(frame, data=values, notes=notes)


def _planes(values: Pixels) -> list[Pixels]:
    return [values] if values.ndim == 2 else list(values)


def _area(body: bytes, values: Pixels, where: Window) -> Iterator[tuple[int, Pixels, Any, Any]]:
    """Yield, for each plane that an area covers, its number, a view of its part, rows, columns.

    Rows and columns are those of the list's coordinates.
    """
    top, left, bottom, right, plane, planes, row_pitch, column_pitch = struct.unpack_from(
        ">8I", body
    )
    if not row_pitch or not column_pitch:
        raise ValueError("an area has no pitch")
    height, width = values.shape[-2:]
    # The first row of the area's grid that is in the frame.
    first_row = top + row_pitch * max(0, -(-(where.top - top) // row_pitch))
    first_column = left + column_pitch * max(0, -(-(where.left - left) // column_pitch))
    rows = np.arange(first_row, min(bottom, where.top + height), row_pitch)
    columns = np.arange(first_column, min(right, where.left + width), column_pitch)
    if not rows.size or not columns.size:
        return
    part = (
        slice(rows[0] - where.top, rows[-1] - where.top + 1, row_pitch),
        slice(columns[0] - where.left, columns[-1] - where.left + 1, column_pitch),
    )
    for n, each in enumerate(_planes(values)):
        if plane <= n < plane + planes:
            yield (
                n,
                each[part],
                (rows, (rows - top) // row_pitch),
                (columns, (columns - left) // column_pitch),
            )


def _levels(frame: RawFrame, tag: int, n: int, part: Pixels) -> tuple[Any, float]:
    """Return the black level and the range in which a list's values are fractions."""
    if tag == LIST_1:
        return 0.0, HIGHEST
    black = frame.black.ravel()
    level = float(black[n]) if frame.data.ndim == 3 else float(black.mean())
    return level, frame.white - level


def _mapped(curve: Callable[[NDArray[np.float64]], NDArray[np.float64]]) -> Callable[..., None]:
    def apply(part: Pixels, black: float, span: float) -> None:
        part[...] = curve((part.astype(np.float64) - black) / span) * span + black

    return apply


def _table(values: Pixels, frame: RawFrame, body: bytes, where: Window, tag: int) -> None:
    (size,) = struct.unpack_from(">I", body, 32)
    table = np.array(struct.unpack_from(f">{size}H", body, 36), np.float64) / HIGHEST
    steps = np.arange(size) / HIGHEST
    for n, part, _, _ in _area(body, values, where):
        _mapped(lambda x: np.interp(x, steps, table))(part, *_levels(frame, tag, n, part))


def _polynomial(values: Pixels, frame: RawFrame, body: bytes, where: Window, tag: int) -> None:
    (degree,) = struct.unpack_from(">I", body, 32)
    factors = np.array(struct.unpack_from(f">{degree + 1}d", body, 36))
    slope = factors[1] if degree else 0.0

    def curve(x: NDArray[np.float64]) -> NDArray[np.float64]:
        inside = np.clip(x, 0.0, 1.0)
        # Noise below black goes on straight, so that dark places keep their mean.
        return np.polynomial.polynomial.polyval(inside, factors) + slope * np.minimum(x, 0.0)

    for n, part, _, _ in _area(body, values, where):
        _mapped(curve)(part, *_levels(frame, tag, n, part))


def _gain_map(values: Pixels, frame: RawFrame, body: bytes, where: Window, tag: int) -> None:
    (first,), points = struct.unpack_from(">I", body, 16), struct.unpack_from(">2I", body, 32)
    spacing, origin = struct.unpack_from(">2d", body, 40), struct.unpack_from(">2d", body, 56)
    (planes,) = struct.unpack_from(">I", body, 72)
    count = points[0] * points[1] * planes
    if not count or (points[0] > 1 and spacing[0] <= 0) or (points[1] > 1 and spacing[1] <= 0):
        raise ValueError("a map of gains has no points")
    gains = np.frombuffer(body, ">f4", count, 76).reshape(*points, planes).astype(np.float64)
    for n, part, (rows, _), (columns, _) in _area(body, values, where):
        at = []
        for place, size, k in ((rows, where.height, 0), (columns, where.width, 1)):
            step = ((place + 0.5) / size - origin[k]) / (spacing[k] if points[k] > 1 else 1.0)
            at.append(np.clip(step, 0.0, points[k] - 1.0))
        gain = _bilinear(gains[:, :, min(n - first, planes - 1)], *at)
        black, _ = _levels(frame, tag, n, part)
        part[...] = (part - black) * gain + black


def _bilinear(grid: NDArray[np.float64], rows: Any, columns: Any) -> NDArray[np.float64]:
    i = np.minimum(rows.astype(int), max(grid.shape[0] - 2, 0))
    j = np.minimum(columns.astype(int), max(grid.shape[1] - 2, 0))
    below, beside = np.minimum(i + 1, grid.shape[0] - 1), np.minimum(j + 1, grid.shape[1] - 1)
    v, u = (rows - i)[:, None], (columns - j)[None, :]
    upper = grid[np.ix_(i, j)] * (1 - u) + grid[np.ix_(i, beside)] * u
    lower = grid[np.ix_(below, j)] * (1 - u) + grid[np.ix_(below, beside)] * u
    return np.asarray(upper * (1 - v) + lower * v)


def _by_line(axis: int, *, scales: bool) -> Callable[..., None]:
    def apply(values: Pixels, frame: RawFrame, body: bytes, where: Window, tag: int) -> None:
        (count,) = struct.unpack_from(">I", body, 32)
        each = np.frombuffer(body, ">f4", count, 36).astype(np.float64)
        for n, part, (_, rows), (_, columns) in _area(body, values, where):
            line = each[rows][:, None] if axis == 0 else each[columns][None, :]
            black, span = _levels(frame, tag, n, part)
            part[...] = (part - black) * line + black if scales else part + line * span

    return apply


def _bad_constant(values: Pixels, frame: RawFrame, body: bytes, where: Window, tag: int) -> None:
    (constant,) = struct.unpack_from(">I", body)
    _mend(values, frame, frame.data == constant)


def _bad_list(values: Pixels, frame: RawFrame, body: bytes, where: Window, tag: int) -> None:
    _, points, boxes = struct.unpack_from(">3I", body)
    numbers = np.frombuffer(body, ">u4", 2 * points + 4 * boxes, 12).astype(np.int64)
    bad = np.zeros(values.shape, bool)
    height, width = values.shape[-2:]
    at = numbers[: 2 * points].reshape(-1, 2) - (where.top, where.left)
    inside = ((at >= 0) & (at < (height, width))).all(axis=1)
    bad[..., at[inside, 0], at[inside, 1]] = True
    for top, left, bottom, right in numbers[2 * points :].reshape(-1, 4):
        rows = slice(max(top - where.top, 0), max(bottom - where.top, 0))
        bad[..., rows, max(left - where.left, 0) : max(right - where.left, 0)] = True
    _mend(values, frame, bad)


def _mend(values: Pixels, frame: RawFrame, bad: NDArray[np.bool_]) -> None:
    """Give bad pixels the mean of the good ones of their colour around them."""
    period = frame.pattern.shape if frame.is_mosaic else (1, 1)
    for plane, wrong in zip(_planes(values), bad if bad.ndim == 3 else [bad], strict=True):
        y, x = np.nonzero(wrong)
        total, count = np.zeros(y.size), np.zeros(y.size)
        for j, i in ((-1, 0), (1, 0), (0, -1), (0, 1), (-1, -1), (-1, 1), (1, -1), (1, 1)):
            v, u = y + j * period[0], x + i * period[1]
            good = (v >= 0) & (v < plane.shape[0]) & (u >= 0) & (u < plane.shape[1])
            good[good] = ~wrong[v[good], u[good]]
            total[good] += plane[v[good], u[good]]
            count += good
        plane[y[count > 0], x[count > 0]] = total[count > 0] / count[count > 0]


APPLIED: dict[int, Callable[..., None]] = {
    BAD_CONSTANT: _bad_constant,
    BAD_LIST: _bad_list,
    TABLE: _table,
    POLYNOMIAL: _polynomial,
    GAIN_MAP: _gain_map,
    ROW_DELTA: _by_line(0, scales=False),
    COLUMN_DELTA: _by_line(1, scales=False),
    ROW_SCALE: _by_line(0, scales=True),
    COLUMN_SCALE: _by_line(1, scales=True),
}


def listed(tags: Any) -> dict[int, bytes]:
    """Return the lists of corrections among the tags of a TIFF page."""
    found = {tag: tags.valueof(tag) for tag in (LIST_1, LIST_2, LIST_3)}
    return {tag: value for tag, value in found.items() if isinstance(value, bytes) and value}
