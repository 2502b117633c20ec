"""What tells a camera clock's true time: crescents, GPS tags, photographed clocks, totality."""

from __future__ import annotations

from dataclasses import dataclass, field, fields

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]


HUGE = 1e12  # seconds or pixels; 30 000 years and more are no measurement


@dataclass(frozen=True)
class Crescents:
    """Partial-phase frames of one camera, N of them.

    Attributes
    ----------
    reading_s : ndarray
        Camera clock reading less the epoch (both as bare dates and times), seconds.
    resolution_s : ndarray
        Step of the reading: 1 without sub-seconds. The clock showed something between the reading
        and the reading plus this.
    exposure_s : ndarray
    dx, dy : ndarray
        From the Sun's centre to the Moon's, pixels, x right and y down.
    sigma_px : ndarray
        Standard error of ``dx`` and of ``dy``.
    sun_radius_px, sun_radius_sigma_px : ndarray
    order : ndarray
        Numbers that grow in the order in which the frames were taken.
    turn_deg : ndarray
        How far the picture is turned at the Sun beside what the zenith does, where the field turns
        with it; see `limbward.sky.aside.turned_aside`. 0 if not given.
    """

    reading_s: Floats
    resolution_s: Floats
    exposure_s: Floats
    dx: Floats
    dy: Floats
    sigma_px: Floats
    sun_radius_px: Floats
    sun_radius_sigma_px: Floats
    order: Floats
    turn_deg: Floats = field(default_factory=lambda: np.zeros(0))

    def __post_init__(self) -> None:
        if not self.turn_deg.size:
            object.__setattr__(self, "turn_deg", np.zeros(self.dx.size))

    def valid(self) -> Mask:
        """Return which frames have all that a fit needs, shape (N,)."""
        numbers = [np.asarray(getattr(self, f.name), dtype=float) for f in fields(self)]
        finite = np.all([np.isfinite(v) & (np.abs(v) < HUGE) for v in numbers], axis=0)
        positive = np.minimum(self.sigma_px, self.sun_radius_sigma_px) > 0
        # A Moon that may be anywhere about the Sun: its bite was too small to fit a limb to.
        told = self.sigma_px < self.sun_radius_px
        return np.asarray(finite & positive & told & (self.sun_radius_px > 0))

    def of(self, chosen: Mask) -> Crescents:
        """Return some of the frames."""
        return Crescents(*(getattr(self, f.name)[chosen] for f in fields(self)))


@dataclass(frozen=True)
class Direct:
    """Instants of one camera that are known otherwise (GPS tags, photographed clocks), M of them.

    Attributes
    ----------
    reading_s, resolution_s, order : ndarray
        As for `Crescents`.
    since_greatest_s : ndarray
        UTC less the epoch, seconds: the middle of what the source leaves open.
    utc_resolution_s : ndarray
        Step of the source; 1 for a stamp in whole seconds.
    sigma_s : ndarray
        Standard error of the source beyond its step.
    """

    reading_s: Floats
    resolution_s: Floats
    since_greatest_s: Floats
    utc_resolution_s: Floats
    sigma_s: Floats
    order: Floats

    def valid(self) -> Mask:
        """Return which instants are known and have an error, shape (M,)."""
        numbers = [np.asarray(getattr(self, f.name), dtype=float) for f in fields(self)]
        finite = np.all([np.isfinite(v) & (np.abs(v) < HUGE) for v in numbers], axis=0)
        return np.asarray(finite & (self.sigma_s > 0))

    def of(self, chosen: Mask) -> Direct:
        """Return some of the instants."""
        return Direct(*(getattr(self, f.name)[chosen] for f in fields(self)))

    @property
    def coarseness_s(self) -> Floats:
        """Standard deviation of the difference of the two truncated values, shape (M,)."""
        return np.asarray(np.hypot(self.resolution_s, self.utc_resolution_s) / np.sqrt(12.0))


# Beads and the diamond ring last a few seconds around the contacts of a smooth limb, and a short
# exposure shows the last of them too faintly to tell it from totality.
BEADS_S = 5.0
# The diamond ring, short of anything that a phase can be wrong about: a filter taken off early, an
# exposure so short that the last of the photosphere shows as beads.
EDGE_S = 20.0
MOST_AGREE = 0.8  # of the frames of totality, on one clock, or they say nothing of it


@dataclass(frozen=True)
class TotalityEvidence:
    """What unfiltered frames show of the photosphere, and when it was covered.

    Attributes
    ----------
    reading_s, resolution_s : ndarray
        Clock readings (as above) of frames that show totality.
    before_s, after_s : ndarray
        Readings of frames that show beads or the diamond ring, before and after those.
    second_contact_s, third_contact_s : float
        UTC less the epoch, seconds.
    """

    reading_s: Floats
    resolution_s: Floats
    before_s: Floats
    after_s: Floats
    second_contact_s: float
    third_contact_s: float

    def outside_s(self, offset_s: float, drift: float = 0.0) -> Floats:
        """Return how far outside totality its frames were taken by a clock, seconds; 0 inside.

        Parameters
        ----------
        offset_s : float
            Reading less UTC at the epoch.
        drift : float
            Seconds an hour.
        """
        reading = self.reading_s[np.isfinite(self.reading_s)]
        step = self.resolution_s[np.isfinite(self.reading_s)]
        begun = (reading - offset_s) / (1.0 + drift / 3600.0)
        early = self.second_contact_s - begun - step
        return np.maximum(np.maximum(early, begun - self.third_contact_s), 0.0)

    def bounds_s(self, edge_s: float = BEADS_S) -> tuple[float, float, Mask]:
        """Return the least and the greatest offset (reading less UTC) that fit, seconds.

        ``edge_s`` is by how much a frame may lie on the wrong side of a contact.

        The third value tells which of the frames of totality, then of those before and after,
        agree: all of them, or as many as fit any one offset. There must be a finite reading of
        totality.
        """
        second, third = self.second_contact_s, self.third_contact_s
        low = np.concatenate(
            [
                self.reading_s - third - edge_s,
                self.before_s - second - edge_s,
                np.full(self.after_s.size, -np.inf),
            ]
        )
        high = np.concatenate(
            [
                self.reading_s + self.resolution_s - second + edge_s,
                np.full(self.before_s.size, np.inf),
                self.after_s + 1.0 - third + edge_s,
            ]
        )
        known = ~(np.isnan(low) | np.isnan(high))
        dark = np.arange(low.size) < self.reading_s.size
        # As many intervals hold an offset as begin below it and do not end below it. The offsets
        # looked at are where an interval begins, within one of totality at least.
        offsets = low[known & np.isfinite(low)]

        def holding(which: Mask) -> NDArray[np.int64]:
            begun = np.searchsorted(np.sort(low[which]), offsets, side="right")
            return np.asarray(begun - np.searchsorted(np.sort(high[which]), offsets, side="left"))

        count = np.where(holding(known & dark) > 0, holding(known), 0)
        offset = offsets[int(np.argmax(count))]
        agrees = known & (low <= offset) & (offset <= high)
        return float(low[agrees].max()), float(high[agrees].min()), agrees

    def beyond_s(self, offset_s: float | Floats) -> float:
        """Return by how much the nearest of some offsets is outside of `bounds_s`, seconds.

        0 as well where too few frames agree on any clock.
        """
        low, high, agrees = self.bounds_s()
        if agrees.mean() < MOST_AGREE:
            return 0.0
        return float(np.min(np.maximum(np.maximum(low - offset_s, offset_s - high), 0.0)))
