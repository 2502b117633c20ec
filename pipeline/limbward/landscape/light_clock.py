"""A camera's clock from the light that the Moon leaves: of the filtered Sun, and of the sky."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from limbward.landscape.crescent import light_left
from limbward.landscape.heavens import Heavens

Floats = NDArray[np.float64]

COVERED = 0.002  # of the Sun's light: less says little of time, and is easily the corona
CAPPED = 3.0  # residuals, in their usual size: further off a frame does not count
SHALLOW = 6.0  # least gain in cost over a clock that is far off, for one to be believed
# The sky's light goes with the Sun's until what comes in from beyond the shadow takes over.
DUSKS = 10.0 ** np.arange(-5.5, -1.4, 0.5)
NEAR_S, FAR_S = 20.0, 90.0  # between the offsets that are tried first
SPREAD = {"filtered": 0.01, "sky": 0.1}  # least usual size of residuals, natural logarithm


@dataclass(frozen=True)
class LightClock:
    """A clock: its reading minus UTC, and the error, both in seconds."""

    offset_s: float
    sigma_s: float
    frames: int


def clock_from_light(
    heavens: Heavens,
    reading_s: Floats,
    filtered: Floats,
    sky: Floats,
    centre_s: float,
    half_width_s: float,
) -> LightClock | None:
    """Return the clock that dates the fading and the return of the light best.

    Parameters
    ----------
    heavens : Heavens
    reading_s : ndarray, shape (N,)
        What the camera's clock read at the middle of each exposure, seconds from the epoch.
    filtered : ndarray, shape (N,)
        Light of the Sun through a filter over exposure and sensitivity; NaN in other frames.
    sky : ndarray, shape (N,)
        Brightness of the landscape over exposure and sensitivity; NaN in other frames.
    centre_s, half_width_s : float
        Offsets that are tried.

    Returns
    -------
    LightClock or None
        None if the light tells nothing: too few frames, or none of the partial phases.

    Notes
    -----
    Of the filtered Sun the light is a constant times the share that the Moon leaves, fainter with
    air mass; of the sky, that share and a share of dusk. The constants are free. A steady change of
    transparency is taken up by the air mass; clouds are left out as far as they are not many.
    """
    series = [
        (kind, np.flatnonzero(np.isfinite(v) & (v > 0)), v)
        for kind, v in (("filtered", filtered), ("sky", sky))
    ]
    series = [(kind, rows, np.log(v[rows])) for kind, rows, v in series if rows.size >= 5]
    if not series:
        return None

    def costs(offsets: Floats) -> Floats:
        each = [_costs(heavens, reading_s[rows], v, kind, offsets) for kind, rows, v in series]
        return np.asarray(sum(each))

    step = NEAR_S if half_width_s <= 1800.0 else FAR_S
    offsets = centre_s + np.arange(-half_width_s, half_width_s + step, step)
    coarse = costs(offsets)
    if np.max(coarse) - np.min(coarse) < SHALLOW:
        return None
    best = float(offsets[int(np.argmin(coarse))])
    while step > 0.2:
        fine = best + np.linspace(-1.5 * step, 1.5 * step, 31)
        found = costs(fine)
        best, step = float(fine[int(np.argmin(found))]), step / 8.0
    sigma = _width(costs, best)
    count = sum(rows.size for _, rows, _ in series)
    return LightClock(best, sigma, int(count))


def _width(costs: Callable[[Floats], Floats], best: float) -> float:
    """Return where the cost has risen by one, from a few probes ever further away."""
    lowest = float(costs(np.array([best]))[0])
    for reach in (0.25, 0.5, 1, 2, 4, 8, 16, 32, 64, 128, 256):
        sides = costs(best + np.array([-reach, reach], float)) - lowest
        if np.min(sides) > 1.0:
            return float(reach / np.sqrt(np.mean(np.clip(sides, 1.0, 25.0))))
    return 256.0


def _costs(
    heavens: Heavens, reading_s: Floats, logarithm: Floats, kind: str, offsets: Floats
) -> Floats:
    """Return the cost of each offset, in squares of the usual residual, capped."""
    residuals = np.stack([_residuals(heavens, reading_s - o, logarithm, kind) for o in offsets])
    usual = 1.4826 * np.median(np.abs(residuals), axis=1)
    scale = max(float(usual.min()), SPREAD[kind])
    return np.asarray(np.minimum((residuals / scale) ** 2, CAPPED**2).sum(axis=1))


def _residuals(heavens: Heavens, t: Floats, logarithm: Floats, kind: str) -> Floats:
    inside = np.clip(t, heavens.first_s, heavens.last_s)
    share = light_left(heavens, inside).share
    if kind == "filtered":
        told = share > COVERED
        if told.sum() < 4:
            return np.full(t.shape, 1e3)
        sun, _ = heavens.sun_moon(inside)
        mass = 1.0 / np.maximum(sun[:, 2], 0.05)
        model = np.log(np.maximum(share, COVERED))
        design = np.stack([np.ones(t.shape), mass - mass.mean()], axis=-1)
        wrong = logarithm - model - _robust(design, logarithm - model, told)
        # Where nothing should be left of the Sun, a light is not explained.
        return np.asarray(np.where(told, wrong, 1e3))
    best, found = np.inf, np.zeros(t.shape)
    for dusk in DUSKS:
        wrong = logarithm - np.log(share + dusk)
        wrong = wrong - np.median(wrong)
        cost = float(np.sum(np.minimum(np.abs(wrong), 1.0)))
        if cost < best:
            best, found = cost, wrong
    return found


def _robust(design: Floats, value: Floats, told: NDArray[np.bool_]) -> Floats:
    """Return a fit that a few strays do not draw: least squares over those within three usual."""
    use = told.copy()
    fitted = np.full(value.shape, float(np.median(value[told])))
    for _ in range(4):
        wrong = np.abs(value - fitted)
        usual = max(1.4826 * float(np.median(wrong[told])), 0.003)
        use = told & (wrong < 3.0 * usual)
        if use.sum() < 3:
            break
        solution, *_ = np.linalg.lstsq(design[use], value[use], rcond=None)
        solution[1] = np.clip(solution[1], -1.0, 0.2)  # of extinction: it takes light
        fitted = design @ solution
    return np.asarray(fitted)
