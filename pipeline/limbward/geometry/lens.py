"""The radial distortion of a lens: from places that it should draw to places that it draws.

A place at the distance r from the lens's axis is drawn at ``r (1 + growth (r / corner)**2)``, the
first term of the series of D. C. Brown, *Decentering distortion of lenses*, Photogrammetric
Engineering 32 (1966) 444. The axis is taken to be in the middle of the frame.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

MOST = 0.04  # at the corner; no lens that takes a corona has more
SHOWS = 5.0  # standard errors from which distortion is believed
STEPS = 12  # of Newton's method; it converges in four for 4 %


@dataclass(frozen=True)
class Lens:
    """How a lens draws a frame.

    "Straight" places are those that it would draw without distortion; both kinds are pixels of the
    frame, and the same on the axis.

    Attributes
    ----------
    x, y : float
        Its axis, pixels.
    corner : float
        From there to the frame's corner, pixels.
    growth : float
        By how much of itself the distance of the corner is drawn larger.

    Examples
    --------
    >>> lens = Lens.of_frame(6001, 4001, 0.004)
    >>> x, y = lens.bent(6000.0, 2000.0)
    >>> float(x.round(2)), float(y)
    (6008.31, 2000.0)
    >>> [float(v.round(6)) for v in lens.straight(x, y)]
    [6000.0, 2000.0]
    """

    x: float = 0.0
    y: float = 0.0
    corner: float = 1.0
    growth: float = 0.0

    @classmethod
    def of_frame(cls, width: float, height: float, growth: float) -> Lens:
        """Return the lens of frames of a size in pixels."""
        corner = float(np.hypot(width, height)) / 2.0
        return cls((width - 1.0) / 2.0, (height - 1.0) / 2.0, corner, growth)

    @property
    def bends(self) -> bool:
        """Whether there is any distortion."""
        return self.growth != 0.0

    @property
    def per_square(self) -> float:
        """The growth at a distance of one pixel."""
        return self.growth / self.corner**2

    def grown(self, growth: float) -> Lens:
        """Return the lens with another growth."""
        return replace(self, growth=growth)

    def reduced(self, factor: float) -> Lens:
        """Return the lens in the pixels of a frame reduced by ``factor``."""
        x, y = ((v + 0.5) / factor - 0.5 for v in (self.x, self.y))
        return Lens(x, y, self.corner / factor, self.growth)

    def squared(self, x: ArrayLike, y: ArrayLike) -> Floats:
        """Return the squares of distances from the axis, in that of the corner."""
        dx, dy = np.asarray(x, float) - self.x, np.asarray(y, float) - self.y
        return np.asarray((dx**2 + dy**2) / self.corner**2)

    def bent(self, x: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
        """Return where straight places are drawn."""
        px, py = np.asarray(x, float), np.asarray(y, float)
        if not self.bends:
            return px, py
        grow = self.growth * self.squared(px, py)
        return px + (px - self.x) * grow, py + (py - self.y) * grow

    def straight(self, x: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
        """Return the straight places of what is drawn at (x, y); the inverse of `bent`.

        Where so strong a barrel distortion would fold the picture, the place is that of the fold.
        """
        px, py = np.asarray(x, float), np.asarray(y, float)
        if not self.bends:
            return px, py
        drawn = np.sqrt(self.squared(px, py))
        r = drawn.copy()
        for _ in range(STEPS):
            slope = np.maximum(1.0 + 3.0 * self.growth * r**2, 0.05)
            r = r - (r * (1.0 + self.growth * r**2) - drawn) / slope
        share = 1.0 / (1.0 + self.growth * r**2)
        return self.x + (px - self.x) * share, self.y + (py - self.y) * share

    def shift(self, x: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
        """Return by how much a growth of 1 would move straight places, pixels."""
        share = self.squared(x, y)
        return (np.asarray(x) - self.x) * share, (np.asarray(y) - self.y) * share

    def straight_disc(
        self, x: ArrayLike, y: ArrayLike, radius: ArrayLike
    ) -> tuple[Floats, Floats, Floats]:
        """Return centre and radius of discs as drawn without distortion.

        Parameters
        ----------
        x, y, radius : array_like
            Of circles fitted to the limbs as they are drawn.

        Notes
        -----
        A circle of radius R at the distance q from the axis is drawn with its limb's mean distance
        larger by ``k R (2 q**2 + R**2)`` and the centre of the circle that fits it best further out
        by ``k q (q**2 + 3 R**2)``, k being `per_square`: the means and first harmonics of the shift
        along the radius.
        """
        px, py, pr = (np.asarray(v, float) for v in (x, y, radius))
        if not self.bends:
            return px, py, pr
        size = (pr / self.corner) ** 2
        sx, sy = self.straight(px, py)
        more = 1.0 + 3.0 * self.growth * size
        sx, sy = self.x + (sx - self.x) / more, self.y + (sy - self.y) / more
        return sx, sy, pr / (1.0 + self.growth * (2.0 * self.squared(sx, sy) + size))

    def bent_disc(
        self, x: ArrayLike, y: ArrayLike, radius: ArrayLike
    ) -> tuple[Floats, Floats, Floats]:
        """Return the circles that fit discs as they are drawn; the inverse of `straight_disc`."""
        px, py, pr = (np.asarray(v, float) for v in (x, y, radius))
        if not self.bends:
            return px, py, pr
        size = (pr / self.corner) ** 2
        drawn = pr * (1.0 + self.growth * (2.0 * self.squared(px, py) + size))
        more = 1.0 + 3.0 * self.growth * (drawn / self.corner) ** 2
        bx, by = self.bent(self.x + (px - self.x) * more, self.y + (py - self.y) * more)
        return bx, by, drawn


STRAIGHT = Lens()


@dataclass(frozen=True)
class Growth:
    """A lens's growth with its standard error, infinite if nothing tells it, and what told it.

    What was looked up is no fluke of a few frames, and is believed though its error is large.
    """

    value: float = 0.0
    sigma: float = float("inf")
    source: str = ""
    looked_up: bool = False

    @property
    def shows(self) -> bool:
        """Whether it is to be believed."""
        told = self.looked_up or abs(self.value) > SHOWS * self.sigma
        return told and abs(self.value) < MOST

    def measured(self, other: Growth) -> Growth:
        """Return what is known after a measurement of what was known before: the weighted mean."""
        if not np.isfinite(self.sigma):
            return other
        if not np.isfinite(other.sigma):
            return self
        share = self.sigma**2 / (self.sigma**2 + other.sigma**2)
        return Growth(
            self.value + share * (other.value - self.value),
            float(np.sqrt(share)) * other.sigma,
            f"{other.source} and {self.source}",
            self.looked_up,
        )


UNTOLD = Growth()


def best_of(found: Iterable[Growth]) -> Growth:
    """Return the weighted mean of what was found."""
    told = [g for g in found if np.isfinite(g.sigma)]
    if not told:
        return UNTOLD
    weight = np.array([1.0 / g.sigma**2 for g in told])
    value = np.array([g.value for g in told])
    mean = float(weight @ value / weight.sum())
    # Where they differ by more than they say, none is as good as it says.
    excess = float(weight @ (value - mean) ** 2) / max(len(told) - 1, 1)
    sigma = float(np.sqrt(max(excess, 1.0) / weight.sum()))
    return Growth(mean, sigma, " and ".join(g.source for g in told))
