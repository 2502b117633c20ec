"""From the heavens to the light on the sensor: one frame's radiance in three colours."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter

from . import air, stars
from .air import Cloud, Sky
from .optics import BIN, Optics, aureole_kernel, binned, core_kernel, enlarge, spread, vignette
from .pose import View
from .scene import Scene
from .stars import Stars

MOTHER_OF_SKY = 2e-6  # sky light beside the uneclipsed Sun, mean solar discs


@dataclass(frozen=True)
class Conditions:
    """What differs from frame to frame."""

    seconds: float
    fraction: float  # -1 at C2, +1 at C3
    uncovered: float  # part of the disc, for the sky's light
    seeing: float  # arcsec FWHM
    focus_px: float
    motion: tuple[float, float]  # px
    filtered: bool


@dataclass(frozen=True)
class Surroundings:
    """What stays for a session."""

    scene: Scene
    optics: Optics
    sky: Sky
    cloud: Cloud
    height: float
    filter_gain: np.ndarray  # R, G, B of the solar filter
    stars: Stars | None = None


def light(place: Surroundings, view: View, now: Conditions) -> tuple[list[np.ndarray], float]:
    """Three planes in mean solar discs, and the median transmission of the cloud near the Sun."""
    camera, optics = view.camera, place.optics
    size = (camera.height, camera.width)
    reach = int(np.ceil(optics.aureole_reach / BIN)) * BIN
    margin = int(12 + np.ceil(now.focus_px + np.hypot(*now.motion)))
    x, y = np.arange(-margin, camera.width + margin), np.arange(-margin, camera.height + margin)
    if now.filtered:  # nothing but the disc shows through the filter
        tips = 1.15 if place.scene.line else 1.0  # of the prominences
        far = tips * view.sun_arcsec / view.scale + 6 + margin
        x = x[np.abs(x - view.sun[0]) <= far]
        y = y[np.abs(y - view.sun[1]) <= far]
    sharp = _sharp(place, view, x, y) if len(x) and len(y) else None
    if sharp is not None and place.stars is not None and not now.filtered:
        _points(sharp, place.stars, view, x, y)
    kernel = aureole_kernel(optics, BIN)
    wide_x = np.arange(-reach, camera.width + reach, BIN) + (BIN - 1) / 2
    wide_y = np.arange(-reach, camera.height + reach, BIN) + (BIN - 1) / 2
    around = None
    if not now.filtered:
        around = place.scene.planes(view, wide_x, wide_y, (1,), BIN)[0]
    thick, clear = _cloud(place.cloud, view, now.seconds, wide_x, wide_y)
    cells = reach // BIN
    keep = slice(cells - 2, -cells + 2 or None)
    start = (-2 * BIN, -2 * BIN)
    through = None
    if thick is not None:
        through = enlarge(np.exp(-thick[keep, keep]), size, start)
    passed = air.transmission(view.altitude, place.height)
    shade = vignette(
        optics, np.arange(size[1]), np.arange(size[0]), camera.middle, camera.corner
    )  # fmt: skip
    dusk = _sky(place.sky, view, now, wide_x[keep], wide_y[keep], size, start)
    core = core_kernel(now.seeing / view.scale, optics.lens_blur, now.focus_px, now.motion)
    planes = []
    for c in range(3):
        total = np.zeros(size, np.float32)
        plain = np.zeros(size, np.float32)
        if sharp is not None:
            _paste(total, spread(sharp[c], core), x, y)
            _paste(plain, sharp[c], x, y)
        coarse = np.zeros((len(wide_y), len(wide_x)), np.float32) if around is None else around
        coarse = coarse.copy()
        coarse[cells:-cells, cells:-cells] = binned(plain)
        wings = spread(coarse, kernel)
        total *= 1 - optics.aureole
        total += optics.aureole * enlarge(wings[keep, keep], size, start)
        if through is not None:
            scattered = enlarge(((1 - np.exp(-thick)) * wings)[keep, keep], size, start)
            total = total * through + 0.2 * scattered
        total *= passed[c]
        total += dusk * place.sky.tint[c]
        inside = coarse[cells:-cells, cells:-cells] * passed[c]
        total += optics.glare * inside.mean()
        if optics.ghost:
            mirror = gaussian_filter(inside[::-1, ::-1], optics.ghost_blur / BIN, mode="constant")
            off = (2 * camera.axis_off[1], 2 * camera.axis_off[0])
            total += optics.ghost * enlarge(mirror, size, off)
        total *= shade
        if now.filtered:
            total *= place.filter_gain[c]
        planes.append(np.maximum(total, 0))
    return planes, clear


def _sharp(place: Surroundings, view: View, x, y) -> list[np.ndarray]:
    """Unblurred planes; the lens draws red and blue a little larger or smaller."""
    mx, my = view.camera.middle
    grow = (place.optics.lateral[0], 0.0, place.optics.lateral[1])
    if not any(grow):
        return place.scene.planes(view, x, y)
    return [
        place.scene.planes(view, mx + (x - mx) / (1 + g), my + (y - my) / (1 + g), (c,))[0]
        for c, g in enumerate(grow)
    ]


def _points(planes: list[np.ndarray], some: Stars, view: View, x, y) -> None:
    """Stars are as white as the Sun; those behind the Moon do not shine."""
    at = view.pixels(some.direction)
    free = ~stars.hidden(at, view.moon, view.moon_arcsec / view.scale)
    for k in np.flatnonzero(free):
        for plane in planes:
            stars.add(plane, x, y, some.light[k], at[k], view.scale)


def _paste(target: np.ndarray, patch: np.ndarray, x: np.ndarray, y: np.ndarray) -> None:
    """Put a patch whose pixels are at x and y, as far as it lies inside."""
    inx, iny = (x >= 0) & (x < target.shape[1]), (y >= 0) & (y < target.shape[0])
    if not inx.any() or not iny.any():
        return
    part = patch[np.ix_(iny, inx)]
    target[y[iny][0] : y[iny][-1] + 1, x[inx][0] : x[inx][-1] + 1] = part


def _cloud(cloud: Cloud, view: View, seconds: float, x, y):
    """Optical depth on the coarse grid, and the median transmission within 2.5 solar radii."""
    if cloud.depth == 0:
        return None, 1.0
    east, north = view.scene(x, y)
    thick = cloud.tau(east, north, seconds)
    near = np.hypot(east, north) < 2.5 * view.sun_arcsec
    return thick, float(np.median(np.exp(-thick[near]))) if near.any() else 1.0


def _sky(sky: Sky, view: View, now: Conditions, x, y, size, start) -> np.ndarray:
    east, north = view.scene(x, y)
    dusk = sky.at(east, north, float(np.clip(now.fraction, -1.5, 1.5)))
    return enlarge((dusk + MOTHER_OF_SKY * now.uncovered).astype(np.float32), size, start)
