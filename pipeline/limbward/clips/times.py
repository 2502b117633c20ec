"""What is said of a clip: what it is, the clock that its pictures tell, and when it was taken."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
from astropy.time import Time, TimeDelta
from numpy.typing import NDArray

from limbward.clips.catalogue import Clip
from limbward.clock.solution import ClockSolution, split_zone
from limbward.limb.measurement import LimbMeasurement
from limbward.sky.circumstances import Circumstances, iso_utc

Floats = NDArray[np.float64]

CORONA_COVERAGE = 0.6  # of the Moon's limb: a thin crescent shows up to 0.4 of a dark disc's
CONTACTS = ("C1", "C2", "C3", "C4")


def phase_of(found: LimbMeasurement) -> str:
    """Return what a sample shows; a crescent too thin to measure has but half a dark disc."""
    if found.kind in ("totality", "contact") and found.coverage < CORONA_COVERAGE:
        return "other"
    return "other" if found.kind == "none" else found.kind


def entry_of(file: str, clip: Clip, found: list[LimbMeasurement]) -> dict[str, Any]:
    """Return a clip's entry in clips.json as long as its time is not known.

    Parameters
    ----------
    file : str
        Its name in tables.
    clip : Clip
    found : list of LimbMeasurement
        In its samples.
    """
    return {
        "file": file,
        "device": clip.device,
        "created": None if clip.created is None else clip.created.isoformat(),
        "duration_s": round(clip.duration_s, 4) if clip.paced else None,
        "rate": round(clip.rate, 4) if clip.paced else None,
        "stamped": clip.stamped,
        "pictures": clip.pictures,
        "width": clip.width,
        "height": clip.height,
        "codec": clip.codec,
        "samples": len(found),
        "samples_measured": sum(m.kind != "none" for m in found),
        "start_utc": None,
        "start_sigma_s": None,
        "clock": None,
        "stills": {},
        "notes": [
            "Nothing in this clip tells the true time (no crescent, no totality), or it has no "
            "creation time.",
            *clip.notes,
        ],
    }


def clock_of(
    clip: Clip,
    solution: ClockSolution,
    at_s: Floats,
    reading_s: Floats,
    epoch: Time,
    zone_hours: float,
) -> dict[str, Any]:
    """Return what a solved clock adds to a clip's entry.

    Parameters
    ----------
    clip : Clip
    solution : ClockSolution
    at_s : ndarray, shape (N,)
        Times of the samples in the clip, seconds.
    reading_s : ndarray, shape (N,)
        Of the device's clock at the samples, seconds from ``epoch``.
    epoch : Time
    zone_hours : float
        What the creation time is said to be ahead of UTC; it is taken off in ``reading_s``.
    """
    utc = solution.since_greatest_s(reading_s, 0.0)
    pace = (utc[-1] - utc[0]) / max(at_s[-1] - at_s[0], 1e-9)  # of UTC, by the film's own time
    start = utc[0] - pace * at_s[0]
    started = reading_s[0] - at_s[0]
    sigma = float(solution.sigma_s(np.array([started]), 0.0)[0])
    _, hours, rest = split_zone(started - start + 3600.0 * zone_hours, zone_hours)
    notes = [*solution.warnings, *clip.notes]
    if not clip.stamped and abs(rest - clip.duration_s) < min(5.0, 0.1 * clip.duration_s):
        notes.append("The creation time seems to be that of the clip's end; times are corrected.")
    rms = solution.residual_rms_s
    return {
        "start_utc": iso_utc(epoch + TimeDelta(float(start), format="sec")),
        "start_sigma_s": round(sigma, 3),
        "clock": {
            "utc_offset_hours": hours,
            "offset_s": round(rest, 3),
            "sources": list(solution.sources),
            "residual_rms_s": round(float(rms), 4) if math.isfinite(rms) else None,
        },
        "notes": notes,
    }


def borrow_clocks(entries: list[dict[str, Any]]) -> None:
    """Give clips that show no crescent the clock of the same device's others.

    That totality was seen bounds a clip's time to some seconds only.
    """

    def by_crescents(entry: dict[str, Any]) -> bool:
        return bool(entry.get("clock")) and "crescents" in entry["clock"]["sources"]

    good = [e for e in entries if by_crescents(e)]
    for entry in entries:
        if by_crescents(entry) or entry.get("created") is None:
            continue
        solved = [e["clock"] for e in good if e["device"] == entry["device"] != ""]
        if not solved:
            continue
        hours = solved[0]["utc_offset_hours"]
        fast = float(np.mean([c["offset_s"] for c in solved]))
        start = Time(entry["created"]) - TimeDelta(hours * 3600.0 + fast, format="sec")
        entry |= {
            "start_utc": iso_utc(start),
            # Each creation time is cut to a whole second.
            "start_sigma_s": round(math.sqrt(1.0 / 12.0 + 1.0 / 12.0 / len(solved)), 3),
            "clock": {
                "utc_offset_hours": hours,
                "offset_s": round(fast, 3),
                "sources": ["other clips"],
                "residual_rms_s": None,
            },
            "notes": [
                "Its time comes from other clips of the same device.",
                *entry["notes"][1:],  # the first says that nothing tells the time
            ],
        }


def start_of(entry: dict[str, Any], epoch: Time) -> float:
    """Return when a clip starts, seconds from ``epoch``; NaN where it is not known."""
    if entry["start_utc"] is None:
        return math.nan
    return float((Time(entry["start_utc"].rstrip("Z")) - epoch).to_value("s"))


def contacts_in(
    entry: dict[str, Any], circumstances: Circumstances, epoch: Time
) -> list[tuple[str, float]]:
    """Return the contacts that a clip shows and their times in it, seconds, in order of time."""
    start = start_of(entry, epoch)
    wanted = {
        name: float((circumstances.contacts[name].time - epoch).to_value("s")) - start
        for name in CONTACTS
        if name in circumstances.contacts
    }
    lasts = entry["duration_s"] or 0.0
    inside = [(name, at) for name, at in wanted.items() if 0.0 <= at < lasts]
    return sorted(inside, key=lambda item: item[1])


def add_still(entry: dict[str, Any], name: str, picture: str, at_s: float, epoch: Time) -> str:
    """Add a still to a clip's entry; return the words that stand below it on the overview.

    Parameters
    ----------
    entry : dict
        Of a clip whose start is known.
    name : str
        Of the contact.
    picture : str
        Of the still's file.
    at_s : float
        Its time in the clip, seconds.
    epoch : Time
    """
    utc = iso_utc(epoch + TimeDelta(start_of(entry, epoch) + at_s, format="sec"))
    entry["stills"][name] = {"picture": picture, "clip_s": round(at_s, 4), "utc": utc}
    return f"{name}   {Path(entry['file']).name}   {utc[11:21]} UTC"


def words_of(entry: dict[str, Any]) -> str:
    """Return in a line how long a clip is, of what size, and when it began."""
    began = "start not known"
    if entry["start_utc"]:
        began = f"{entry['start_utc'][11:22]} UTC ± {entry['start_sigma_s']:.2f} s"
    long = f"{entry['pictures']} frames"
    if entry["duration_s"] is not None:
        long = f"{entry['duration_s']:.1f} s at {entry['rate']:g} frames per second"
    return f"{long}, {entry['width']} x {entry['height']}, {began}"
