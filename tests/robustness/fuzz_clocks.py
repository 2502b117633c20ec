"""Solve for clocks from tables of measurements made at random, most of them spoilt.

    python -m tests.robustness.fuzz_clocks --fits 20000

ends with status 1 if a solution raised an exception or took 10 s, if a number of it is not finite
or an error not above zero, if what is said holds an interval backwards, if the true offset of a
clock most of whose frames are good lies more than five stated errors from the solution, or if a
frame that is used of a clock in pieces does. Half of the tables are solved with site and air in
doubt.
"""

from __future__ import annotations

import argparse
import re
import sys
import time
import traceback
import warnings
from collections import Counter
from dataclasses import dataclass, field, fields, replace

import numpy as np

from limbward.clock.evidence import Crescents, Direct, TotalityEvidence
from limbward.clock.solution import ClockSolution
from limbward.clock.solve import solve_clock
from limbward.geometry.orientation import Orientation
from limbward.sky.air import Air
from limbward.sky.contacts import local_circumstances
from limbward.sky.doubt import doubted_track
from limbward.sky.ephemeris import Site
from limbward.sky.track import SkyTrack, sky_track

HANG_S = 10.0
WITHIN_SIGMA = 5.0
SITE = Site(65.0, -23.4, 40.0)
DAY = 86400.0


@dataclass
class Tally:
    """What became of the tables."""

    tried: int = 0
    judged: int = 0  # of which the true offset is known and should be found
    unsolved: int = 0  # of those judged, without a solution
    faults: list[str] = field(default_factory=list)
    kinds: Counter[str] = field(default_factory=Counter)
    worst_sigma: float = 0.0
    worst_piece: float = 0.0
    slowest_s: float = 0.0
    total_s: float = 0.0


@dataclass
class Table:
    """Evidence made at random; ``offset_s`` is the true offset where it must be found.

    ``begun_s`` is when the crescents' exposures begun where their clock was set in between, by
    much more than one of them tells the time.
    """

    kind: str
    crescents: Crescents | None
    direct: Direct | None
    covered: TotalityEvidence | None
    offset_s: float | None
    begun_s: np.ndarray | None = None


def the_track() -> SkyTrack:
    """Return the sky of the eclipse that all tables are of."""
    return sky_track(local_circumstances("2026-08-12", SITE).contacts["greatest"].time, SITE)


def honest(track: SkyTrack, rng: np.random.Generator, n: int) -> tuple[Crescents, float, float]:
    """Return what a camera measures of N crescents, and its clock's offset and drift (s/h)."""
    offset = float(
        rng.choice([rng.uniform(-12, 14) * 3600, -9720 * DAY, rng.normal(0, 1000 * DAY)])
    )
    drift = float(rng.normal(0, 1.5))
    side = rng.choice([-1, 0, 0, 1])
    t = np.sort(rng.uniform(120, 3400, n) * (side or rng.choice([-1, 1], n)))
    orientation = Orientation(rng.uniform(1.0, 8.0), rng.uniform(0, 360), bool(rng.integers(2)))
    turns = bool(rng.integers(2))
    turn = track.parallactic_angle(t) - track.parallactic_angle(np.zeros(1)) if turns else 0 * t
    places = [
        orientation.turned(a).to_pixels(*track.offset_arcsec(s))
        for a, s in zip(turn, t, strict=True)
    ]
    sigma = float(np.exp(rng.uniform(np.log(0.01), np.log(0.3))))
    vectors = np.array(places).reshape(n, 2) + rng.normal(0, sigma, (n, 2))
    radius = track.sun_radius_arcsec(t) / orientation.pixel_scale_arcsec + rng.normal(0, 0.03)
    step = float(rng.choice([1.0, 0.01]))
    exposure = rng.choice([0.0, 1e-3, 0.5], n)
    reading = np.floor((t - exposure / 2 + offset + drift * t / 3600) / step) * step
    crescents = Crescents(
        reading, np.full(n, step), exposure, *vectors.T, np.full(n, sigma),
        radius + rng.normal(0, 0.02, n), np.full(n, 0.02), np.arange(n, dtype=float),
    )  # fmt: skip
    return crescents, offset, drift


