"""The Fourier normalizing-radial-graded filter: mean and deviation vary with position angle.

In each annulus the local mean and the local standard deviation are finite Fourier series in the
position angle, whose order-k terms are attenuated by ``a_k``:

    mean(phi) = sum over k of a_k (c_k cos k phi + d_k sin k phi),
    I'(r, phi) = (I(r, phi) - mean(phi)) / sigma(phi).

``a_k`` falls linearly from 1 at order 0 to ``attenuation`` at the highest order. The local variance
is the attenuated series of ``(I - mean)^2``. With ``attenuation`` 0 the sums are Fejér means, which
are averages with positive weights, so that a variance stays positive. Order 0 is the NRGF.
Coefficients are fitted by least squares to the pixels seen, which on a whole annulus is the
Fourier series.

At small and at large radius: an order n follows structure wider than 180/n degrees at every
height and takes it out. Where an annulus is not seen whole, the mean of its neighbour stands in for
what is missing, and the deviation is that of the nearest whole one: a mean that stopped there too
would leave an arc, and a deviation of a few degrees of sky would be that of its noise.

References
----------
H. Druckmüllerová, H. Morgan, S. R. Habbal, *Enhancing coronal structures with the Fourier
normalizing-radial-graded filter*, Astrophysical Journal 737 (2011) 88.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from pydantic import Field
from scipy.ndimage import uniform_filter1d

from limbward.filters.flattened import Flat, RingParams, by_plane, nearest
from limbward.geometry.disc import Geometry

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

NORMALISES = True
RIDGE = 1e-6  # keeps a ring that is seen in part from swinging wildly where it is not
GAPS, SEEN = 72, 0.9  # stretches of an annulus, of which less than so much seen is a gap
LEAST_VARIANCE = 0.01  # of the annulus' variance: no more than 10 times its contrast is added


class Params(RingParams):
    """Parameters of the filter."""

    order: int = Field(default=4, ge=0, le=60, description="Highest order of the Fourier series.")
    attenuation: float = Field(
        default=0.0, ge=0, le=1, description="Factor of the terms of the highest order."
    )


def attenuations(order: int, last: float) -> Floats:
    """Return the factors of the orders 0 to ``order``."""
    return np.linspace(1.0, last, order + 1) if order > 0 else np.ones(1)


def series(order: int, angles: int) -> Floats:
    """Return 1 and the cosine and sine of each order, shape (2 order + 1, A)."""
    phase = 2.0 * np.pi * (np.arange(angles) + 0.5) / angles
    k = np.arange(1, order + 1)[:, None]
    waves = np.stack([np.cos(k * phase), np.sin(k * phase)], axis=1).reshape(2 * order, angles)
    return np.concatenate([np.ones((1, angles)), waves])


def fit_series(count: Pixels, value: Pixels, basis: Floats) -> Floats:
    """Return the coefficients of waves fitted to cells by least squares.

    Parameters
    ----------
    count, value : ndarray, shape (R, A)
        Number of pixels and their sum in each cell.
    basis : ndarray, shape (K, A)
        Of `series`, or some of it.

    Returns
    -------
    ndarray, shape (R, K)
    """
    wanted = value.astype(float) @ basis.T
    total = np.maximum(count.sum(axis=1, dtype=float), 1.0)
    normal = np.empty((len(count), len(basis), len(basis)))
    for i, wave in enumerate(basis):  # row by row: all products at once would take gigabytes
        normal[:, i] = count.astype(float) @ (wave * basis).T
    diagonal = np.arange(len(basis))
    normal[:, diagonal, diagonal] += RIDGE * total[:, None]
    return np.asarray(np.linalg.solve(normal, wanted[..., None])[..., 0])


def carried_series(
    count: Pixels,
    value: Pixels,
    own: Mask,
    basis: Floats,
) -> Floats:
    """Return coefficients as `fit_series`, with what is missing carried on from annulus to annulus.

    Parameters
    ----------
    count, value, basis
        As `fit_series` takes them.
    own : ndarray of bool, shape (R,)
        Annuli seen whole. The others have been normalised to the same level.
    """
    found = fit_series(count, value, basis)
    whole = np.nonzero(own)[0]
    if not whole.size or len(basis) == 1:
        return np.where(own[:, None], found, 0.0) if whole.size else found
    inner, outer = int(whole[0]), int(whole[-1])
    found[inner : outer + 1] = found[nearest(whole, np.arange(inner, outer + 1))]
    rings, angles = count.shape
    for last, stop, step in ((outer, rings, 1), (inner, -1, -1)):
        per_ring = float(count[last].mean()) / (last + 0.5)
        for k in range(last + step, stop, step):
            full = per_ring * (k + 0.5)
            # Over a few degrees, since single cells hold more or fewer pixels by the grid's chance.
            share = uniform_filter1d(count[k].astype(float), angles // GAPS, mode="wrap") / full
            missing = np.where(share < SEEN, full * (1.0 - share), 0.0)
            total = count[k] + missing
            found[k, 0] = found[last, 0]
            filled = value[k] + missing * (found[k - step] @ basis) - found[k, 0] * total
            found[k, 1:] = fit_series(total[None], filled[None], basis[1:])[0]
    return found


def local_statistics(flat: Flat, order: int, attenuation: float) -> tuple[Pixels, Pixels]:
    """Return local mean and standard deviation of a normalised plane over its polar cells."""
    polar = flat.polar
    factors = np.repeat(attenuations(order, attenuation), 2)[1:]
    basis = series(order, polar.count.shape[1])
    found = carried_series(polar.count, polar.first, flat.own, basis)
    mean = (found @ (factors[:, None] * basis)).astype(np.float32)
    square = polar.second - 2.0 * mean * polar.first + mean**2 * polar.count
    found = fit_series(polar.count, square, basis)
    whole = np.nonzero(flat.own)[0]
    if whole.size:
        found = found[nearest(whole, np.arange(len(found)))]
    variance = np.maximum(found @ (factors[:, None] * basis), LEAST_VARIANCE)
    return mean, np.sqrt(variance).astype(np.float32)


def apply(image: Pixels, sigma: Pixels | None, geometry: Geometry, params: Params) -> Pixels:
    """Return the normalised picture.

    Parameters
    ----------
    image : ndarray of float32, shape (C, H, W)
        NaN where there is no value.
    sigma : ndarray or None
        Not used.
    geometry : Geometry
        Annuli are centred on the Sun; the Moon's disc does not count.
    params : Params

    Returns
    -------
    ndarray of float32, shape (C, H, W)
    """

    def work(flat: Flat) -> Pixels:
        mean, deviation = local_statistics(flat, params.order, params.attenuation)
        out = flat.z - flat.polar.spread(mean)
        out /= flat.polar.spread(deviation)
        return out

    return by_plane(image, geometry, params, work)
