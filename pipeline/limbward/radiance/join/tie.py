"""How the merge of one body lies on another's, and how bright it is against it.

Both see the same corona where their fields overlap. Brightness is compared as it is: a gain for
each colour (throughput and colour of the lens) and an offset (the sky's light is the same, the
light scattered in the lens is not). Place is told by structure alone: the picture divided by its
own wide blur, less a wide blur of that. The steep mean fall of the corona would turn an error of
0.3 % in brightness (a flat, an aureole) into 0.2 pixel of scale.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from limbward.geometry.grid import Grid
from limbward.normal_matrix import inverse
from limbward.picture.blur import Blur
from limbward.radiance.join.part import NO_TIE, Part, Tie, affine_to, read_part, reduced

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]
Mask = NDArray[np.bool_]

MOST = 1_500_000  # pixels of the first's picture that are looked at; larger ones are binned
INNERMOST = 1.12  # solar radii: nearer the limb the Moon's own edge is in the blur
FEWEST = 400  # pixels of overlap
# Pixels by which both are blurred before they are compared: in a gradient of noise a place gets
# lost, and the rays of the corona are wider.
SOFT = 1.5
ROUNDS = 10
SETTLED = 0.1  # standard errors, by which a round may still move the place
RELATIVE = 0.003  # of the brightness: what flats and lenses leave; noise comes on top
STRUCTURE = 0.07  # solar radii: the wide blur, beyond which structure is not used for the place
CLIP = 4.0
# What is known before: pixels of shift, relative scale, radians, relative radial term at the
# corner, pixels squared of blur. Scales come from the Sun's disc, known to 0.03 px in 100 to 400.
SHIFT, SCALE, TURN, RADIAL, BLUR = 3.0, 3e-4, 3e-3, 1e-2, 6.0
STEEP = 3.0  # the power with which the corona falls: a scale that is off passes for a gain
SHOWS = 4.0  # standard errors from which distortion is believed
MOST_RADIAL = 0.04  # at the corner; no lens that takes a corona has more
# Of the variance that `RELATIVE` gives: structure differs by a fifth of that where nothing is wrong
# (interpolation, exposures that are off), and where the corona has none, that must not be a place.
FLOOR = 0.05
ALIKE = 5.0  # pixels over which what is left of the structure is alike, besides its noise
GREEN = 1


@dataclass(frozen=True)
class Overlap:
    """The two pictures on the first's pixels, as far as both have values.

    ``first`` is blurred as the other is, and both by `SOFT` besides; ``variance`` is of the
    difference.
    """

    first: Pixels
    other: Pixels
    variance: Pixels
    good: Mask


def tie(first: Part, other: Part, sun_radius_px: float) -> Tie | None:
    """Return how the other lies on the first; None where they do not overlap.

    Parameters
    ----------
    first, other : Part
    sun_radius_px : float
        Of the Sun in the first.
    """
    ratio = other.grid.scale_arcsec / first.grid.scale_arcsec
    pixels = first.radiance.shape[1] * first.radiance.shape[2]
    factor = max(1, round(0.75 * ratio), int(np.ceil(np.sqrt(pixels / MOST))))
    small = reduced(first, factor)
    fine = max(1, int(factor / ratio))
    with np.errstate(invalid="ignore"):
        pair = _Pair(small, reduced(other, fine), sun_radius_px / factor, factor, fine)
        start = max(0.6 * (ratio**2 - 1.0), 0.0)  # blurs of pixels' size: 0.8 pixels each
        found = _solve(pair, replace(NO_TIE, blur=start), radial=False)
        if found is None:
            return None
        bent = _solve(pair, found, radial=True)
        shown = bent is not None and abs(bent.radial) > SHOWS * bent.radial_sigma
        if bent is not None and shown and abs(bent.radial) < MOST_RADIAL:
            return bent
        return found if bent is None else replace(found, radial_sigma=bent.radial_sigma)


@dataclass(frozen=True)
class _Pair:
    """The parts made smaller, by ``factor`` and ``fine``, and the Sun's radius in the first."""

    first: Part
    other: Part
    sun_radius_px: float
    factor: int
    fine: int

    @property
    def grid(self) -> Grid:
        return self.first.grid

    def overlap(self, tie: Tie) -> Overlap | None:
        """Return the two pictures as a tie lays them on each other."""
        shape = self.first.radiance.shape[1:]
        small = replace(tie, shift=tie.shift / self.fine)
        sigma = np.sqrt(tie.blur) / self.factor
        rows, columns = np.indices(shape)
        rho = np.hypot(columns - self.grid.sun_x, rows - self.grid.sun_y) / self.sun_radius_px
        known = np.isfinite(self.first.radiance).all(axis=0) & (rho > INNERMOST)
        other = np.stack([self._read(p, small) for p in self.other.radiance])
        sigmas = np.stack([self._read(p, small, nearest=True) for p in self.other.sigma])
        good = known & np.isfinite(other).all(axis=0) & np.isfinite(sigmas).all(axis=0)
        if np.count_nonzero(good) < FEWEST:
            return None
        first = self.first.radiance
        if sigma > 0.25:
            whole = np.isfinite(first).all(axis=0)
            weight = np.asarray(whole, np.float32)
            blur = Blur(weight, sigma)
            first = np.stack([blur(np.where(whole, p, np.float32(0.0))) for p in first])
            # Where the blur reaches into a gap it is no longer the other's.
            good &= Blur(weight.shape, sigma)(weight) > 0.999
        pixel = self.other.grid.scale_arcsec / self.grid.scale_arcsec
        areas = self.first.area, self.other.area * pixel**2
        mine, theirs = (
            np.square(s) * a.reshape(3, 1, 1)
            for s, a in zip((self.first.sigma, sigmas), areas, strict=True)
        )
        variance = np.asarray(mine + theirs * tie.gain.reshape(3, 1, 1) ** 2, np.float32)
        good &= np.isfinite(variance).all(axis=0)
        if np.count_nonzero(good) < FEWEST:
            return None
        weight = np.asarray(good, np.float32)
        blur = Blur(weight, SOFT)
        first, other = (
            np.stack([blur(np.where(good, p, np.float32(0.0))) for p in planes])
            for planes in (first, other)
        )
        # Beside a gap the two would be blurred to one side, and the picture is steep.
        good &= Blur(weight.shape, SOFT)(weight) > 0.999
        if np.count_nonzero(good) < FEWEST:
            return None
        return Overlap(first, other, variance / np.float32(4 * np.pi * SOFT**2), good)

    def _read(self, plane: Pixels, small: Tie, *, nearest: bool = False) -> Pixels:
        _, height, width = self.first.radiance.shape
        return read_part(plane, self.other, self.grid, small, (height, width), nearest=nearest)


