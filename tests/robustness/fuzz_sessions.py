"""Date the frames of sessions whose pictures were measured, not drawn, by clocks gone wrong.

    python -m tests.robustness.fuzz_sessions clock-set-thrice --sessions 60 --set drift=60

Places, plans, mounts and clocks are those of `tests.apart`, whose sky shares no code with the
pipeline; what a picture would show is computed, with an error as large as a good measurement's.
Prints how far times are off, in seconds and in their own errors, and ends with status 1 if one is
beyond five.
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from limbward.clock.body import solve_body
from limbward.clock.readings import Body, Readings, seconds_from
from limbward.clock.solution import ClockSolution
from limbward.clock.times import Times
from limbward.limb.partial import Discs
from limbward.sky.air import standard_air
from limbward.sky.contacts import local_circumstances
from limbward.sky.doubt import doubted_track
from limbward.sky.ephemeris import Site
from limbward.sky.track import sky_track
from tests.apart import card, place
from tests.apart.cases import CASES, Case
from tests.apart.pose import view

WITHIN_SIGMA = 5.0
RELIEF_ARCSEC = 0.04  # of the Moon's centre, common to a session
RADIUS_PX = 0.02  # of the Sun's radius, common to a session
RING_S = 8.0  # from a contact, within which beads may look like totality
NOTHING = np.zeros((0, 3))


@dataclass
class Result:
    """Errors of one session's times, seconds, with their stated errors; NaN where not dated."""

    seed: int
    off_s: np.ndarray
    sigma_s: np.ndarray
    clock_off_s: float
    clock_sigma_s: float
    settings: tuple[int, int]  # found, true
    warnings: list[str]

    @property
    def pulls(self) -> np.ndarray:
        """Errors over what they are stated to be."""
        stated = np.isfinite(self.off_s) & np.isfinite(self.sigma_s)
        return np.abs(self.off_s[stated]) / self.sigma_s[stated]


def session(case: Case, seed: int, noise_px: float) -> Result:
    """Measure and date one session."""
    rng = np.random.default_rng([seed, 77])
    site, contacts = place.find(case, seed, rng)
    body = card._body(case, site, contacts, 1.0, seed, 0, rng)
    shots = [s for s in body.shots if s.kind == "sun"]
    zero = datetime.fromisoformat(site.date)
    n = len(shots)
    start = np.array([s.start for s in shots])
    phase, discs = _seen(case, shots, body, contacts, rng, noise_px)
    way = case.site_error_way or str(rng.choice(["north", "south", "east"]))
    stated = place.moved(site, case.site_error_km, way) if case.site_error_km else site
    where = Site(stated.latitude, stated.longitude, stated.height)
    greatest = local_circumstances(site.date, where)
    epoch = greatest.contacts["greatest"].time
    air = standard_air(where.height)
    track = sky_track(epoch, where, pressure_hpa=air.pressure_hpa, temperature_c=air.temperature_c)
    doubt = doubted_track(track, where, air)
    tags = [body.clock.tags(s) for s in start]
    whole = [datetime.strptime(t, "%Y:%m:%d %H:%M:%S").isoformat() for t, _ in tags]
    fraction = np.array([float(f"0.{part}") if part else 0.0 for _, part in tags])
    noon = epoch.utc.to_datetime()
    readings = Readings(
        np.array([f"c/A{i:04d}.DNG" for i in range(n)], object), phase,
        np.array([""] * n, object), seconds_from(noon, whole) + fraction,
        np.full(n, 1.0 if not case.decimals else 10.0**-case.decimals),
        np.array([s.real for s in shots]), np.arange(n, dtype=float),
    )  # fmt: skip
    covered = None
    if greatest.kind == "total":
        covered = tuple((greatest.contacts[k].time - epoch).to_value("s") for k in ("C2", "C3"))
    who = Body("Model", "1", np.arange(n))
    solution, measured = solve_body(
        track, who, readings, discs, lambda row: (NOTHING, NOTHING), totality_s=covered, doubt=doubt
    )
    times = Times(readings)
    said = times.fill_in(who, solution, measured, body.clock.zone_hours, covered)
    off = times.since_greatest_s - (start - (noon - zero).total_seconds())
    piece = times.piece_at_epoch(who, solution)
    left = times.open_at_epoch(who, solution)
    clock = _clock_off(body.clock, solution, piece, left, (noon - zero).total_seconds())
    found = -1 if solution is None else len(solution.steps)
    return Result(
        seed, off, times.sigma_s, *clock, (found, len(body.clock.steps)),
        [*(() if solution is None else solution.warnings), *said],
    )  # fmt: skip


