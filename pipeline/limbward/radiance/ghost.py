"""A reflection between lens and sensor: a weak, blurred picture of the corona, upside down.

Light that the sensor sends back and a lens surface returns makes a second picture, turned by half a
turn about the optical axis and out of focus. It shows on the dark Moon, where nothing else is
bright: there it is measured, and then subtracted everywhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates

from limbward.radiance.registered import FrameView, RegisteredFrames

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]

INSIDE = 0.85  # of the Moon's radius: nearer the limb the corona's own blur is brighter
PLACES = 1500  # of a frame's Moon
LONGEST = 8  # frames looked at: only long exposures show anything on the Moon
BLURS = (0.004, 0.01, 0.02)  # of the frame's width: standard deviations tried
AWAY = np.linspace(-0.03, 0.03, 7)  # of the frame's width: places of the axis from the middle
# Of the Moon's radius: standard deviations of upright pictures of the corona, of which the lens's
# scattered light is made up. Without them a session with 1 % of it and a ghost of 0.0002 was said
# to have one of 0.0014, and lost 1 % of the corona on one side.
WINGS = (0.08, 0.2, 0.5)
EXPLAINED = 0.5  # of the variance on the Moon that a ghost must explain
CERTAIN = 8.0  # standard errors of its strength
STRONGEST = 0.02


@dataclass(frozen=True)
class Ghost:
    """A ghost's strength in R, G, B, its standard error, and its geometry in the frame, pixels.

    Attributes
    ----------
    strength, sigma : ndarray, shape (3,)
        Of the light that makes it.
    axis_x, axis_y : float
        The point about which it is turned.
    blur_px : float
        Standard deviation of its point spread.
    """

    strength: Floats
    sigma: Floats
    axis_x: float
    axis_y: float
    blur_px: float

    def record(self) -> dict[str, object]:
        """Return plain values for noise.json."""
        return {
            "strength": self.strength.tolist(),
            "strength_sigma": self.sigma.tolist(),
            "axis_px": [self.axis_x, self.axis_y],
            "blur_px": self.blur_px,
        }

    def words(self) -> str:
        """Return a sentence for the user."""
        return (
            f"A reflection inside the lens shows the corona upside down with {self.strength[1]:.1g}"
            f" of its light, rotated about ({self.axis_x:.0f}, {self.axis_y:.0f}); it is "
            "subtracted."
        )


class _Mirror:
    """The corona of the registered frames as its ghost would show it in a frame."""

    def __init__(self, registered: RegisteredFrames) -> None:
        self._registered = registered
        small = registered.grid.reduced(registered.factor)
        self._small = small
        self.rows, self.columns = np.indices((small.height, small.width), dtype=np.float64)

    def _from_small(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        grid, small, f = self._registered.grid, self._small, self._registered.factor
        return (x - small.sun_x) * f + grid.sun_x, (y - small.sun_y) * f + grid.sun_y

    def light(self, view: FrameView, blur_px: float) -> Floats:
        """Return the corona outside this frame's Moon, blurred, on the small grid (3, h, w)."""
        at = self.to_frame(view, self.columns, self.rows)
        away = np.hypot(at[0] - view.moon.x, at[1] - view.moon.y)
        corona = self._registered.predicted.astype(np.float64) * (away > view.moon.radius)
        return np.stack([gaussian_filter(c, blur_px / self._registered.factor) for c in corona])

    def to_frame(self, view: FrameView, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Return where places of the small grid are in a frame."""
        x, y = self._from_small(x, y)
        a = view.affine
        return a[0, 0] * x + a[0, 1] * y + a[0, 2], a[1, 0] * x + a[1, 1] * y + a[1, 2]

    def upright(self, view: FrameView, light: Floats, x: Floats, y: Floats) -> Floats:
        """Return green light (3, h, w) of the small grid at places of a frame, as it is."""
        return self._at(view, light[1:2], x, y)[0]

    def _at(self, view: FrameView, light: Floats, x: Floats, y: Floats) -> Floats:
        grid, small, f = self._registered.grid, self._small, self._registered.factor
        turned = np.stack([x, y]) - view.affine[:, 2].reshape(2, *(1 for _ in x.shape))
        inverse = np.linalg.inv(view.affine[:, :2])
        gx = inverse[0, 0] * turned[0] + inverse[0, 1] * turned[1]
        gy = inverse[1, 0] * turned[0] + inverse[1, 1] * turned[1]
        at = np.stack([(gy - grid.sun_y) / f + small.sun_y, (gx - grid.sun_x) / f + small.sun_x])
        return np.stack([map_coordinates(c, at, order=1, mode="constant") for c in light])

    def sample(
        self, view: FrameView, light: Floats, axis: tuple[float, float], x: Floats, y: Floats
    ) -> Floats:
        """Return the ghost (3, ...) of unit strength at places of a frame."""
        return self._at(view, light, 2 * axis[0] - x, 2 * axis[1] - y)


@dataclass(frozen=True)
class _Moon:
    """What a frame shows on its Moon: places, radiances (3, n), and the smooth light's basis."""

    view: FrameView
    x: Floats
    y: Floats
    value: Floats
    smooth: Floats


def _moon_of(mirror: _Mirror, view: FrameView, exposure_s: float) -> _Moon | None:
    f = view.factor
    reach = INSIDE * view.moon.radius
    rows, columns = np.indices(view.planes.shape[1:])
    places = f * (np.stack([columns, rows]) + 0.5) - 0.5
    dx, dy = (places[0] - view.moon.x) / reach, (places[1] - view.moon.y) / reach
    inside = np.flatnonzero((dx**2 + dy**2 < 1.0).ravel())
    inside = inside[:: max(1, inside.size // PLACES)]
    value = view.planes.reshape(3, -1)[:, inside].astype(np.float64) / exposure_s
    good = np.isfinite(value).all(axis=0)
    if np.count_nonzero(good) < 100:
        return None
    inside, value = inside[good], value[:, good]
    u, v = dx.ravel()[inside], dy.ravel()[inside]
    r2 = u**2 + v**2
    x, y = places.reshape(2, -1)[:, inside]
    wings = [
        mirror.upright(view, mirror.light(view, width * view.moon.radius), x, y) for width in WINGS
    ]
    parts = np.stack([np.ones_like(u), u, v, r2, r2**2, *wings], axis=1)
    smooth = np.linalg.qr(parts / np.abs(parts).max(axis=0))[0]
    return _Moon(view, x, y, _without(value, smooth), smooth)


def _without(value: Floats, smooth: Floats) -> Floats:
    return value - (value @ smooth) @ smooth.T


def find_ghost(
    registered: RegisteredFrames, views: Sequence[FrameView], factor: Floats
) -> Ghost | None:
    """Return the ghost that the frames show on the Moon, None if none is certain.

    Parameters
    ----------
    registered : RegisteredFrames
        Its predicted radiance is what is reflected.
    views : sequence of FrameView
        Frames of the longest exposures.
    factor : ndarray
        True exposures of ``views`` in units of the nominal ones.

    Notes
    -----
    On the Moon lie earthshine, taken as a sum of 1, x, y, r^2 and r^4, and scattered light, which
    is the corona the right way round, spread over `WINGS`. What is left is compared with the
    mirrored corona, for places of the optical axis near the middle of the frame and for a few
    blurs.
    """
    mirror = _Mirror(registered)
    moons = [_moon_of(mirror, v, v.exposure_s * g) for v, g in zip(views, factor, strict=True)]
    seen = [m for m in moons if m is not None]
    if not seen:
        return None
    height, width = (n * views[0].factor for n in views[0].planes.shape[1:])
    total = np.array([(m.value**2).sum(axis=1) for m in seen]).sum(axis=0)
    most, found = 0.0, None
    for blur in BLURS:
        lights = [mirror.light(m.view, blur * width) for m in seen]
        for ay in AWAY:
            for ax in AWAY:
                axis = (width - 1) / 2 + ax * width, (height - 1) / 2 + ay * width
                square, product, number = np.zeros(3), np.zeros(3), 0
                for moon, light in zip(seen, lights, strict=True):
                    shape = mirror.sample(moon.view, light, axis, moon.x, moon.y)
                    shape = _without(shape, moon.smooth)
                    square += (shape**2).sum(axis=1)
                    product += (shape * moon.value).sum(axis=1)
                    number += moon.x.size
                if (square <= 0).any() or (total <= 0).any():
                    continue
                strength = product / square
                explained = float(np.mean(product**2 / square / total))
                sigma = np.sqrt(np.maximum(total - product**2 / square, 0.0) / number / square)
                if explained > most:
                    most, found = explained, Ghost(strength, sigma, *axis, blur * width)
    if found is None or most < EXPLAINED:
        return None
    sure = (found.strength > CERTAIN * found.sigma) & (found.strength < STRONGEST)
    return found if sure.all() else None


def ghost_on_grid(registered: RegisteredFrames, view: FrameView, ghost: Ghost) -> Pixels:
    """Return a frame's ghost on the small grid (3, h, w), ADU/s."""
    mirror = _Mirror(registered)
    x, y = mirror.to_frame(view, mirror.columns, mirror.rows)
    light = mirror.light(view, ghost.blur_px)
    out = mirror.sample(view, light, (ghost.axis_x, ghost.axis_y), x, y)
    return np.asarray(out * ghost.strength[:, None, None], np.float32)
