"""What a frame shows of the inner corona: cut out, and made ready to be compared."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from limbward.geometry.disc import MeasuredDisc

Image = NDArray[np.float32]
Mask = NDArray[np.bool_]

REACH = 2.3  # lunar radii kept around the Moon
FURTHER = 2.2  # times the radius of what is clipped, kept and compared where that is more
LUNAR_RADIUS_PX = 110  # a larger Moon is binned down to between this and twice this
INNER, OUTER = 1.06, 2.2  # lunar radii compared; what is clipped moves the second outwards
FAINTEST_SNR = 12.0  # of a pixel that is compared
MISMATCH = 0.01  # beyond noise, to which two frames agree about a pixel's brightness


@dataclass(frozen=True)
class Crop:
    """The surroundings of the Moon in one frame.

    Attributes
    ----------
    values : ndarray of float32, shape (h, w)
        Brightness above black, NaN where saturated.
    scale : float
        Full raw pixels to a pixel of the crop.
    origin : tuple of float
        Full raw coordinates (x, y) of the centre of its first pixel.
    """

    values: Image
    scale: float
    origin: tuple[float, float]


def crop_corona(
    image: Image,
    saturated: Mask,
    scale: float,
    origin: tuple[float, float],
    moon: MeasuredDisc,
    core: MeasuredDisc | None = None,
) -> Crop:
    """Cut the inner corona out of a plane and bin it to a size that is quick to compare.

    Parameters
    ----------
    image, saturated, scale, origin
        As for `limbward.limb.measure.measure`.
    moon : MeasuredDisc
        In full raw pixels.
    core : MeasuredDisc, optional
        What is clipped around it. What is kept reaches beyond that.
    """
    x, y = (moon.x - origin[0]) / scale, (moon.y - origin[1]) / scale
    r = REACH * moon.radius / scale
    if core is not None:
        r = max(r, FURTHER * core.radius / scale)
    bins = max(1, int(r / REACH // LUNAR_RADIUS_PX))
    top, left = max(int(y - r), 0), max(int(x - r), 0)
    bottom, right = int(y + r) + 1, int(x + r) + 1
    part = image[top:bottom, left:right]
    clipped = saturated[top:bottom, left:right]
    height, width = (n // bins * bins for n in part.shape)
    values = np.where(clipped, np.float32(np.nan), part)[:height, :width]
    binned = values.reshape(height // bins, bins, width // bins, bins).mean(axis=(1, 3))
    middle = (bins - 1) / 2.0
    corner = (origin[0] + scale * (left + middle), origin[1] + scale * (top + middle))
    return Crop(binned.astype(np.float32), scale * bins, corner)


@dataclass(frozen=True)
class Detail:
    """What a frame shows of the inner corona, ready to be compared.

    ``log`` is the logarithm of the brightness on the crop's grid, ``weight`` the inverse of its
    variance, 0 where nothing can be compared, ``slope_x`` and ``slope_y`` its derivatives, a pixel
    of the crop. ``lunar_radius`` is in full raw pixels.
    """

    log: Image
    weight: Image
    slope_x: Image
    slope_y: Image
    scale: float
    origin: tuple[float, float]
    lunar_radius: float


def corona_detail(
    crop: Crop, moon: MeasuredDisc, *, gain: float = 1.0, highest: float = np.inf
) -> Detail:
    """Return what a frame can be registered by.

    Parameters
    ----------
    crop : Crop
    moon : MeasuredDisc
        In full raw pixels; the disc and its rim are left out.
    gain : float
        Electrons an ADU, for the noise of bright pixels. 1 is on the safe side for most cameras.
    highest : float
        Brightness above which nothing is compared.
    """
    rows, cols = np.indices(crop.values.shape, dtype=np.float32)
    dx = crop.origin[0] + crop.scale * cols - np.float32(moon.x)
    dy = crop.origin[1] + crop.scale * rows - np.float32(moon.y)
    distance = np.hypot(dx, dy) / np.float32(moon.radius)
    value = np.nan_to_num(crop.values, nan=0.0)
    noise = _dark_noise(value, distance < 0.8)
    variance = noise**2 + np.maximum(value, 0.0) / gain
    usable = (value < highest) & (value > FAINTEST_SNR * np.sqrt(variance))
    # Clipped pixels, and neighbours that they bloom into.
    usable &= ~ndimage.binary_dilation(~np.isfinite(crop.values), iterations=3)
    usable &= (distance > INNER) & (distance < _outermost(crop, distance))
    raw = np.log(np.where(usable, value, 1.0)).astype(np.float32)
    share = usable.astype(np.float32)
    # A little blur makes linear interpolation between pixels good to a hundredth of one.
    log = _smooth(raw * share, 0.8) / np.maximum(_smooth(share, 0.8), 1e-3)
    inside = ndimage.binary_erosion(usable, iterations=3)
    relative = variance / np.maximum(value, 1e-3) ** 2
    weight = np.where(inside, 1.0 / (relative + MISMATCH**2), 0.0)
    slope_y, slope_x = (np.asarray(g, np.float32) for g in np.gradient(log))
    return Detail(
        log.astype(np.float32),
        weight.astype(np.float32),
        slope_x,
        slope_y,
        crop.scale,
        crop.origin,
        moon.radius,
    )


def _outermost(crop: Crop, distance: Image) -> float:
    """Return how far out a frame is compared, lunar radii."""
    clipped = distance[~np.isfinite(crop.values) & (distance > INNER)]
    if clipped.size == 0:
        return OUTER
    return max(OUTER, FURTHER * float(np.median(clipped)))


def _dark_noise(value: Image, disc: Mask) -> float:
    """Return a pixel's standard deviation on the lunar disc, from neighbours' differences."""
    both = disc[:, 1:] & disc[:, :-1]
    difference = np.abs(np.diff(value, axis=1))[both]
    if difference.size < 50:
        return 1.0
    return max(float(np.median(difference)) * 1.4826 / float(np.sqrt(2.0)), 1e-3)


def _smooth(image: Image, sigma: float) -> Image:
    return np.asarray(ndimage.gaussian_filter(image, sigma, mode="constant", truncate=3.0))
