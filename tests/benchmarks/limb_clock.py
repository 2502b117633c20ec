"""Clocks by crescents of eleven eclipses' real limbs: errors against what is stated.

    python -m tests.benchmarks.limb_clock [--sessions 200] [--first 0] [--set KEY=VALUE ...]

Edge points are made with their noise (no pictures), the clock is solved from them as timing does,
and compared with the truth. The limb of the pictures is the predicted one with further heights,
which a grid of 2 km cannot have.
"""

from __future__ import annotations

import argparse
import ast
from collections import Counter
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.ndimage import gaussian_filter1d

from limbward.clock.body import KnownLimb, solve_body
from limbward.clock.readings import Body, Readings
from limbward.geometry.orientation import Orientation
from limbward.sky.air import standard_air
from limbward.sky.contacts import local_circumstances
from limbward.sky.ephemeris import Radii, Site
from limbward.sky.limb_profile import LimbProfile
from limbward.sky.limb_track import LimbTrack, limb_track
from limbward.sky.real_limb import MEASURED_SUN_KM
from limbward.sky.track import SkyTrack, sky_track
from tests.limb.edge_points import edge_points

# Places on central lines or near them.
ECLIPSES = (
    ("2017-08-21", Site(44.4, -118.9)), ("1999-08-11", Site(48.3, 13.5)),
    ("2006-03-29", Site(36.8, 31.3)), ("2026-08-12", Site(65.0, -23.4)),
    ("2008-08-01", Site(54.6, 83.2)), ("2009-07-22", Site(30.3, 120.2)),
    ("2010-07-11", Site(-27.1, -109.3)), ("2019-07-02", Site(-30.1, -71.0)),
    ("2024-04-08", Site(25.3, -104.1)), ("2027-08-02", Site(25.5, 32.6)),
    ("2016-03-09", Site(-2.2, 117.9)),
)  # fmt: skip
GRID_ARCSEC, GRID_DEG = 0.1, 0.5  # heights between those of the grid, and how far they reach
FRAMES = 16


@dataclass(frozen=True)
class Sky:
    """One eclipse: the tables' Sun, the measured one, the Moon's limb, the contacts (s)."""

    track: SkyTrack
    true: SkyTrack
    limbs: LimbTrack
    contacts: dict[str, float]


@dataclass(frozen=True)
class Found:
    """Errors of a clock, seconds and seconds an hour, and what is made of the limb."""

    error_s: float
    sigma_s: float
    drift_error: float
    drift_sigma: float
    decision: str | None
    amplitude: float
    amplitude_sigma: float


@cache
def sky_of(k: int) -> Sky:
    """Return the sky of an eclipse of the list."""
    date, site = ECLIPSES[k % len(ECLIPSES)]
    contacts = {n: c.time for n, c in local_circumstances(date, site).contacts.items()}
    epoch, air = contacts["greatest"], standard_air(0.0)
    tracks = [
        sky_track(
            epoch, site, radii=radii,
            pressure_hpa=air.pressure_hpa, temperature_c=air.temperature_c,
        )
        for radii in (Radii(), Radii(solar_radius_km=MEASURED_SUN_KM))
    ]  # fmt: skip
    limbs = limb_track(epoch, site)
    assert limbs is not None
    seconds = {n: float((t - epoch).to_value("s")) for n, t in contacts.items()}
    return Sky(tracks[0], tracks[1], limbs, seconds)


def _times(sky: Sky, sides: str, rng: np.random.Generator) -> np.ndarray:
    c = sky.contacts
    spans = {"before": [(c["C1"] + 120, c["C2"] - 60)], "after": [(c["C3"] + 60, c["C4"] - 120)]}
    chosen = spans["before"] + spans["after"] if sides == "both" else spans[sides]
    each = FRAMES // len(chosen)
    return np.concatenate([np.sort(rng.uniform(a, b, each)) for a, b in chosen])


def solved(
    k: int,
    seed: int,
    *,
    scale: float = 1.5,
    noise_px: float = 0.05,
    step_s: float = 0.01,
    sides: str = "both",
    sun_size: float = 1.0,
    limb_at=None,
    known: bool = True,
    given: bool = False,
) -> Found:
    """Return what timing finds of a session at eclipse ``k``; the real limb is in its pictures.

    ``sun_size`` is what a filter makes of the measured Sun; without ``known`` the pipeline takes
    the Moon to be smooth.
    """
    sky, rng = sky_of(k), np.random.default_rng(seed)
    t = _times(sky, sides, rng)
    rough = gaussian_filter1d(rng.standard_normal(3600), GRID_DEG * 10, mode="wrap")
    rough *= GRID_ARCSEC / rough.std()

    def real(seconds: float) -> LimbProfile:
        profile = sky.limbs.at(seconds)
        return LimbProfile(profile.position_angle, profile.height_arcsec + rough)

    rotates = bool(rng.integers(2))
    camera = Orientation(scale, float(rng.uniform(0, 360)), bool(rng.integers(2)))
    discs, points = edge_points(
        sky.true, limb_at or real, t, camera, rng,
        rotates=rotates, noise_px=noise_px, sun_size=sun_size,
    )  # fmt: skip
    offset, drift = rng.normal(0, 30), rng.normal(0, 1)
    reading = np.floor((t + offset + drift * t / 3600.0) / step_s) * step_s
    nothing = np.full(t.size, "", dtype=object)
    phase = np.full(t.size, "partial", dtype=object)
    steps, at = np.full(t.size, step_s), np.arange(t.size)
    readings = Readings(nothing, phase, nothing, reading, steps, np.zeros(t.size), at.astype(float))
    size = MEASURED_SUN_KM / Radii().solar_radius_km
    limb = KnownLimb(sky.limbs.at, given=given, sun_size=size) if known else None
    solution, _ = solve_body(
        sky.track, Body("", "", at), readings, discs, points, rotates=rotates, limb=limb
    )
    assert solution is not None
    verdict = solution.limb
    return Found(
        solution.offset_s - offset,
        solution.offset_sigma_s,
        solution.drift_s_per_hour - drift,
        solution.drift_sigma_s_per_hour,
        None if verdict is None else verdict.decision,
        np.nan if verdict is None else verdict.amplitude,
        np.nan if verdict is None else verdict.sigma,
    )


def _rms(values) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def main() -> None:
    """Print each session and the sums."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--sessions", type=int, default=200)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--set", action="append", default=[], metavar="KEY=VALUE")
    args = parser.parse_args()
    changed = {k: ast.literal_eval(v) for k, v in (text.split("=", 1) for text in args.set)}
    every = []
    for seed in range(args.first, args.first + args.sessions):
        found = solved(seed, seed, **changed)
        every.append(found)
        print(seed, ECLIPSES[seed % len(ECLIPSES)][0], found, flush=True)
    error, sigma = (np.array([getattr(f, n) for f in every]) for n in ("error_s", "sigma_s"))
    drift, its = (np.array([getattr(f, n) for f in every]) for n in ("drift_error", "drift_sigma"))
    print(
        f"{len(every)} sessions: offset rms {_rms(error):.4f} s, median sigma "
        f"{np.median(sigma):.4f} s, rms of error over sigma {_rms(error / sigma):.2f}, within 1 "
        f"and 2 sigma {np.mean(abs(error) < sigma):.2f}, {np.mean(abs(error) < 2 * sigma):.2f}; "
        f"drift rms {_rms(drift):.3f} s/h, over sigma {_rms(drift / its):.2f}; "
        f"{dict(Counter(f.decision for f in every))}"
    )


if __name__ == "__main__":
    main()