def spoil(rng: np.random.Generator, c: Crescents, bad: np.ndarray) -> tuple[str, Crescents]:
    """Spoil some frames in one way, named in the first value."""
    columns = {f.name: getattr(c, f.name).copy() for f in fields(c)}
    k = int(bad.sum())
    way = str(
        rng.choice(
            ["day off", "dead battery", "Moon by night", "NaN", "huge", "scale", "wild",
             "twelve hours", "equal tags", "zero radius", "swapped"]
        )
    )  # fmt: skip
    if way == "day off":
        columns["reading_s"][bad] += DAY * rng.choice([-1, 1, 2, 7])
    elif way == "dead battery":
        columns["reading_s"][bad] -= rng.uniform(1000, 20000) * DAY
    elif way == "twelve hours":
        columns["reading_s"][bad] += 43200.0
    elif way == "Moon by night":
        angle, apart = rng.uniform(0, 2 * np.pi), rng.uniform(0.3, 1.9)
        radius = columns["sun_radius_px"][bad]
        columns["dx"][bad], columns["dy"][bad] = (
            apart * radius * np.cos(angle) + rng.normal(0, 0.5, k),
            apart * radius * np.sin(angle) + rng.normal(0, 0.5, k),
        )
        columns["reading_s"][bad] += rng.uniform(-20, 20) * 3600.0
    elif way in ("NaN", "huge"):
        name = str(rng.choice([*columns]))
        columns[name][bad] = np.nan if way == "NaN" else rng.choice([1e30, -1e30, np.inf, 1e9])
    elif way == "scale":
        factor = rng.uniform(0.5, 2.0)
        for name in ("dx", "dy", "sun_radius_px"):
            columns[name][bad] *= factor
    elif way == "wild":
        columns["dx"][bad] += rng.normal(0, 100, k)
        columns["dy"][bad] += rng.normal(0, 100, k)
    elif way == "equal tags":
        columns["reading_s"][bad] = columns["reading_s"][0]
    elif way == "zero radius":
        columns["sun_radius_px"][bad] = rng.choice([0.0, -3.0])
        columns["sigma_px"][bad] = 0.0
    elif way == "swapped":
        columns["order"][bad] = rng.permutation(columns["order"][bad])
        columns["reading_s"][bad] = rng.permutation(columns["reading_s"][bad])
    return way, Crescents(**columns)


def instants(
    rng: np.random.Generator, offset: float, drift: float, n: int, bad: int
) -> tuple[Direct, float]:
    """Return N instants known directly, and by how much the last ``bad`` of them lie, seconds."""
    utc = np.sort(rng.uniform(-7200, 7200, n))
    reading = np.floor(utc + offset + drift * utc / 3600)
    wrong = np.arange(n) >= n - bad
    lie = rng.choice([-2901138804.0, 3600.0, 5.0, DAY, 40.0]) + rng.normal(0, 1, n)
    stamps = utc + rng.normal(0, 0.05, n) + np.where(wrong, lie, 0.0)
    known = Direct(
        reading, np.ones(n), stamps, rng.choice([0.0, 1.0]) * np.ones(n), np.full(n, 0.1),
        np.sort(rng.uniform(0, 30, n)),
    )  # fmt: skip
    return known, float(np.abs(lie[wrong]).min(initial=np.inf))


def error_of_one_s(c: Crescents) -> float:
    """Return to how many seconds one crescent tells the time."""
    return float(np.hypot(c.sigma_px[0] * 960.0 / np.median(c.sun_radius_px) / 0.5, 0.3))


def dark(rng: np.random.Generator, offset: float) -> TotalityEvidence:
    """Return frames of totality and beads, some of them contradictory."""
    n, spread = int(rng.integers(1, 20)), float(rng.choice([50.0, 50.0, 200.0, 4000.0, 1e5]))
    reading = offset + rng.uniform(-spread, spread, n)
    beads = offset + rng.choice([-60.0, 60.0, -3600.0, DAY]) + rng.normal(0, 5, (2, 2))
    keep = rng.integers(0, 3, 2)
    return TotalityEvidence(
        reading, np.ones(n), beads[0, : keep[0]], beads[1, : keep[1]], -59.0, 59.0
    )