def _solve(pair: _Pair, start: Tie, *, radial: bool) -> Tie | None:
    found = start
    for _ in range(ROUNDS):
        seen = pair.overlap(found)
        if seen is None:
            return None
        found, moved = _place(pair, seen, _brightness(seen, found), radial=radial)
        if moved < SETTLED:
            break
    seen = pair.overlap(found)
    return None if seen is None else _brightness(seen, found)


def _brightness(seen: Overlap, tie: Tie) -> Tie:
    """Return the tie with gains and offsets that fit best, outliers left out."""
    gain, offset, sigma = np.ones(3), np.zeros(3), np.zeros(3)
    left = []
    for c in range(3):
        x, y = (p[c][seen.good].astype(np.float64) for p in (seen.other, seen.first))
        level = np.abs(np.median(y))
        error = np.hypot(
            RELATIVE * np.maximum(np.abs(y), 1e-3 * level), np.sqrt(seen.variance[c][seen.good])
        )
        unit = max(float(np.median(np.abs(x))), 1e-30)
        design = np.column_stack([x, np.full(x.size, unit)]) / error[:, None]
        keep = np.ones(x.size, bool)
        answer, spread = np.zeros(2), 1.0
        for _ in range(6):
            normal = design[keep].T @ design[keep]
            answer = inverse(normal) @ (design[keep].T @ (y[keep] / error[keep]))
            rest = y / error - design @ answer
            spread = max(1.4826 * float(np.median(np.abs(rest[keep]))), 1e-9)
            keep = np.abs(rest) < CLIP * spread
        gain[c], offset[c] = answer[0], answer[1] * unit
        covariance = inverse(design[keep].T @ design[keep]) * spread**2 * ALIKE**2
        sigma[c] = np.hypot(np.sqrt(covariance[0, 0]), STEEP * tie.scale_sigma * gain[c])
        # What noise explains is no mismatch.
        relative = (y - gain[c] * x - offset[c]) / np.maximum(np.abs(y), 1e-3 * level)
        noise = seen.variance[c][seen.good] / np.maximum(y**2, (1e-3 * level) ** 2)
        weight = 1.0 / (RELATIVE**2 + noise)
        left.append(np.sum(weight * np.clip(relative**2 - noise, -1, 1)) / np.sum(weight))
    mismatch = float(np.sqrt(max(np.mean(left), 0.0)))
    return replace(tie, gain=gain, offset=offset, gain_sigma=sigma, mismatch=mismatch)


