"""Columns of the stages' tables as plain arrays, with NaN or an empty text where masked."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from typing import Any

import numpy as np
from astropy.table import MaskedColumn, Table
from astropy.units import UnitBase
from numpy.typing import ArrayLike, NDArray


def floats(table: Table, name: str) -> NDArray[np.float64]:
    """Return a column as floats, NaN where masked or not there."""
    if name not in table.colnames:
        return np.full(len(table), np.nan)
    column = table[name]
    if column.dtype.kind in "OUS":  # a column masked throughout has no type of its own in ECSV
        return np.full(len(table), np.nan)
    return np.asarray(np.ma.filled(np.ma.asarray(column).astype(float), np.nan))


def texts(table: Table, name: str) -> NDArray[Any]:
    """Return a column as text, empty where masked or not there."""
    if name not in table.colnames:
        return np.full(len(table), "", dtype=object)
    return np.array(
        ["" if np.ma.is_masked(v) or v is None else str(v) for v in table[name]], dtype=object
    )


def flags(table: Table, name: str) -> NDArray[np.bool_]:
    """Return a column as booleans, False where masked or not there."""
    if name not in table.colnames:
        return np.zeros(len(table), bool)
    return np.asarray(np.ma.filled(np.ma.asarray(table[name]).astype(bool), False))


def circles(table: Table, disc: str) -> NDArray[np.float64]:
    """Return centre x, y and radius of a disc as (N, 3), from columns such as ``sun_x``."""
    return np.column_stack([floats(table, f"{disc}_{part}") for part in ("x", "y", "radius")])


def masked_floats(values: ArrayLike, unit: UnitBase | None = None) -> MaskedColumn:
    """Return a column of floats, masked where NaN."""
    array = np.asarray(values, dtype=float)
    unknown = ~np.isfinite(array)
    return MaskedColumn(np.where(unknown, 0.0, array), mask=unknown, unit=unit)


def masked_texts(values: ArrayLike) -> MaskedColumn:
    """Return a column of text, masked where empty."""
    array = np.array([str(v) for v in np.asarray(values, dtype=object)], dtype=str)
    return MaskedColumn(array, mask=array == "")


def typed(values: Sequence[Any], kind: type, unit: UnitBase | None) -> MaskedColumn:
    """Return a column of one kind (int, float, bool or str), masked where a value is None."""
    mask = [value is None for value in values]
    filled = [kind() if value is None else kind(value) for value in values]
    dtype = {int: np.int64, float: np.float64, bool: np.bool_}.get(kind, str)
    return MaskedColumn(np.array(filled, dtype=dtype), mask=mask, unit=unit)


def table_text(text: str) -> str:
    """Return text that comes back from a table as it is; what would not is written out.

    Line ends and control characters break ECSV, bytes that are no UTF-8 (to Python, lone
    surrogates) cannot be written, a line that begins with # is a comment, and blanks at the ends
    are dropped.
    """
    last = len(text) - 1
    return "".join(
        c.encode("unicode_escape").decode()
        if unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp")
        else f"\\x{ord(c):02x}"
        if (i == 0 and c == "#") or (i in (0, last) and c.isspace())
        else c
        for i, c in enumerate(text)
    )
