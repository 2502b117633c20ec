"""Registering frames on the corona itself: its fine structure, compared in pairs of frames."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from limbward.geometry.angle import half_turn
from limbward.geometry.disc import MeasuredDisc
from limbward.geometry.lens import MOST, STRAIGHT, Lens

Floats = NDArray[np.float64]
Image = NDArray[np.float32]
Mask = NDArray[np.bool_]

REACH = 2.3  # lunar radii kept around the Moon
FURTHER = 2.2  # times the radius of what is clipped, kept and compared where that is more
LUNAR_RADIUS_PX = 110  # a larger Moon is binned down to between this and twice this
INNER, OUTER = 1.06, 2.2  # lunar radii compared; what is clipped moves the second outwards
FAINTEST_SNR = 12.0  # of a pixel that is compared
MISMATCH = 0.01  # beyond noise, to which two frames agree about a pixel's brightness
LEAST_PIXELS, MOST_PIXELS = 500, 15000  # compared; more make it slower, not better
FURTHEST, FURTHEST_TURN = 12.0, 0.1  # pixels of a crop, radians; limbs put frames much nearer
SETTLED_PX = 0.003
STEPS = 8
WORST_CONDITION = 1e10  # of the scaled normal equations; a corona has 1e2 to 1e4
# Neighbouring pixels of the smoothed detail are not independent; found by repeating registrations
# of one simulated scene with new noise.
CORRELATED = 2.5
FLOOR_PX = 0.01  # no pair of frames is registered better


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


@dataclass(frozen=True)
class Shift:
    """How a second frame lies on a first one.

    Attributes
    ----------
    dx, dy : float
        What to add to the first frame's assumed Sun centre, full raw pixels, if the second frame's
        is right.
    turn_deg : float
        By how much the second frame's picture must be turned (from x towards y) to lie on the
        first, beyond the turn assumed.
    sigma_px, sigma_deg : float
        Standard errors.
    correlation : float
        Of the two details where both are seen.
    growth, sigma_growth : float
        What the lens's growth must be larger by, and its standard error: infinite if that was not
        solved for.
    """

    dx: float
    dy: float
    turn_deg: float
    sigma_px: float
    sigma_deg: float
    correlation: float
    growth: float = 0.0
    sigma_growth: float = float("inf")


def register(
    first: Detail,
    second: Detail,
    sun_first: tuple[float, float],
    sun_second: tuple[float, float],
    *,
    turn_deg: float = 0.0,
    with_turn: bool = True,
    furthest_px: float = 0.0,
    lens: Lens = STRAIGHT,
    with_growth: bool = False,
) -> Shift | None:
    """Register two frames on the corona.

    Parameters
    ----------
    first, second : Detail
    sun_first, sun_second : tuple of float
        Assumed centres of the Sun (x, y), full raw pixels, as drawn without distortion.
    turn_deg : float
        Assumed turn of the second frame onto the first.
    with_turn : bool
        Whether a further turn is solved for.
    furthest_px : float
        How far the assumed centres may be off; `FURTHEST` pixels of the crop in any case.
    lens : Lens
    with_growth : bool
        Whether the growth of the lens is solved for as well, with the turn.

    Returns
    -------
    Shift or None
        None where the frames have too little in common, or the solution runs away.

    Notes
    -----
    The limb puts frames within a pixel of each other, so the shift is found by least squares on
    the gradients, which weighs each pixel by its noise and needs no window. A polynomial of second
    degree in the plane is solved for as well: exposure, thin cloud, vignetting and a sky that
    brightens to one side go there and do not pull the corona.

    A lens with distortion draws the corona larger, and not the same in all directions, the further
    it is from the axis: that two frames far apart differ so tells its growth.

    References
    ----------
    B. D. Lucas, T. Kanade, IJCAI (1981) 674; phase correlation of band-passed coronae, which needs
    no start, is due to M. Druckmuller, ApJ 706 (2009) 1605.
    """
    free = 4 if with_growth else (3 if with_turn else 2)
    furthest = max(furthest_px, FURTHEST * first.scale)
    p = np.zeros(4)  # dx, dy in full pixels; turn in radians; growth
    points = _points(second, sun_second, lens)
    if points is None:
        return None
    for _ in range(STEPS):
        bent = lens.grown(lens.growth + p[3]) if with_growth else lens
        if with_growth:
            points = _points(second, sun_second, bent) or points
        moved = replace(points, turn=np.radians(turn_deg) + p[2])
        step = _step(first, moved, (sun_first[0] + p[0], sun_first[1] + p[1]), free, bent)
        if step is None:
            return None
        both, logs, smooth, solution, covariance = step
        p[:free] += solution[:free]
        if np.hypot(p[0], p[1]) > furthest or abs(p[2]) > FURTHEST_TURN or abs(p[3]) > MOST:
            return None
        turned = float(solution[2]) * points.reach if free > 2 else 0.0
        if np.hypot(np.hypot(solution[0], solution[1]), turned) < SETTLED_PX:
            break
    radius = np.hypot(points.x[both], points.y[both])
    a, b = (_streamers(_without(log, smooth), radius) for log in logs)
    if a.std() == 0.0 or b.std() == 0.0:
        return None
    sigma = float(np.sqrt(0.5 * (covariance[0, 0] + covariance[1, 1])))
    turn_sigma = float(np.degrees(np.sqrt(covariance[2, 2]))) if free > 2 else 0.0
    growth_sigma = CORRELATED * float(np.sqrt(covariance[3, 3])) if with_growth else np.inf
    return Shift(
        float(p[0]),
        float(p[1]),
        float(np.degrees(p[2])),
        float(np.hypot(CORRELATED * sigma, FLOOR_PX)),
        float(np.hypot(CORRELATED * turn_sigma, np.degrees(FLOOR_PX / points.reach))),
        float(np.corrcoef(a, b)[0, 1]),
        float(p[3]),
        growth_sigma,
    )


@dataclass(frozen=True)
class _Points:
    """Pixels of a second frame that are compared: places from its Sun (full raw pixels), values.

    ``reach`` is the largest distance; ``turn`` (radians) lays the places on the first frame.
    ``grow_x`` and ``grow_y`` are by how much a growth of the lens by 1 moves them.
    """

    x: Floats
    y: Floats
    log: Floats
    weight: Floats
    reach: float
    grow_x: Floats
    grow_y: Floats
    turn: float = 0.0


def _points(detail: Detail, sun: tuple[float, float], lens: Lens) -> _Points | None:
    rows, cols = np.nonzero(detail.weight > 0)
    if rows.size < LEAST_PIXELS:
        return None
    step = max(1, rows.size // MOST_PIXELS)
    rows, cols = rows[::step], cols[::step]
    x, y = lens.straight(
        detail.origin[0] + detail.scale * cols, detail.origin[1] + detail.scale * rows
    )
    grow_x, grow_y = lens.shift(x, y)
    x, y = x - sun[0], y - sun[1]
    log, weight = (a[rows, cols].astype(np.float64) for a in (detail.log, detail.weight))
    return _Points(x, y, log, weight, float(np.hypot(x, y).max()), grow_x, grow_y)


def _step(
    first: Detail, points: _Points, sun: tuple[float, float], free: int, lens: Lens
) -> tuple[Mask, tuple[Floats, Floats], Floats, Floats, Floats] | None:
    """Return one step of the least squares, None where it cannot be taken.

    These are the points seen in both frames, both frames' values there, what may differ smoothly
    between them (n, 9), and the solution (shift, turn where ``free`` is 3, growth where it is 4,
    and the smooth parts) with its covariance.
    """
    ux, uy = points.x, points.y
    cos, sin = np.cos(points.turn), np.sin(points.turn)
    vx, vy = cos * ux - sin * uy, sin * ux + cos * uy
    at_x, at_y = lens.bent(sun[0] + vx, sun[1] + vy)
    at = [(at_y - first.origin[1]) / first.scale, (at_x - first.origin[0]) / first.scale]
    value, weight_first, gx, gy = (
        ndimage.map_coordinates(a, at, order=1, mode="constant").astype(np.float64)
        for a in (first.log, first.weight, first.slope_x, first.slope_y)
    )
    both = (weight_first > 0) & (points.weight > 0)
    if both.sum() < LEAST_PIXELS:
        return None
    root = 1.0 / np.sqrt(1.0 / weight_first[both] + 1.0 / points.weight[both])
    gx, gy = gx[both] / first.scale, gy[both] / first.scale
    px, py = ux[both] / points.reach, uy[both] / points.reach
    # A sky that brightens or slopes adds its light to both, and shows most where it is darkest.
    dark = np.exp(value[both].min() - value[both])
    smooth = np.stack(
        [np.ones_like(px), px, py, px * px, px * py, py * py, dark, dark * px, dark * py], axis=1
    )
    moves = [gx, gy, gy * vx[both] - gx * vy[both]][:free]
    if free > 3:
        # The first's places move out, and those that lie on them less, as the second's did too.
        dx, dy = lens.shift(sun[0] + vx[both], sun[1] + vy[both])
        back_x, back_y = points.grow_x[both], points.grow_y[both]
        dx, dy = dx - cos * back_x + sin * back_y, dy - sin * back_x - cos * back_y
        moves.append(gx * dx + gy * dy)
    logs = value[both], points.log[both]
    ratio = logs[1] - logs[0]
    left = np.expm1(ratio - np.median(ratio))
    fit = _robust_fit(np.column_stack([*moves, smooth]), left, root)
    return None if fit is None else (both, logs, smooth, *fit)


def _robust_fit(design: Floats, left: Floats, root: Floats) -> tuple[Floats, Floats] | None:
    """Return solution and covariance of a fit in which what is far off counts less.

    Prominences, stars and hot pixels are far off. None if the pixels do not tell all unknowns: a
    corona without structure, or the same in all directions, can be shifted or turned freely.
    """
    robust = root
    for _ in range(2):
        weighted = design * robust[:, None]
        normal = weighted.T @ weighted
        size = np.sqrt(np.diag(normal))
        if not np.isfinite(normal).all() or size.min() <= 0.0:
            return None
        if np.linalg.cond(normal / np.outer(size, size)) > WORST_CONDITION:
            return None
        solution = np.linalg.solve(normal, weighted.T @ (left * robust))
        rest = (left - design @ solution) * root
        spread = max(1.4826 * float(np.median(np.abs(rest))), 1e-6)
        robust = root / np.sqrt(1.0 + (rest / (4.0 * spread)) ** 2)
    return np.asarray(solution, np.float64), np.asarray(
        np.linalg.inv(normal) * spread**2, dtype=np.float64
    )


def _without(log: Floats, smooth: Floats) -> Floats:
    """Return a logarithm (n,) without what smooth parts (n, m) explain of it."""
    q = np.linalg.qr(smooth)[0]
    return np.asarray(log - q @ (q.T @ log))


def _streamers(log: Floats, radius: Floats) -> Floats:
    """Return what is left of a logarithm after its mean at each distance from the Sun."""
    ring = (radius / radius.max() * 40).astype(int)
    count = np.maximum(np.bincount(ring), 1)
    return np.asarray(log - (np.bincount(ring, log) / count)[ring])


def coarse_turn(
    first: Detail, second: Detail, sun_first: tuple[float, float], sun_second: tuple[float, float]
) -> tuple[float, float]:
    """Return by how much a second frame is turned, and how clearly, for a start of `register`.

    Parameters
    ----------
    first, second, sun_first, sun_second
        As for `register`.

    Returns
    -------
    turn_deg, correlation : float
        Turn of the second frame onto the first, to half a degree, from -180 to 180.

    Notes
    -----
    Circular cross-correlation of the streamers over position angle, ring by ring. It finds a
    camera that was turned between brackets or a telescope that went over the meridian.
    """
    radius = np.linspace(1.1, 1.9, 12)
    angle = np.radians(np.arange(0.0, 360.0, 0.5))

    def rings(d: Detail, sun: tuple[float, float]) -> Floats:
        r = radius[:, None] * d.lunar_radius
        at = [
            (sun[1] + r * np.sin(angle) - d.origin[1]) / d.scale,
            (sun[0] + r * np.cos(angle) - d.origin[0]) / d.scale,
        ]
        value = ndimage.map_coordinates(d.log, at, order=1)
        seen = ndimage.map_coordinates(d.weight, at, order=1) > 0
        count = np.maximum(seen.sum(axis=1, keepdims=True), 1)
        mean = np.where(seen, value, 0.0).sum(axis=1, keepdims=True) / count
        return np.where(seen, value - mean, 0.0)

    a, b = rings(first, sun_first), rings(second, sun_second)
    product = np.fft.irfft(np.fft.rfft(a) * np.conj(np.fft.rfft(b)), n=angle.size).sum(axis=0)
    norm = float(np.sqrt((a**2).sum() * (b**2).sum()))
    if norm == 0.0:
        return 0.0, 0.0
    k = int(np.argmax(product))
    turn = 0.5 * k
    return half_turn(turn), float(product[k] / norm)
