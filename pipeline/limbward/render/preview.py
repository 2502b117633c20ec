"""Pictures without a tone curve: filtered, grey at the mean; and the corona as it is, linear."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from limbward.radiance.scratch import Room, by_rows, let_go
from limbward.render.colour import luminance, to_linear_srgb
from limbward.render.space import SRGB

Pixels = NDArray[np.float32]


def structure_picture(
    structure: Pixels,
    visible: NDArray[np.bool_],
    percentile: float = 0.3,
    room: Room = np.empty,
) -> Pixels:
    """Return a filtered picture as encoded sRGB.

    Parameters
    ----------
    structure : ndarray of float32, shape (C, H, W)
        One plane is shown grey, three in colours.
    visible : ndarray of bool, shape (H, W)
        What is False (the Moon) is black, as is what is missing.
    percentile : float
        Of the visible pixels that may be black, and that may be white.
    room : callable
        Makes the result.

    Returns
    -------
    ndarray of float32, shape (3, H, W)
        From 0 to 1.
    """
    out = room((3, *visible.shape), np.float32)
    planes = np.broadcast_to(structure, (3, *visible.shape))
    for into, plane in zip(out, scaled(planes, visible, percentile), strict=True):
        into[:] = plane
        let_go(out)
    return out


def linear_picture(radiance: Pixels, daylight: Pixels, to_srgb: Pixels) -> Pixels:
    """Return the corona as it is, without tone curve or filter, white at the limb's brightness.

    Parameters
    ----------
    radiance : ndarray of float32, shape (3, H, W)
        In the camera's colours; what is missing becomes black.
    daylight, to_srgb : ndarray, shape (3,) and (3, 3)
        Of `limbward.camera.colours.read_colours`.

    Returns
    -------
    ndarray of float32, shape (3, H, W)
        Encoded sRGB.
    """
    linear = to_linear_srgb(radiance, daylight, to_srgb)
    sample = luminance(linear[:, ::5, ::5])
    white = float(np.nanpercentile(sample, 99.5)) if np.isfinite(sample).any() else 1.0
    linear /= np.float32(max(white, 1e-30))
    np.nan_to_num(linear, copy=False, nan=0.0)
    for plane in linear:
        plane[:] = SRGB.encode(plane)
    return linear


def scaled(
    structure: Pixels,
    visible: NDArray[np.bool_],
    percentile: float = 0.3,
    room: Room = np.empty,
) -> Iterator[Pixels]:
    """Yield the planes of `structure_picture`, one after the other, in arrays of ``room``."""
    known = visible.copy()
    for plane in structure:
        for rows in by_rows(len(known), plane):
            known[rows] &= np.isfinite(plane[rows])
    # A sample of 200 000 pixels tells the percentiles to 2 % of their distance from the end.
    step = max(int(np.sqrt(known.size / 2e5)), 1)
    sample = structure[:, ::step, ::step][:, known[::step, ::step]]
    low, high = np.percentile(sample, [percentile, 100.0 - percentile]) if sample.size else (0, 1)
    span = max(float(high - low), 1e-12)
    for plane in structure:
        out = room(visible.shape, np.float32)
        for rows in by_rows(len(out), plane, out):
            out[rows] = 0.0
            part = (plane[rows] - np.float32(low)) / np.float32(span)
            np.clip(part, 0.0, 1.0, out=out[rows], where=known[rows])
        yield out
