"""The order of taking, where files were renamed or copied to folders of their own."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from limbward.camera.card import dcf_number

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Texts = NDArray[np.object_]

# Of a folder's frames that have the readings of frames in earlier folders: so many are no burst.
ALL_TWINS = 0.8
# A clock is set a few times in a session and passes midnight or noon once. Names along which it
# goes back more often, by more than seconds can be rounded, are in no order of taking.
MOST_SETTINGS, BACK_S = 6, 2.0


def order_of_taking(
    file: Texts, camera: Texts, serial: Texts, sequence: Floats, reading_s: Floats
) -> Floats:
    """Return numbers that grow in the order of taking, each once.

    Parameters
    ----------
    file, camera, serial : ndarray of str, shape (N,)
    sequence : ndarray, shape (N,)
        The order of folders, and of the names in each.
    reading_s : ndarray, shape (N,)
        Of the camera's clock, NaN where unknown.

    Notes
    -----
    A camera's own numbers tell the order, and with it when its clock was set. A file that was
    renamed among numbered ones, and a folder of pictures which were all taken at the readings of
    earlier folders' pictures, JPEGs of RAW files or a choice of the best, stand elsewhere in the
    order of names. They come after the numbered frame whose reading is the last before theirs.
    """
    path = [Path(f) for f in file.tolist()]
    folder = np.array([str(p.parent) for p in path], object)
    numbered: Mask = np.array([dcf_number(p) is not None for p in path], dtype=np.bool_)
    strayed: Mask = np.zeros(sequence.size, np.bool_)
    body = np.array([f"{a}\0{b}" for a, b in zip(camera, serial, strict=True)], object)
    for name in dict.fromkeys(folder[np.argsort(sequence, kind="stable")].tolist()):
        here = folder == name
        strayed |= here & ~numbered & bool((here & numbered).any())
        strayed |= here & _repeats(here, strayed, camera, sequence, reading_s)
    strayed &= np.isfinite(reading_s)
    key = sequence.astype(float).copy()
    for i in np.flatnonzero(strayed):
        before = ~strayed & (body == body[i]) & (reading_s <= reading_s[i])
        later = ~strayed & (body == body[i]) & (reading_s > reading_s[i])
        if before.any():
            last = reading_s == np.max(reading_s[before])
            key[i] = sequence[before & last].max() + 0.5
        elif later.any():
            key[i] = sequence[later].min() - 0.5
    timed = np.isfinite(reading_s)
    for name in dict.fromkeys(body.tolist()):
        mine = np.flatnonzero((body == name) & timed)
        by_name = mine[np.argsort(key[mine], kind="stable")]
        back = np.diff(reading_s[by_name[~strayed[by_name]]]) < -BACK_S
        if back.sum() > MOST_SETTINGS:
            by_clock = by_name[np.argsort(reading_s[by_name], kind="stable")]
            key[by_clock] = np.sort(sequence[mine])
            strayed[mine] = False
    found = np.empty(sequence.size)
    found[np.lexsort((sequence, np.nan_to_num(reading_s), strayed, key))] = np.arange(key.size)
    return found


def _repeats(here: Mask, strayed: Mask, camera: Texts, sequence: Floats, reading_s: Floats) -> bool:
    """Whether a folder's frames nearly all have the readings of earlier folders' frames."""
    timed = here & np.isfinite(reading_s)
    if not timed.any():
        return False
    first = sequence[here].min()
    earlier = (sequence < first) & ~strayed & np.isin(camera, camera[timed])
    return bool(np.isin(reading_s[timed], reading_s[earlier]).mean() >= ALL_TWINS)