def table(track: SkyTrack, rng: np.random.Generator) -> Table:
    """Return evidence made at random."""
    kind = str(
        rng.choice(
            ["spoilt", "spoilt", "pieces", "references", "degenerate", "nonsense", "totality"]
        )
    )
    n = int(rng.integers(8, 30))
    c, offset, drift = honest(track, rng, n)
    some = dark(rng, offset) if rng.random() < 0.3 else None
    if kind == "spoilt":
        # Not the first, after which "equal tags" are named.
        bad = np.zeros(n, bool)
        bad[rng.permutation(n - 1)[: int(rng.integers(0, max(1, n // 4) + 1))] + 1] = True
        if rng.random() < 0.5:
            bad = np.sort(bad)  # in one run, at the end
        way, c = spoil(rng, c, bad)
        d = None
        if rng.random() < 0.2:
            d, _ = instants(rng, offset, drift, int(rng.integers(1, 6)), 0)
        return Table(f"spoilt: {way}", c, d, some, offset)
    if kind == "pieces":
        cuts = np.sort(rng.choice(np.arange(1, n), int(rng.integers(1, 4)), replace=False))
        piece = np.searchsorted(cuts, np.arange(n), side="right")
        jumps = rng.choice([7.0, -40.0, 3600.0, DAY, -1e8, 1e9], piece.max() + 1)
        jumps[0] = 0.0
        begun = (c.reading_s + 0.5 * c.resolution_s - offset) / (1.0 + drift / 3600.0)
        later = replace(c, reading_s=c.reading_s + jumps[piece])
        clear = np.abs(np.diff(jumps)).min() > 15.0 * error_of_one_s(c)
        return Table(kind, later, None, some, None, begun if clear else None)
    if kind == "references":
        m = int(rng.integers(1, 7))
        bad = int(rng.integers(0, m // 2 + 1))
        d, lie_s = instants(rng, offset, drift, m, bad)
        if rng.random() < 0.5:
            # Instants on a line are believed where the crescents cannot tell it from the right one:
            # by its offset, or by its drift over the time from the first instant to the last.
            error = error_of_one_s(c) / np.sqrt(n)
            reach = np.ptp(d.since_greatest_s) / np.std(c.reading_s)
            told = lie_s > 3.0 * error * (1.0 + reach)
            return Table("references, crescents", c, d, some, offset if told else None)
        # Without crescents nothing tells a reference that is 5 s off from a clock that drifts.
        return Table(kind, None, d, some, None if bad else offset)
    if kind == "degenerate":
        few = np.arange(n) < int(rng.integers(0, 6))
        c = c.of(few)
        way = rng.integers(4)
        if way == 0 and few.any():
            c = replace(c, reading_s=np.full(few.sum(), c.reading_s[0]))
        elif way == 1 and few.any():
            first = np.zeros(int(few.sum()), int)
            c = Crescents(*(getattr(c, f.name)[first] for f in fields(c)))
        elif way == 2:
            c = replace(c, reading_s=c.reading_s + rng.choice([-10700.0, 10700.0]))
        elif way == 3:
            c = replace(c, order=np.zeros(int(few.sum())))
        return Table(kind, c, None, some, None)
    if kind == "totality":
        return Table(kind, None, None, dark(rng, offset), None)
    extreme = 10.0 ** rng.uniform(-3, rng.choice([2, 5, 9, 11]), (9, n)) * rng.choice(
        [-1, 1], (9, n)
    )
    extreme[[1, 2, 5, 6, 7]] = np.abs(extreme[[1, 2, 5, 6, 7]])
    extreme[rng.random((9, n)) < 0.02] = np.nan
    d = Direct(*(10.0 ** rng.uniform(-3, 9, (6, 4)))) if rng.random() < 0.5 else None
    return Table(kind, Crescents(*extreme), d, some, None)


def faults(solution: ClockSolution) -> list[str]:
    """Return what must not be in any solution."""
    found = []
    numbers = {
        "offset": solution.offset_s,
        "drift": solution.drift_s_per_hour,
        "covariance": solution.covariance,
        "residuals": solution.residual_s[solution.used],
        "times": solution.since_greatest_s(np.array([0.0, solution.offset_s]), 1.0),
        "errors of times": solution.sigma_s(np.array([0.0, solution.offset_s]), 1.0),
    }
    if solution.orientation is not None:
        numbers["scale"] = solution.orientation.pixel_scale_arcsec
        numbers["angle"] = solution.orientation.up_position_angle
        positive = {"scale": solution.scale_sigma_arcsec, "angle": solution.up_sigma_deg}
    else:
        positive = {}
    positive |= {"offset": solution.offset_sigma_s, "drift": solution.drift_sigma_s_per_hour}
    for k, step in enumerate(solution.steps):
        numbers[f"step {k}"] = step.seconds
        positive[f"step {k}"] = step.sigma_s
        if step.after >= step.before:
            found.append("a step that ends before it begins")
    found += [f"{n} is not finite" for n, v in numbers.items() if not np.all(np.isfinite(v))]
    found += [f"error of {n} is {s}" for n, s in positive.items() if not (s > 0 and np.isfinite(s))]
    if np.linalg.eigvalsh(solution.covariance).min() < -1e-9 * np.trace(solution.covariance):
        found.append("the covariance has a negative direction")
    for text in solution.warnings:
        for low, high in re.findall(r"(-?\d+) (?:to|and) (-?\d+) s", text):
            if int(low) > int(high):
                found.append(f"an interval backwards: {text}")
        if "nan" in text or "inf " in text:
            found.append(f"no number: {text}")
    return found


def worst_of_pieces(solution: ClockSolution, c: Crescents, begun_s: np.ndarray) -> float:
    """Return how many of their stated errors frames are off at most that agree with the clock."""
    if not solution.used.any():
        return 0.0
    read = c.reading_s, c.resolution_s, c.order
    off = np.abs(solution.since_greatest_s(*read) - begun_s) / solution.sigma_s(*read)
    return float(off[solution.used].max())


def fuzz(fits: int, seed: int = 0, minutes: float = np.inf) -> Tally:
    """Solve so many tables and return what became of them."""
    track = the_track()
    doubt = doubted_track(track, SITE, Air(1010.0, 10.0))
    tally = Tally()
    end = time.monotonic() + 60 * minutes
    for k in range(fits):
        if time.monotonic() > end:
            break
        made = table(track, np.random.default_rng([seed, k]))
        tally.tried += 1
        tally.kinds[made.kind] += 1
        begun = time.process_time()
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error")
                solution = solve_clock(
                    track,
                    crescents=made.crescents,
                    direct=made.direct,
                    covered=made.covered,
                    doubt=doubt if k % 2 else None,
                )
        except Exception:
            tally.faults.append(f"{seed} {k} {made.kind}: {traceback.format_exc(limit=-3)}")
            continue
        took = time.process_time() - begun
        tally.slowest_s, tally.total_s = max(tally.slowest_s, took), tally.total_s + took
        if took > HANG_S:
            tally.faults.append(f"{seed} {k} {made.kind}: took {took:.0f} s")
        if solution is not None:
            tally.faults += [f"{seed} {k} {made.kind}: {fault}" for fault in faults(solution)]
            if made.begun_s is not None and made.crescents is not None:
                worst = worst_of_pieces(solution, made.crescents, made.begun_s)
                tally.worst_piece = max(tally.worst_piece, worst)
                if worst > WITHIN_SIGMA:
                    tally.faults.append(f"{seed} {k} {made.kind}: a frame {worst:.1f} sigma off")
        if made.offset_s is None:
            continue
        tally.judged += 1
        if solution is None:
            tally.unsolved += 1
            continue
        # A run of frames at the end may be a clock that was set; before it, the offset is the same.
        pull = abs(solution.offset_s - made.offset_s) / solution.offset_sigma_s
        tally.worst_sigma = max(tally.worst_sigma, pull)
        if pull > WITHIN_SIGMA:
            tally.faults.append(
                f"{seed} {k} {made.kind}: {pull:.1f} sigma off, {solution.offset_s:.2f} "
                f"± {solution.offset_sigma_s:.2f} s for {made.offset_s:.2f} s"
            )
    return tally


def main() -> int:
    """Print what became of the tables; return 1 if anything was wrong."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--fits", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--minutes", type=float, default=np.inf, help="stop after this long")
    args = parser.parse_args()
    tally = fuzz(args.fits, args.seed, args.minutes)
    for kind, count in sorted(tally.kinds.items()):
        print(f"{count:6} {kind}")
    for fault in tally.faults:
        print(fault)
    print(
        f"{tally.tried} tables, {len(tally.faults)} faults; of {tally.judged} with a known offset "
        f"{tally.unsolved} without a solution, the worst {tally.worst_sigma:.1f} sigma off; frames "
        f"of pieces {tally.worst_piece:.1f} sigma off at worst; "
        f"{1000 * tally.total_s / max(tally.tried, 1):.0f} ms a table, the slowest "
        f"{tally.slowest_s:.2f} s"
    )
    return 1 if tally.faults else 0


if __name__ == "__main__":
    sys.exit(main())
