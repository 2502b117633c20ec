"""Registering frames on the corona itself: its fine structure, compared in pairs of frames."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from limbward.geometry.angle import half_turn
from limbward.geometry.lens import MOST, STRAIGHT, Lens
from limbward.limb import veil
from limbward.limb.corona import Detail

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]
Mask = NDArray[np.bool_]

LEAST_PIXELS, MOST_PIXELS = 500, 10000  # compared; more make it slower, not better
FURTHEST, FURTHEST_TURN = 12.0, 0.1  # pixels of a crop, radians; limbs put frames much nearer
SETTLED_PX = 0.003
BELIEVED = 0.25  # trust of a pixel, see `limbward.limb.veil`, by which frames are told to be alike
# Terms of the factor and of the added light that likeness is told without: second and first degree.
# Without more of them, a corona of few streamers has nothing left to be alike in.
PLAIN_FACTOR, PLAIN_LIGHT = 6, 3
STEPS, LEAST_STEPS = 12, 4  # what is to be doubted shows in the first few
FLOOR_PX = 0.01  # no pair of frames is registered better


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
    the gradients, which weighs each pixel by its noise and needs no window. What may lie between
    the pictures is solved for as well, see `limbward.limb.veil`: exposure, thin cloud, vignetting
    and a sky that brightens to one side go there and do not pull the corona.

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
    steps = 0
    while True:
        steps += 1
        bent = lens.grown(lens.growth + p[3]) if with_growth else lens
        if with_growth:
            points = _points(second, sun_second, bent, points.trust) or points
        moved = replace(points, turn=np.radians(turn_deg) + p[2])
        both = _equations(first, moved, (sun_first[0] + p[0], sun_first[1] + p[1]), free, bent)
        if both is None:
            return None
        cell, before = points.cells[0][both.seen], points.trust[both.seen]
        found = veil.fit(both.design, both.left, both.root, cell, before)
        if found is None:
            return None
        solution, points.trust[both.seen] = found
        p[:free] += solution[:free]
        if np.hypot(p[0], p[1]) > furthest or abs(p[2]) > FURTHEST_TURN or abs(p[3]) > MOST:
            return None
        turned = float(solution[2]) * points.reach if free > 2 else 0.0
        still = np.hypot(np.hypot(solution[0], solution[1]), turned) < SETTLED_PX
        if (still and steps >= LEAST_STEPS) or steps == STEPS:
            break
    alike = _likeness(both, points, found[1])
    if alike is None:
        return None
    cells = tuple(c[both.seen] for c in points.cells)
    covariance = veil.covariance_of(both.design, both.left, both.root, cells, before)
    sigma = float(np.sqrt(0.5 * (covariance[0, 0] + covariance[1, 1])))
    turn_sigma = float(np.degrees(np.sqrt(covariance[2, 2]))) if free > 2 else 0.0
    growth_sigma = float(np.sqrt(covariance[3, 3])) if with_growth else np.inf
    return Shift(
        float(p[0]),
        float(p[1]),
        float(np.degrees(p[2])),
        float(np.hypot(sigma, FLOOR_PX)),
        float(np.hypot(turn_sigma, np.degrees(FLOOR_PX / points.reach))),
        alike,
        float(p[3]),
        growth_sigma,
    )


@dataclass(frozen=True)
class _Points:
    """Pixels of a second frame that are compared: places from its Sun (full raw pixels), values.

    ``reach`` is the largest distance; ``turn`` (radians) lays the places on the first frame.
    ``grow_x`` and ``grow_y`` are by how much a growth of the lens by 1 moves them. ``smooth`` is
    the polynomial of the places, ``cells`` are the pieces of the picture that they lie in, of two
    sizes, and ``trust`` says how far each is believed so far.
    """

    x: Floats
    y: Floats
    log: Floats
    weight: Floats
    reach: float
    grow_x: Floats
    grow_y: Floats
    smooth: Floats
    cells: tuple[Counts, ...]
    trust: Floats
    turn: float = 0.0


def _points(
    detail: Detail, sun: tuple[float, float], lens: Lens, trust: Floats | None = None
) -> _Points | None:
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
    size = max(veil.CELL_RADII * detail.lunar_radius, veil.LEAST_CELL_PX * detail.scale)
    cells = veil.cells_of(x, y, size), veil.cells_of(x, y, veil.LARGER * size)
    trust = np.ones(x.size) if trust is None else trust
    reach = float(np.hypot(x, y).max())
    smooth = veil.polynomial(x / reach, y / reach)
    return _Points(x, y, log, weight, reach, grow_x, grow_y, smooth, cells, trust)


class _Equations(NamedTuple):
    """What n points that both frames show say of a shift.

    ``seen`` tells which of the second frame's points they are, ``logs`` are both frames' values,
    ``design`` is of shift, turn where ``free`` is 3, growth where it is 4, and smooth parts;
    ``left`` is what it must explain, ``root`` the square roots of the weights.
    """

    seen: Mask
    logs: tuple[Floats, Floats]
    design: Floats
    left: Floats
    root: Floats


def _equations(
    first: Detail, points: _Points, sun: tuple[float, float], free: int, lens: Lens
) -> _Equations | None:
    """Return the equations at a shift, None where the frames have too little in common."""
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
    smooth = veil.smooth_parts(points.smooth[both], value[both])
    return _Equations(both, logs, np.column_stack([*moves, smooth]), left, root)


def _likeness(both: _Equations, points: _Points, trust: Floats) -> float | None:
    """Return the correlation of the streamers where they are believed, None without any."""
    believed = trust > BELIEVED
    places = points.smooth[both.seen][:, :PLAIN_FACTOR]
    smooth = veil.smooth_parts(places, both.logs[0], PLAIN_LIGHT)[believed]
    radius = np.hypot(points.x[both.seen], points.y[both.seen])[believed]
    a, b = (_streamers(_without(log[believed], smooth), radius) for log in both.logs)
    if a.size < 2 or a.std() == 0.0 or b.std() == 0.0:
        return None
    return float(np.corrcoef(a, b)[0, 1])


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
