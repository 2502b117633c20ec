"""Frames of a lens with distortion, as the kernels see them: piece by piece without.

Over a few hundred pixels a radial distortion is an affine map to a hundredth of a pixel, so pieces
of work are made that small and the kernels need not know of it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

OFF_PX = 0.01  # by which an affine map may be off in a piece
NARROWEST = 64  # columns of a piece: a multiple of the block over which scatter is summed
ACROSS, DOWN = 5, 3  # places that an affine map is fitted to
_U, _V = (a.ravel() for a in np.meshgrid(np.linspace(-1, 1, ACROSS), np.linspace(-1, 1, DOWN)))
_FIT = np.linalg.pinv(np.column_stack([_U, _V, np.ones_like(_U)]))


def piece_width(lenses: Floats, widest: int) -> int:
    """Return how many columns a piece of the result may have.

    Parameters
    ----------
    lenses : ndarray, shape (B, 4)
        The axis of each frame's lens, x and y, how much of itself the distance of a pixel from it
        is drawn larger, and how far the frame's corner is from it.
    widest : int
        Without distortion.

    Notes
    -----
    Of the cubic law ``k r**3`` an affine map leaves ``3 k r h**2`` at the distance h from where it
    touches, and half of it where it is fitted.
    """
    bend = float(np.abs(lenses[:, 2]).max(initial=0.0))
    if bend == 0.0:
        return widest
    half = np.sqrt(OFF_PX / (1.5 * bend * float(lenses[:, 3].max())))
    return int(np.clip(2.0 * half, NARROWEST, widest)) // NARROWEST * NARROWEST


def bent_affine(affine: Floats, lenses: Floats, columns: int, rows: tuple[int, int]) -> Floats:
    """Return the affine maps (B, 2, 3) that fit frames with distortion best in a piece.

    Parameters
    ----------
    affine : ndarray, shape (B, 2, 3)
        From the piece's columns and the result's rows to places without distortion.
    lenses : ndarray, shape (B, 4)
        As of `piece_width`.
    columns : int
        Of the piece.
    rows : (int, int)
        The first, and that after the last.
    """
    middle = np.array([(columns - 1) / 2.0, (rows[0] + rows[1] - 1) / 2.0])
    half = np.maximum(np.array([columns - 1, rows[1] - rows[0] - 1]) / 2.0, 0.5)
    places = np.stack([middle[0] + half[0] * _U, middle[1] + half[1] * _V, np.ones_like(_U)])
    at = affine @ places
    out = at - lenses[:, :2, None]
    at = at + out * (lenses[:, 2, None] * np.sum(out**2, axis=1))[:, None, :]
    fit = at @ _FIT.T
    made = np.empty_like(affine)
    made[:, :, :2] = fit[:, :, :2] / half
    made[:, :, 2] = fit[:, :, 2] - made[:, :, :2] @ middle
    # A frame without distortion keeps its own to the bit.
    plain = lenses[:, 2] == 0.0
    made[plain] = affine[plain]
    return made
