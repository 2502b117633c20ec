"""Where the session was: a random place in a path of totality."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .air import refraction_deg
from .cases import Case
from .ephemeris import ARCSEC, AU_KM, Site, shadow_axis


def find(case: Case, seed: int, rng: np.random.Generator) -> tuple[Site, dict[str, float]]:
    """A site whose Sun stands as high as the case asks, with at least 45 s of totality."""
    sun_km = float(np.sin(case.sun_arcsec * ARCSEC) * AU_KM)
    for attempt in range(60):
        date = case.dates[(seed + attempt) % len(case.dates)]
        times = _axis_times(date)
        for _ in range(40):
            hit = shadow_axis(date, rng.choice(times) + rng.uniform(-150, 150))
            if hit is None:
                continue
            height = float(np.round(rng.uniform(*case.heights)))
            latitude = round(hit[0] + rng.normal(0, 0.15), 5)
            site = Site(latitude, round(hit[1] + rng.normal(0, 0.15), 5), height, date, sun_km)
            greatest = site.look(_rough(site, times)).local("sun")[0]
            altitude = np.degrees(np.arcsin(greatest[2]))
            altitude += refraction_deg(altitude, height) if altitude > -1 else 0
            if not case.altitudes[0] <= altitude <= case.altitudes[1]:
                continue
            contacts = site.contacts()
            if "C2" not in contacts or contacts["C3"] - contacts["C2"] < 45:
                continue
            return site, contacts
    raise LookupError(f"no place in {case.dates} with the Sun {case.altitudes} degrees high")


def _axis_times(date: str) -> np.ndarray:
    grid = np.arange(0, 86400, 120.0)
    return np.array([t for t in grid if shadow_axis(date, t) is not None])


def _rough(site: Site, times: np.ndarray) -> float:
    grid = np.arange(times[0] - 600, times[-1] + 600, 120.0)
    return float(grid[np.argmin(site.gap(grid)[0])])


def moved(site: Site, km: float, way: str) -> Site:
    """The site that the config names: off by ``km``."""
    north = {"north": 1, "south": -1}.get(way, 0)
    east = {"east": 1, "west": -1}.get(way, 0)
    per_degree = 111.2
    shrink = np.cos(np.radians(site.latitude))
    return replace(
        site,
        latitude=round(site.latitude + north * km / per_degree, 6),
        longitude=round(site.longitude + east * km / per_degree / shrink, 6),
    )
