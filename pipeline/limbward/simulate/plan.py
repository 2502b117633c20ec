"""From a plan to a list of exposures with their true times."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from limbward.errors import LimbwardError
from limbward.simulate.scenario import Camera, Clock, Plan, Scenario
from limbward.sky.circumstances import Circumstances
from limbward.sky.contacts import local_circumstances

ShotKind = Literal["partial", "contact", "totality", "dark", "flat"]
RING_S = 60.0  # before and after greatest eclipse, where there is no ring
SETTLE_S = 3.0  # from C2 to the first bracket, and from the last one to C3
FLAT_LEVEL = 0.45  # of the range, in green


@dataclass(frozen=True)
class Shot:
    """One press of the shutter.

    Attributes
    ----------
    kind : str
    start : datetime
        UTC, without a zone.
    nominal_s, exposure_s : float
        What the camera says, and how long the shutter was open.
    transmission : float
        Of the air, without the filter and without patchy cloud.
    filter_density : float
    iso : int
    index : int
        Counts the camera's shots in time order.
    jpeg, truncated : bool
    """

    kind: ShotKind
    start: datetime
    nominal_s: float
    exposure_s: float
    transmission: float
    filter_density: float
    iso: int
    index: int
    jpeg: bool = False
    truncated: bool = False


def eclipse_of(scenario: Scenario) -> tuple[Circumstances, dict[str, datetime]]:
    """Return the local circumstances and the instants of the contacts as UTC.

    Raises
    ------
    LimbwardError
        If there is no eclipse at the site on that date.
    """
    found = local_circumstances(
        scenario.date, scenario.site, radii=scenario.sizes, ephemeris=scenario.ephemeris
    )
    if not found.contacts:
        raise LimbwardError(f"No solar eclipse is seen from the site on {scenario.date}.")
    return found, {name: c.time.utc.to_datetime() for name, c in found.contacts.items()}


def shutter_s(nominal_s: float, binary: bool) -> float:
    """Return how long a shutter set to ``nominal_s`` is open.

    Exposure scales are powers of two in thirds of a stop, rounded on the dial: 1/500 s is 1/512 s.
    """
    if not binary:
        return nominal_s
    return float(2.0 ** (round(3 * math.log2(nominal_s)) / 3))


def clock_reading(clock: Clock, utc: datetime, greatest: datetime) -> datetime:
    """Return what the camera's clock reads."""
    since = (utc - greatest).total_seconds()
    seconds = clock.utc_offset_hours * 3600 + clock.offset_s
    seconds += clock.drift_s_per_hour * since / 3600
    seconds += sum(step for when, step in clock.steps if since >= when)
    return utc + timedelta(seconds=seconds)


def _clouds(
    scenario: Scenario, seconds: list[float], rng: np.random.Generator
) -> NDArray[np.float64]:
    """Return the transmission of the air at each instant."""
    at = np.array(seconds)
    weather = scenario.weather
    if weather.cloud_absorption == 0.0 or not len(at):
        return np.ones(len(at))
    knots = np.arange(at.min(), at.max() + 2 * weather.cloud_period_s, weather.cloud_period_s)
    cover = rng.uniform(0.0, 1.0, len(knots))
    return np.asarray(1.0 - weather.cloud_absorption * np.interp(at, knots, cover))


