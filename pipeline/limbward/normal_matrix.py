"""Normal matrices of least squares: inverses that exist, whatever the observations left open."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FLOOR = 1e-12  # of an eigenvalue of a matrix scaled to a unit diagonal


def spectrum(matrix: Floats) -> tuple[Floats, Floats, Floats]:
    """Return scales, eigenvalues and eigenvectors of a matrix scaled to a unit diagonal.

    Parameters
    ----------
    matrix : ndarray, shape (K, K)
        Symmetric, its eigenvalues not below zero but for rounding; finite.
    """
    size = np.diag(matrix)
    # An unknown without any effect has 0 there; squares of what follows must not overflow.
    scale = np.sqrt(np.maximum(size, 1e-40 * max(float(size.max()), 1e-30)))
    values, vectors = np.linalg.eigh(matrix / np.outer(scale, scale))
    return scale, np.maximum(values, FLOOR), vectors


def inverse(matrix: Floats) -> Floats:
    """Return the inverse of a normal matrix.

    Parameters
    ----------
    matrix : ndarray, shape (K, K)
        Symmetric, its eigenvalues not below zero but for rounding; finite.

    Notes
    -----
    Scaled to a unit diagonal first, so that the units of the unknowns do not matter. A combination
    of unknowns of which rounding leaves nothing (1e-12) gets a variance as large as that, where a
    pseudo-inverse would give it none; and there is no exception.
    """
    scale, values, vectors = spectrum(matrix)
    return np.asarray((vectors / values) @ vectors.T / np.outer(scale, scale))
