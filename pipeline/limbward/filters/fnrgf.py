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
height and takes it out; where the annulus is not seen whole, the coefficients of the nearest whole
one are used.

References
----------
H. Druckmüllerová, H. Morgan, S. R. Habbal, *Enhancing coronal structures with the Fourier
normalizing-radial-graded filter*, Astrophysical Journal 737 (2011) 88.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from limbward.filters.flattened import Flat, RingParams, by_plane, nearest
from limbward.geometry.disc import Geometry

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]

NORMALISES = True
RIDGE = 1e-6  # keeps a ring that is seen in part from swinging wildly where it is not
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


def fit_series(count: Pixels, value: Pixels, order: int) -> Floats:
    """Return cosine and sine coefficients fitted to cells by least squares.

    Parameters
    ----------
    count, value : ndarray of float32, shape (R, A)
        Number of pixels and their sum in each cell.
    order : int

    Returns
    -------
    ndarray, shape (R, 2 order + 1)
        The mean, then cosine and sine of each order.
    """
    angles = count.shape[1]
    phase = 2.0 * np.pi * (np.arange(angles) + 0.5) / angles
    k = np.arange(1, order + 1)[:, None]
    waves = np.stack([np.cos(k * phase), np.sin(k * phase)], axis=1).reshape(2 * order, angles)
    basis = np.concatenate([np.ones((1, angles)), waves])
    wanted = value.astype(float) @ basis.T
    total = np.maximum(count.sum(axis=1, dtype=float), 1.0)
    normal = np.empty((len(count), len(basis), len(basis)))
    for i, wave in enumerate(basis):  # row by row: all products at once would take gigabytes
        normal[:, i] = count.astype(float) @ (wave * basis).T
    normal[:, np.arange(1, len(basis)), np.arange(1, len(basis))] += RIDGE * total[:, None]
    normal[:, 0, 0] = np.maximum(normal[:, 0, 0], 1.0)
    return np.asarray(np.linalg.solve(normal, wanted[..., None])[..., 0])


def local_statistics(flat: Flat, order: int, attenuation: float) -> tuple[Pixels, Pixels]:
    """Return local mean and standard deviation of a normalised plane over its polar cells."""
    polar = flat.polar
    angles = polar.count.shape[1]
    factors = np.repeat(attenuations(order, attenuation), 2)[1:]
    phase = 2.0 * np.pi * (np.arange(angles) + 0.5) / angles
    waves = [np.ones(angles)]
    for k in range(1, order + 1):
        waves += [np.cos(k * phase), np.sin(k * phase)]
    basis = factors[:, None] * np.stack(waves)
    mean = (fit_series(polar.count, polar.first, order) @ basis).astype(np.float32)
    square = polar.second - 2.0 * mean * polar.first + mean**2 * polar.count
    variance = fit_series(polar.count, square, order) @ basis
    variance = np.maximum(variance, LEAST_VARIANCE).astype(np.float32)
    own = np.nonzero(flat.own)[0]
    if own.size:
        source = nearest(own, np.arange(len(mean)))
        mean, variance = mean[source], variance[source]
    return mean, np.sqrt(variance)


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