def shots(
    scenario: Scenario,
    camera: Camera,
    contacts: dict[str, datetime],
    rng: np.random.Generator,
    *,
    total: bool = True,
) -> list[Shot]:
    """Return a camera's exposures in time order, darks and flats last.

    Parameters
    ----------
    scenario : Scenario
    camera : Camera
    contacts : dict
        From `eclipse_of`.
    rng : Generator
    total : bool
        Whether the Sun is covered between second and third contact; else the filter stays on.
    """
    plan = camera.plan
    rough: list[tuple[ShotKind, datetime, float]] = []

    def spread(kind: ShotKind, first: datetime, last: datetime, count: int) -> None:
        for k in range(count):
            seconds = (last - first).total_seconds() * (k + 0.5) / count
            wait = float(rng.uniform(-0.2, 0.2)) * (last - first).total_seconds() / count
            when = first + timedelta(seconds=seconds + wait)
            rough.append((kind, when, plan.partial_exposure_s))

    if "C2" in contacts:
        c2, c3 = contacts["C2"], contacts["C3"]
        margin = timedelta(seconds=60)
        before = plan.partial_frames - plan.partial_frames // 2
        if plan.partial_sides != "both":
            before = plan.partial_frames if plan.partial_sides == "C2" else 0
        spread("partial", contacts["C1"] + margin, c2 - margin, before)
        after = plan.partial_frames - before
        spread("partial", c3 + margin, contacts["C4"] - margin, after)
    else:
        spread("partial", contacts["C1"], contacts["C4"], plan.partial_frames)
    if not total:
        rough += _ring_frames(plan, contacts)
    elif "C2" in contacts:
        if plan.contact_sides in ("both", "C2"):
            rough += _contact_frames(plan, c2, -6.0, 1.5)
        rough += _brackets(plan, c2, c3, scenario.binary_shutter)
        if plan.contact_sides in ("both", "C3"):
            rough += _contact_frames(plan, c3, -1.5, 6.0)

    rough.sort(key=lambda shot: shot[1])
    end = max((s[1] for s in rough), default=contacts["greatest"])
    for k in range(plan.darks):
        rough.append(("dark", end + timedelta(seconds=600 + 6 * k), max(plan.bracket_s)))
    for k in range(plan.flats):
        rough.append(("flat", end + timedelta(seconds=900 + 4 * k), 1 / 60))

    greatest = contacts["greatest"]
    air = _clouds(scenario, [(s[1] - greatest).total_seconds() for s in rough], rng)
    error = 1.0 + scenario.shutter_error * rng.standard_normal(len(rough))
    totality = [i for i, s in enumerate(rough) if s[0] == "totality"]
    with_jpeg = set(totality[:: max(1, len(totality) // max(1, plan.jpegs))][: plan.jpegs])
    whole = [i for i in totality if i not in with_jpeg]
    cut = set(whole[len(whole) // 2 :][: plan.truncated])
    isos = {i: _bracket_iso(plan, k) for k, i in enumerate(totality)}
    return [
        Shot(
            kind=kind,
            start=start,
            nominal_s=nominal,
            exposure_s=shutter_s(nominal, scenario.binary_shutter) * float(error[i]),
            transmission=float(air[i]) if kind not in ("dark", "flat") else 1.0,
            filter_density=plan.filter_density if kind == "partial" else 0.0,
            iso=isos.get(i, plan.iso),
            index=i,
            jpeg=i in with_jpeg,
            truncated=i in cut,
        )
        for i, (kind, start, nominal) in enumerate(rough)
    ]


def _bracket_iso(plan: Plan, number: int) -> int:
    """Return the ISO of a frame of totality, counted from the first; each bracket begins anew."""
    if not plan.bracket_isos:
        return plan.iso
    return plan.bracket_isos[number % len(plan.bracket_s) % len(plan.bracket_isos)]


def _contact_frames(
    plan: Plan, contact: datetime, first_s: float, last_s: float
) -> list[tuple[ShotKind, datetime, float]]:
    """Return frames from ``first_s`` to ``last_s`` after a contact."""
    exposures = itertools.cycle(plan.contact_exposures_s)
    seconds = np.linspace(first_s, last_s, plan.contact_frames)
    return [("contact", contact + timedelta(seconds=float(t)), next(exposures)) for t in seconds]


def _ring_frames(
    plan: Plan, contacts: dict[str, datetime]
) -> list[tuple[ShotKind, datetime, float]]:
    """Return filtered frames of the ring, and of the beads that it begins and ends with."""
    greatest, around = contacts["greatest"], timedelta(seconds=RING_S)
    first, last = greatest - around, greatest + around
    out: list[tuple[ShotKind, datetime, float]] = []
    if "C2" in contacts:
        first, last = contacts["C2"], contacts["C3"]
        for contact in (first, last):
            for t in np.linspace(-6.0, 6.0, 2 * plan.contact_frames):
                when = contact + timedelta(seconds=float(t))
                out.append(("partial", when, plan.partial_exposure_s))
        settle = timedelta(seconds=3 * SETTLE_S)
        first, last = first + settle, last - settle
    exposures = itertools.cycle(plan.ring_exposures_s)
    for k in range(plan.ring_frames):
        when = first + (last - first) * ((k + 0.5) / plan.ring_frames)
        out.append(("partial", when, next(exposures)))
    return out


def _brackets(
    plan: Plan, c2: datetime, c3: datetime, binary: bool
) -> list[tuple[ShotKind, datetime, float]]:
    """Return brackets spread over the chosen part of totality."""
    total = (c3 - c2).total_seconds()
    first = max(plan.totality_part[0] * total, SETTLE_S)
    last = min(plan.totality_part[1] * total, total - SETTLE_S)
    length = sum(shutter_s(e, binary) + plan.gap_s for e in plan.bracket_s)
    count = min(plan.brackets, int((last - first) / length))
    step = (last - first - length) / (count - 1) if count > 1 else 0.0
    out: list[tuple[ShotKind, datetime, float]] = []
    for k in range(count):
        at = first + k * step
        for exposure in plan.bracket_s:
            out.append(("totality", c2 + timedelta(seconds=at), exposure))
            at += shutter_s(exposure, binary) + plan.gap_s
    return out
