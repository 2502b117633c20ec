"""When the shutter is released: partial phases, bursts, brackets, darks, flats, other pictures."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from .cases import Case
from .ephemeris import Site

OVERHEAD = 0.35  # s between frames


@dataclass
class Shot:
    """One release of the shutter; ``start`` in seconds of the date, true UTC."""

    start: float
    kind: str  # sun, dark, flat, wide
    nominal: float
    iso: int
    filtered: bool
    real: float = 0.0
    focus_px: float = 0.0
    motion: tuple[float, float] = (0.0, 0.0)
    shake: tuple[float, float] = (0.0, 0.0)
    spoiled: str = ""  # trailed, blurred

    @property
    def end(self) -> float:
        return self.start + self.real


def real_time(nominal: float) -> float:
    """Shutters run in thirds of a stop from one second: 1/1000 is 1/1024."""
    return float(2.0 ** (round(3 * math.log2(nominal)) / 3))


LOWEST = 1.5  # degrees above the horizon, below which nothing is seen of the Sun


def session(
    case: Case, site: Site, contacts: dict[str, float], rng: np.random.Generator
) -> list[Shot]:
    """All shots in order of time."""
    c1, c2, c3, c4 = (contacts[k] for k in ("C1", "C2", "C3", "C4"))
    off, on = c2 - case.off_early_s, c3 + 6.0
    if case.filter_on_half:
        off = (c2 + c3) / 2
    slow = {n: 1 + case.shutter_error * rng.uniform(-1, 1) for n in sorted(_exposures(case))}
    shots: list[Shot] = []

    def take(start: float, kind: str, nominal: float, iso: int) -> float:
        filtered = kind == "sun" and (case.line or not off <= start <= on)
        real = real_time(nominal) * slow[nominal] * (1 + 0.003 * rng.standard_normal())
        shots.append(Shot(start, kind, nominal, iso, filtered, real))
        return start + real + OVERHEAD

    _partials(case, (c1, c2, c3, c4), take, rng)
    if case.bursts:
        for begin in (c2 - 6.0, c3 - 2.0):
            t = begin
            while t < begin + 8.0:
                t = take(t, "sun", 1 / 2000, case.isos[0]) + 0.35
    _brackets(case, c2 + (2.6 if case.bursts else 1.0), c3 - 2.4, take, rng)
    dark_at = contacts["C4"] + 300
    for nominal in _exposures(case) if case.darks else ():
        for _ in range(case.darks):
            dark_at = take(dark_at, "dark", nominal, case.isos[0])
    for _ in range(case.flats):
        dark_at = take(dark_at + 60, "flat", 1 / 60, case.isos[0])
    for _ in range(case.wide):
        take(rng.uniform(c1 - 1800, c4 + 1200), "wide", 1 / 125, case.isos[0])
    height = np.degrees(np.arcsin(site.look([s.start for s in shots]).local("sun")[:, 2]))
    shots = [s for s, h in zip(shots, height, strict=True) if s.kind != "sun" or h > LOWEST]
    shots.sort(key=lambda s: s.start)
    _spoil(case, shots, (c1, c4), rng)
    return shots


def _exposures(case: Case) -> set[float]:
    return {*case.bracket, 1 / 2000, 1 / 1000, 1 / 60, 1 / 125}


def _partials(case: Case, when, take, rng) -> None:
    c1, c2, c3, c4 = when
    step = case.partial_minutes * 60
    if case.partials in ("both", "before"):
        for t in np.arange(c1 - 240, c2 - 75, step):
            take(t + rng.uniform(0, 5), "sun", 1 / 1000, case.isos[0])
    if case.partials in ("both", "after"):
        for t in np.arange(c3 + 80, c4 + 240, step):
            take(t + rng.uniform(0, 5), "sun", 1 / 1000, case.isos[0])


def _brackets(case: Case, t: float, last: float, take, rng) -> None:
    taken = 0
    limit = case.totality_frames or 10**6
    if case.totality_frames:
        t = (t + last) / 2 - case.totality_frames / 2
    while t < last and taken < limit:
        order = list(case.bracket)
        if case.shuffle:
            rng.shuffle(order)
        for nominal in order:
            if t + real_time(nominal) > last or taken >= limit:
                continue
            iso = int(rng.choice(case.isos)) if case.shuffle else case.isos[0]
            t = take(t, "sun", nominal, iso)
            taken += 1
        t += case.pause
        if taken > 33:  # enough for a card of tests
            break


def _spoil(case: Case, shots: list[Shot], span, rng) -> None:
    """Wind, a knocked tripod, focus that drifts."""
    first, last = span
    for shot in shots:
        part = (shot.start - first) / (last - first)
        shot.focus_px = case.focus_drift_px * abs(part - 0.3)
        shot.shake = tuple(case.jitter_px * rng.standard_normal(2))
        if rng.random() < case.trailed:
            angle, length = rng.uniform(0, 2 * np.pi), rng.uniform(4, 15)
            shot.motion = (length * np.cos(angle), length * np.sin(angle))
            shot.spoiled = "trailed"
        elif rng.random() < case.blurred:
            shot.focus_px = rng.uniform(3, 7)
            shot.spoiled = "blurred"
