"""What lies between two pictures of one corona besides a shift: cloud, sky, a lens's reflection.

Cloud and vignetting change the corona's light by a smooth factor, sky and glare add a smooth light;
both are solved for beside the shift. A reflection of the bright inner corona has edges, which move
from frame to frame as no corona does: where a piece of the picture is off by more than the others
are, it counts for less.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]

# Of the factor and of the light added. With 2 and 1, pairs of hard simulated sessions are off by
# 0.4, 0.25 and 0.1 px where they are by 0.25, 0.1 and 0.07 with these.
FACTOR_DEGREE, LIGHT_TERMS = 4, 6  # six terms are a polynomial of second degree
CELL_RADII = 0.15  # lunar radii across a piece: a reflection's edge is about as wide
LEAST_CELL_PX = 3.0
DOUBTED = 2.0  # times the usual scatter of pieces: one that far off counts a quarter
WORST_CONDITION = 1e10  # of the scaled normal equations; a corona has 1e2 to 1e6
LARGER = 3.0  # times the size of small pieces are the larger ones that errors are told by as well
LEAST_PIECES = 2.0  # for each unknown, to tell errors by
# Neighbouring pixels of a smoothed picture are not independent: times the error of those that are.
SMOOTHED = 2.0


def polynomial(x: Floats, y: Floats, degree: int = FACTOR_DEGREE) -> Floats:
    """Return the products of powers of x and y, the lowest first, shape (n, k).

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Places from the Sun, of the order of 1.
    degree : int
        Of the highest.

    Examples
    --------
    >>> import numpy as np
    >>> polynomial(np.array([2.0]), np.array([3.0]), 2).tolist()
    [[1.0, 3.0, 2.0, 9.0, 6.0, 4.0]]
    """
    of_x, of_y = (np.vander(a, degree + 1, increasing=True) for a in (x, y))
    powers = [(i, total - i) for total in range(degree + 1) for i in range(total + 1)]
    return np.stack([of_x[:, i] * of_y[:, j] for i, j in powers], axis=1)


def smooth_parts(places: Floats, log: Floats, light: int = LIGHT_TERMS) -> Floats:
    """Return what may differ smoothly between two pictures, as relative differences.

    Parameters
    ----------
    places : ndarray, shape (n, k)
        Of `polynomial`: what the light is multiplied by.
    log : ndarray, shape (n,)
        Logarithm of the brightness there. Light that is added shows most where it is darkest.
    light : int
        How many of them are added light as well.

    Returns
    -------
    ndarray, shape (n, k + light)
    """
    dark = np.exp(log.min(initial=0.0) - log)
    return np.hstack([places, dark[:, None] * places[:, :light]])


def cells_of(x: Floats, y: Floats, size: float) -> Counts:
    """Return in which square piece of a picture each of n places lies, numbered from 0.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
    size : float
        Of a piece, in the units of the places.
    """
    column, row = (np.floor(a / size).astype(np.int64) for a in (x, y))
    column, row = column - column.min(initial=0), row - row.min(initial=0)
    places = row * (column.max(initial=0) + 1) + column
    return np.unique(places, return_inverse=True)[1].astype(np.int64)


def fit(
    design: Floats, left: Floats, root: Floats, cell: Counts, trust: Floats
) -> tuple[Floats, Floats] | None:
    """Solve for what moves one picture onto another, and say what of it to trust next time.

    Parameters
    ----------
    design : ndarray, shape (n, m)
    left : ndarray, shape (n,)
    root : ndarray, shape (n,)
        Square roots of the pixels' weights.
    cell : ndarray of int, shape (n,)
        Of `cells_of`.
    trust : ndarray, shape (n,)
        Between 0 and 1, of the fit before; ones at first.

    Returns
    -------
    solution : ndarray, shape (m,)
    trust : ndarray, shape (n,)
        None instead of both if the pixels do not tell all unknowns: a corona without structure, or
        the same in all directions, can be shifted or turned freely.

    Notes
    -----
    Prominences, stars and hot pixels are far off one by one, and weigh as in a Cauchy
    distribution. A reflection's edge is off by a little everywhere along it: weights of pieces of
    the picture fall off as the fourth power of their mean residual (S. Geman, D. McClure, Bull.
    Int. Stat. Inst. 52 (1987) 5; from memory).
    """
    robust = root * np.sqrt(trust)
    weighted = design * robust[:, None]
    normal = weighted.T @ weighted
    size = np.sqrt(np.diag(normal))
    if not np.isfinite(normal).all() or size.min(initial=np.inf) <= 0.0:
        return None
    if np.linalg.cond(normal / np.outer(size, size)) > WORST_CONDITION:
        return None
    solution = np.linalg.solve(normal, weighted.T @ (left * robust))
    rest = left - design @ solution
    alone = np.abs(rest) * root
    own = 1.0 / (1.0 + (alone / (4.0 * _spread(alone))) ** 2)
    trust = own * _trusted(cell, rest, root**2 * own)
    return np.asarray(solution, np.float64), trust


def covariance_of(
    design: Floats, left: Floats, root: Floats, cells: tuple[Counts, ...], trust: Floats
) -> Floats:
    """Return the covariance of what was solved for last, shape (m, m).

    Parameters
    ----------
    design, left, root, trust : ndarray
        As of `fit`, which was solved with them; what tells the shift is in the first two columns.
    cells : tuple of ndarray of int, shape (n,)
        Pieces of several sizes.

    Notes
    -----
    Smoothed pixels are off alike, and so is what is left of cloud and reflections, so it is the
    covariance of the pieces' sums (H. White, Econometrica 48 (1980) 817, by clusters; from
    memory), of that size that makes the shift's the largest.
    """
    robust = root * np.sqrt(trust)
    weighted = design * robust[:, None]
    inverse = np.linalg.inv(weighted.T @ weighted)
    rest = left - design @ (inverse @ (weighted.T @ (left * robust)))
    covariance = inverse * (SMOOTHED * _spread(np.abs(rest) * root)) ** 2
    pushes = weighted * (robust * rest)[:, None]
    unknowns = design.shape[1]
    for cell in cells:
        pieces = np.count_nonzero(np.bincount(cell))
        if pieces < LEAST_PIECES * unknowns:
            continue
        sums = np.stack([np.bincount(cell, push) for push in pushes.T], axis=1)
        larger = inverse @ (sums.T @ sums) @ inverse * pieces / (pieces - unknowns)
        if np.trace(larger[:2, :2]) > np.trace(covariance[:2, :2]):
            covariance = larger
    return np.asarray(covariance)


def _spread(alone: Floats) -> float:
    return max(1.4826 * float(np.median(alone)), 1e-6)


def _trusted(cell: Counts, rest: Floats, weight: Floats) -> Floats:
    """Return how far pixels are trusted by what the pieces they lie in are off, shape (n,)."""
    total = np.bincount(cell, weight)
    off = np.bincount(cell, weight * rest) / np.sqrt(np.maximum(total, 1e-30))
    usual = _spread(np.abs(off[total > 0.0]))
    return np.asarray((1.0 / (1.0 + (off / (DOUBTED * usual)) ** 2) ** 2)[cell])
