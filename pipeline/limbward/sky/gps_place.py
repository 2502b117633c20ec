"""Where the frames' GPS tags say that a camera stood, against the stated site."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from limbward.sky.ephemeris import Site

Floats = NDArray[np.float64]

NOTABLE_KM = 0.5  # half a second of the clock; receivers are within 0.03 km, maps within 0.15 km
WAYS = ("north", "northeast", "east", "southeast", "south", "southwest", "west", "northwest")


@dataclass(frozen=True)
class GpsPlace:
    """A place by GPS.

    Attributes
    ----------
    latitude, longitude : float
        Median of the tags, degrees north and east.
    frames : int
    north_km, east_km : float
        From the stated site.
    """

    latitude: float
    longitude: float
    frames: int
    north_km: float
    east_km: float

    @property
    def distance_km(self) -> float:
        """How far the stated site is off."""
        return float(np.hypot(self.north_km, self.east_km))

    @property
    def contradicts(self) -> bool:
        """Whether the stated site is further off than either place may be wrong."""
        return self.distance_km > NOTABLE_KM

    def warning(self) -> str:
        """Return a sentence on a site that is contradicted."""
        bearing = float(np.degrees(np.arctan2(self.east_km, self.north_km)))
        way = WAYS[round(bearing / 45.0) % len(WAYS)]
        frames = "a frame" if self.frames == 1 else f"{self.frames} frames"
        return (
            f"According to the GPS tags of {frames}, the camera stood {self.distance_km:.1f} km "
            f"{way} of the site in the config, at latitude {self.latitude:.4f}, longitude "
            f"{self.longitude:.4f}. A kilometre shifts the clock by up to a second: check site in "
            "the config."
        )


def gps_place(site: Site, latitude: Floats, longitude: Floats) -> GpsPlace | None:
    """Return where GPS tags put a camera, None without any.

    Parameters
    ----------
    site : Site
        As stated.
    latitude, longitude : ndarray, shape (N,)
        Of N frames, degrees; NaN where a frame has no tag.

    Notes
    -----
    The median of the positions as vectors, which a few old fixes do not move and which knows no
    date line; the offset is in the horizon's plane at the stated site.
    """
    known = np.isfinite(latitude) & np.isfinite(longitude)
    if not known.any():
        return None
    # Imported where it is used: a command that has no tags would wait 0.2 s for it.
    from astropy.coordinates import EarthLocation

    tagged = EarthLocation.from_geodetic(longitude[known], latitude[known], site.height)
    median = [float(np.median(axis.to_value("m"))) for axis in tagged.geocentric]
    middle = EarthLocation.from_geocentric(*median, unit="m")
    stated = EarthLocation.from_geodetic(site.longitude, site.latitude, site.height)
    x, y, z = (
        m - float(s.to_value("km"))
        for m, s in zip(np.array(median) / 1000.0, stated.geocentric, strict=True)
    )
    lon, lat = np.radians(site.longitude), np.radians(site.latitude)
    out = x * np.cos(lon) + y * np.sin(lon)
    return GpsPlace(
        float(middle.lat.deg),
        float(middle.lon.deg),
        int(np.count_nonzero(known)),
        float(z * np.cos(lat) - out * np.sin(lat)),
        float(y * np.cos(lon) - x * np.sin(lon)),
    )
