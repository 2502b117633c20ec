"""The Moon's limb all through an eclipse, in the position angles of the sky around the Sun."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from astropy.time import Time, TimeDelta
from numpy.typing import NDArray

from limbward.sky.ephemeris import ARCSEC, Radii, Site, view
from limbward.sky.libration import orientation_known, turned_moon
from limbward.sky.limb_profile import LimbProfile
from limbward.sky.lunar_limb import LONGEST, POINTS, WIDEST, limb_of

Floats = NDArray[np.float64]

# The Moon turns by up to a third of a degree an hour against an observer. Half-way between limbs
# so far apart heights in proportion are 0.01 arcsec rms off.
STEP_S = 300.0
SPAN_S = 7500.0  # from greatest eclipse: C1 and C4 are nearer everywhere


@dataclass(frozen=True)
class LimbTrack:
    """The limb as a function of seconds from ``epoch`` (UTC), for one site.

    Heights are above the mean limb of ``radii.k_penumbra``. Position angles are those of the plane
    that touches the sky at the Sun's centre, on which Sun and Moon are measured; north at the
    Moon's centre is turned against it by up to 0.2 degrees.
    """

    epoch: Time
    site: Site
    radii: Radii
    ephemeris: str = "de421"
    _kept: dict[int, tuple[Floats, float]] = field(default_factory=dict, compare=False, repr=False)

    def at(self, t: float) -> LimbProfile:
        """Return the limb at an instant, seconds from the epoch; beyond the eclipse, its end's."""
        t = min(max(t, -SPAN_S), SPAN_S)
        first = int(np.floor(t / STEP_S))
        part = t / STEP_S - first
        (height, turn), (later, turn_later) = self._node(first), self._node(first + 1)
        angle = np.arange(POINTS, dtype=np.float64) * (360.0 / POINTS)
        turned = (1.0 - part) * turn + part * turn_later
        return LimbProfile(angle + turned, (1.0 - part) * height + part * later)

    def _node(self, k: int) -> tuple[Floats, float]:
        """Return heights by position angle at the Moon, and that of north there at the Sun."""
        if k not in self._kept:
            time = self.epoch + TimeDelta(k * STEP_S, format="sec")
            moon = turned_moon(time, self.site, ephemeris=self.ephemeris)
            sky = view(time, self.site, radii=self.radii, ephemeris=self.ephemeris)
            # Meridians converge: east of the Sun north is turned towards west.
            east = float(np.degrees(sky.moon_east_arcsec[0] / ARCSEC))
            turn = -east * float(np.tan(np.radians(sky.sun_dec[0])))
            self._kept[k] = limb_of(moon).profile(self.radii).height_arcsec, turn
        return self._kept[k]


def limb_track(
    epoch: Time, site: Site, *, radii: Radii | None = None, ephemeris: str = "de421"
) -> LimbTrack | None:
    """Return the Moon's limb around an eclipse; None where it is not known.

    Parameters
    ----------
    epoch : Time
        Greatest eclipse.
    site : Site
    radii : Radii, optional
    ephemeris : str

    Examples
    --------
    >>> from astropy.time import Time
    >>> from limbward.sky.ephemeris import Site
    >>> from limbward.sky.limb_track import limb_track
    >>> limbs = limb_track(Time("2026-08-12T17:46:00"), Site(65.0, -25.0))
    >>> bool(abs(limbs.at(-1800.0).height_arcsec).max() < 4)
    True
    """
    ends = epoch + TimeDelta((SPAN_S + STEP_S) * np.array([-1.0, 1.0]), format="sec")
    if not orientation_known(ends):
        return None
    moon = turned_moon(ends, site, ephemeris=ephemeris)
    if np.max(np.abs(moon.longitude)) > LONGEST or np.max(np.abs(moon.latitude)) > WIDEST:
        return None
    return LimbTrack(epoch, site, radii or Radii(), ephemeris)