def _place(pair: _Pair, seen: Overlap, tie: Tie, *, radial: bool) -> tuple[Tie, float]:
    """Return the tie with the place, the turn, the scale and the blur that fit the structure.

    Besides, by how many standard errors the place has moved at most.
    """
    good, c = seen.good, GREEN
    u = tie.gain[c] * seen.other[c] + tie.offset[c]
    v = seen.first[c]
    wide = max(STRUCTURE * pair.sun_radius_px, 3.0)
    weight = good.astype(np.float32)
    blur = Blur(weight, wide)
    smooth = blur(np.where(good, v, np.float32(0.0)))
    smooth = np.maximum(smooth, 1e-4 * np.nanmax(np.where(good, smooth, np.nan)))

    def structure(image: Pixels) -> Pixels:
        flat = np.where(good, image / smooth, np.float32(0.0)).astype(np.float32)
        return np.asarray(flat - blur(flat), np.float32)

    # Of both, so that the noise of either shortens the gradients by half as much.
    mean = np.where(good, 0.5 * (u + v), np.nan).astype(np.float32)
    gy, gx = (np.asarray(g, np.float32) for g in np.gradient(mean))
    inner = good & np.isfinite(gx) & np.isfinite(gy)
    small = replace(tie, shift=tie.shift / pair.fine)
    columns = _columns(pair, small, gx, gy, radial=radial)
    columns.append(np.asarray(-0.5 * _laplacian(mean) / pair.factor**2, np.float32))
    inner &= np.isfinite(columns[-1])
    # What is wrong with the brightness yet must not pass for a place.
    columns += [mean, np.ones_like(mean)]
    design = np.stack([structure(np.nan_to_num(k))[inner] for k in columns], axis=1).astype(float)
    rest = structure(np.nan_to_num(u - v))[inner].astype(np.float64)
    noise = seen.variance[c][inner] / np.asarray(smooth, np.float64)[inner] ** 2
    weights = 1.0 / (RELATIVE**2 + noise)
    prior = [SHIFT, SHIFT, SCALE, TURN, *([RADIAL] if radial else []), BLUR, np.inf, np.inf]
    before = np.zeros(len(prior))
    before[:4] = *tie.shift, tie.scale, np.radians(tie.turn_deg)
    if radial:
        before[4] = tie.radial
    keep = np.ones(rest.size, bool)
    step, covariance = np.zeros(len(prior)), np.zeros((len(prior),) * 2)
    for _ in range(4):
        a = design[keep] * weights[keep, None]
        scale = max(float(np.mean(weights[keep] * rest[keep] ** 2)), FLOOR) * ALIKE**2
        normal = a.T @ design[keep] / scale + np.diag(1.0 / np.square(prior))
        covariance = inverse(normal)
        step = -covariance @ (a.T @ rest[keep] / scale + before / np.square(prior))
        left = np.abs(rest + design @ step) * np.sqrt(weights)
        keep = left < CLIP * 1.4826 * max(float(np.median(left)), 1e-9)
    sigma = np.sqrt(np.diag(covariance))
    places = 5 if radial else 4
    found = replace(
        tie,
        shift=tie.shift + step[:2],
        scale=tie.scale + float(step[2]),
        scale_sigma=float(sigma[2]),
        turn_deg=tie.turn_deg + float(np.degrees(step[3])),
        radial=tie.radial + (float(step[4]) if radial else 0.0),
        radial_sigma=float(sigma[4]) if radial else np.inf,
        blur=max(tie.blur + float(step[places]), 0.0),
    )
    return found, float(np.max(np.abs(step[:places]) / sigma[:places]))


def _columns(pair: _Pair, small: Tie, gx: Pixels, gy: Pixels, *, radial: bool) -> list[Pixels]:
    """Return how the other's picture on the first's pixels changes with each number of its place.

    One unit of the shifts is a pixel of the other at its full size.
    """
    shape = gx.shape
    rows, columns = np.indices(shape, dtype=np.float32)
    affine = affine_to(pair.other, pair.grid, small)
    px = affine[0, 0] * columns + affine[0, 1] * rows + affine[0, 2]
    py = affine[1, 0] * columns + affine[1, 1] * rows + affine[1, 2]
    back = np.linalg.inv(affine[:, :2])
    # Gradient by places in the other's picture.
    hx = gx * back[0, 0] + gy * back[1, 0]
    hy = gx * back[0, 1] + gy * back[1, 1]
    dx, dy = px - pair.other.grid.sun_x, py - pair.other.grid.sun_y
    out = [hx / pair.fine, hy / pair.fine, hx * dx + hy * dy, hy * dx - hx * dy]
    if radial:
        ax, ay = px - pair.other.axis[0], py - pair.other.axis[1]
        out.append((hx * ax + hy * ay) * (ax**2 + ay**2) / pair.other.corner**2)
    return [np.asarray(k, np.float32) for k in out]


def _laplacian(image: Pixels) -> Pixels:
    out = np.full(image.shape, np.nan, np.float32)
    middle = image[1:-1, 1:-1]
    around = image[:-2, 1:-1] + image[2:, 1:-1] + image[1:-1, :-2] + image[1:-1, 2:]
    out[1:-1, 1:-1] = around - 4.0 * middle
    return out