def _clock_off(clock, solution: ClockSolution | None, piece: int, left: float, epoch: float):
    """Return error and stated error of the offset at the epoch; whole half days do not count."""
    if solution is None or not solution.runs:
        return np.nan, np.nan
    true = clock.error(epoch) + 3600 * clock.zone_hours
    off = (solution.offset_of(piece) - true + 21600) % 43200 - 21600
    return off, float(np.hypot(np.sqrt(solution.covariance_of(piece)[0, 0]), left))


def _seen(case: Case, shots, body, contacts, rng, noise_px):
    """Return phases by content, and discs of partial frames."""
    c1, c2, c3, c4 = (contacts[k] for k in ("C1", "C2", "C3", "C4"))
    phases, rows, found = [], [], []
    relief = rng.normal(0, RELIEF_ARCSEC, 2)
    radius_off = rng.normal(0, RADIUS_PX)
    for i, shot in enumerate(shots):
        middle = shot.start + shot.real / 2
        if shot.filtered:
            crescent = c1 + 90 < middle < c2 or c3 < middle < c4 - 90
            phases.append("partial" if crescent else "other")
            if not crescent or rng.random() < 0.1:
                continue
            now = view(body.camera, body.mount, middle, shot.shake)
            off = np.subtract(now.moon, now.sun) + (relief + 0) / now.scale
            sun = now.sun_arcsec / now.scale + radius_off
            rows.append(i)
            found.append((*now.sun, sun, *(off + rng.normal(0, noise_px, 2)),
                          now.moon_arcsec / now.scale))  # fmt: skip
        elif c2 <= shot.start and shot.end <= c3:
            phases.append("totality")
        else:
            near = min(abs(middle - c2), abs(middle - c3)) < RING_S
            phases.append("totality" if near and rng.random() < 0.3 else "contact")
    sx, sy, sr, dx, dy, mr = np.array(found, float).reshape(-1, 6).T
    k = len(rows)
    discs = Discs(
        np.array(rows, dtype=np.int64), sx, sy, sr, np.full(k, 0.02), sx + dx, sy + dy, mr,
        np.full(k, noise_px),
    )  # fmt: skip
    return np.array(phases, object), discs


def main() -> int:
    """Print what became of the sessions; return 1 if a time is beyond five of its errors."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("case", choices=sorted(CASES))
    parser.add_argument("--sessions", type=int, default=20)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--noise", type=float, default=0.05, help="of each vector, pixels")
    parser.add_argument("--set", action="append", default=[], metavar="KEY=VALUE")
    parser.add_argument("--verbose", action="store_true")
    args = parser.parse_args()
    changes = {}
    for pair in args.set:
        key, value = pair.split("=", 1)
        try:
            changes[key] = json.loads(value)
        except json.JSONDecodeError:
            changes[key] = value
    case = replace(CASES[args.case], **{
        k: tuple(v) if isinstance(v, list) else v for k, v in changes.items()
    })  # fmt: skip
    results = []
    for seed in range(args.seed, args.seed + args.sessions):
        one = session(case, seed, args.noise)
        results.append(one)
        worst = one.pulls.max() if one.pulls.size else np.nan
        if args.verbose or worst > WITHIN_SIGMA:
            print(
                f"{seed}: clock {one.clock_off_s:.2f} ± {one.clock_sigma_s:.2f} s, settings "
                f"{one.settings[0]} of {one.settings[1]}, {one.pulls.size} of {one.off_s.size} "
                f"dated, {int((one.pulls > 5).sum())} beyond 5 sigma (worst {worst:.1f}), sigma "
                f"median {np.nanmedian(one.sigma_s):.2f} greatest {np.nanmax(one.sigma_s):.1f} s; "
                f"{' | '.join(w[:110] for w in one.warnings)}"
            )
    return summary(results)


def summary(results: list[Result]) -> int:
    """Print the sessions' numbers; return 1 if a time is beyond five of its errors."""
    pulls = np.concatenate([r.pulls for r in results])
    clock = np.array([abs(r.clock_off_s) for r in results])
    sigma = np.array([r.clock_sigma_s for r in results])
    known = np.isfinite(clock)
    arcs = clock[known] / sigma[known]
    print(
        f"{len(results)} sessions, clock of {known.sum()} solved: within 2 sigma "
        f"{np.mean(arcs < 2):.1%}, worst {arcs.max() if known.any() else np.nan:.1f} sigma; error "
        f"rms {np.sqrt(np.mean(clock[known] ** 2)):.2f} s, sigma median "
        f"{np.median(sigma[known]) if known.any() else np.nan:.2f} s; settings found "
        f"{sum(r.settings[0] == r.settings[1] for r in results)} of {len(results)}; times: "
        f"{pulls.size} of {sum(r.off_s.size for r in results)} dated, {(pulls > 5).sum()} beyond 5 "
        f"sigma in {sum((r.pulls > 5).any() for r in results)} sessions, worst {pulls.max():.1f}"
    )
    return int((pulls > WITHIN_SIGMA).any())


if __name__ == "__main__":
    sys.exit(main())
