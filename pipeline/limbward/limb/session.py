"""A camera's frames of totality, and what the ephemeris says of their Moons."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from limbward.geometry.lens import Lens
from limbward.limb.adjust import Limbs
from limbward.sky.track import SkyTrack

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Session:
    """A camera's N frames of totality with a measured Moon; ``rows`` of the frame table."""

    rows: NDArray[np.int64]
    time_s: Floats
    exposure_s: Floats
    moon_x: Floats
    moon_y: Floats
    moon_radius: Floats
    moon_sigma: Floats

    def straight(self, lens: Lens) -> Session:
        """Return the session with Moons as a lens would draw them without distortion."""
        x, y, radius = lens.straight_disc(self.moon_x, self.moon_y, self.moon_radius)
        return replace(self, moon_x=x, moon_y=y, moon_radius=radius)


def session(
    rows: NDArray[np.int64], time_s: Floats, exposure_s: Floats, moon: Mapping[str, Floats]
) -> Session:
    """Return the frames of ``rows`` whose Moon was measured and whose times are known.

    Parameters
    ----------
    rows : ndarray of int
    time_s, exposure_s : ndarray, shape (M,)
        Of all frames of the table: middle of the exposure from the epoch, and its length.
    moon : mapping of str to ndarray, shape (M,)
        ``moon_x``, ``moon_y``, ``moon_radius`` and ``moon_sigma`` as first measured, pixels.
    """
    x = moon["moon_x"]
    keep = rows[np.isfinite(x[rows]) & np.isfinite(time_s[rows]) & (exposure_s[rows] > 0)]
    columns = (moon[f"moon_{part}"][keep] for part in ("x", "y", "radius", "sigma"))
    return Session(keep, time_s[keep], exposure_s[keep], *columns)


def limbs_of(s: Session, track: SkyTrack, turn_up_deg: Floats) -> Limbs:
    """Return the measured Moons with what the ephemeris says at their times."""
    t = np.clip(s.time_s, track.first_s + 1.0, track.last_s - 1.0)
    velocity = (track.offset_arcsec(t + 1.0) - track.offset_arcsec(t - 1.0)) / 2.0
    return Limbs(s.moon_x, s.moon_y, s.moon_sigma, track.offset_arcsec(t), velocity, turn_up_deg)


def scale_by_moon(s: Session, track: SkyTrack) -> float:
    """Return arcsec a pixel by the Moon's size, of the shortest exposures.

    Their limb is the sharpest and not blooming.
    """
    t = np.clip(s.time_s, track.first_s, track.last_s)
    short = s.exposure_s <= np.quantile(s.exposure_s, 0.3)
    return float(np.median((track.moon_radius_arcsec(t) / s.moon_radius)[short]))
