"""What tells a camera clock's true time: crescents, GPS tags, photographed clocks, totality."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


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


@dataclass(frozen=True)
class Direct:
    """Instants of one camera that are known otherwise (GPS tags, photographed clocks), M of them.

    Attributes
    ----------
    reading_s, resolution_s, order : ndarray
        As for `Crescents`.
    utc_s : ndarray
        UTC less the epoch, seconds: the middle of what the source leaves open.
    utc_resolution_s : ndarray
        Step of the source; 1 for a stamp in whole seconds.
    sigma_s : ndarray
        Standard error of the source beyond its step.
    """

    reading_s: Floats
    resolution_s: Floats
    utc_s: Floats
    utc_resolution_s: Floats
    sigma_s: Floats
    order: Floats

    @property
    def coarseness_s(self) -> Floats:
        """Standard deviation of the difference of the two truncated values, shape (M,)."""
        return np.asarray(np.hypot(self.resolution_s, self.utc_resolution_s) / np.sqrt(12.0))


# Beads and the diamond ring last a few seconds around the contacts of a smooth limb, and a short
# exposure shows the last of them too faintly to tell it from totality.
BEADS_S = 5.0


@dataclass(frozen=True)
class Covered:
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

    def bounds_s(self) -> tuple[float, float]:
        """Return the least and the greatest offset (reading less UTC) that fit, seconds.

        The first is above the second where nothing fits.
        """
        low = self.reading_s.max() - self.third_contact_s - BEADS_S
        high = (self.reading_s + self.resolution_s).min() - self.second_contact_s + BEADS_S
        if self.before_s.size:
            low = max(low, self.before_s.max() - self.second_contact_s - BEADS_S)
        if self.after_s.size:
            high = min(high, self.after_s.min() + 1.0 - self.third_contact_s + BEADS_S)
        return float(low), float(high)
