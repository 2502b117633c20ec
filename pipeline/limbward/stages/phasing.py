"""The phases of all frames together, and what the config says of frames."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from limbward.camera.classify import named_content
from limbward.clock.readings import seconds_from
from limbward.config import Config, FrameRule, matches
from limbward.phase.decide import Timed, decide
from limbward.phase.evidence import Evidence, behind_filter
from limbward.stages.pictures import noon, pictures_of
from limbward.workspace.columns import floats, texts

Floats = NDArray[np.float64]
Texts = NDArray[np.object_]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Said:
    """What the config says of N frames.

    Attributes
    ----------
    phase : ndarray of str
        Empty where nothing is said.
    keep, drop : ndarray of bool
    key : ndarray of str
        Which entry says it, such as ``frames[0]``.
    """

    phase: Texts
    keep: Mask
    drop: Mask
    key: Texts


@dataclass(frozen=True)
class Phases:
    """What N frames show.

    Attributes
    ----------
    phase, reason : ndarray of str
        As of `limbward.phase.decide.Decided`, in a sentence.
    behind_filter : ndarray of bool
        Frames of totality with the filter on.
    contradicted : list of tuple of str
        Bodies whose clock was not believed.
    """

    phase: Texts
    reason: Texts
    behind_filter: Mask
    contradicted: list[tuple[str, str]]


def said_of(config: Config, file: Texts) -> Said:
    """Return what the config's ``frames`` say of files."""
    said = [_rule_for(config.frames, f) for f in file]
    return Said(
        np.array([phase or "" for _, phase, _ in said], dtype=object),
        np.array([use == "keep" for use, _, _ in said], dtype=bool),
        np.array([use == "drop" for use, _, _ in said], dtype=bool),
        np.array(["" if i is None else f"frames[{i}]" for _, _, i in said], dtype=object),
    )


def _rule_for(rules: list[FrameRule], file: str) -> tuple[str | None, str | None, int | None]:
    """Return use and phase that are said of a file, the last rules first, and the last's number."""
    use: str | None = None
    phase: str | None = None
    last: int | None = None
    for i, rule in enumerate(rules):
        if any(matches(file, pattern) for pattern in rule.files):
            use, phase, last = rule.use or use, rule.phase or phase, i
    return use, phase, last


def decide_phases(
    config: Config,
    ingest: Table,
    middle_s: Floats | None = None,
    sigma_s: Floats | None = None,
    totality_s: tuple[float, float] | None = None,
) -> Phases:
    """Decide what all frames show, camera by camera.

    Parameters
    ----------
    config : Config
    ingest : Table
        The table of ingest.
    middle_s, sigma_s : ndarray, shape (N,), optional
        Middle of the exposures, seconds from the epoch, and its standard error, once known.
    totality_s : tuple of float, optional
        When the photosphere vanishes and returns.

    Returns
    -------
    Phases
    """
    file = texts(ingest, "file")
    said = said_of(config, file)
    looks = texts(ingest, "looks_like")
    looks = np.where(looks == "", texts(ingest, "phase"), looks)
    phase, reason = texts(ingest, "phase"), np.full(len(ingest), "", dtype=object)
    told = said.phase.copy()
    # Calibration frames that the config names were judged when they were decoded.
    told = np.where((told == "") & (texts(ingest, "stated") != ""), looks, told)
    pictures = pictures_of(ingest)
    everything = _evidence(config, ingest, looks, told)
    camera, serial = texts(ingest, "camera"), texts(ingest, "serial")
    dimmed = np.zeros(len(ingest), bool)
    contradicted = []
    for body in sorted(set(zip(camera[pictures], serial[pictures], strict=True))):
        mine = np.flatnonzero(pictures & (camera == body[0]) & (serial == body[1]))
        mine = mine[np.argsort(floats(ingest, "sequence")[mine], kind="stable")]
        timed = None
        if middle_s is not None and sigma_s is not None and totality_s is not None:
            timed = Timed(middle_s[mine], sigma_s[mine], totality_s)
        found = decide(everything.of(mine), timed)
        phase[mine], reason[mine] = found.phase, found.reason
        dimmed[mine] = behind_filter(everything.of(mine)) & (found.phase == "totality")
        if found.contradicted:
            contradicted.append(body)
    stated = (said.phase != "") & pictures
    phase[stated] = said.phase[stated]
    for i in np.flatnonzero(pictures & (reason != "")):
        reason[i] = (
            f"taken for {_article(phase[i])}, though it looks like {_article(looks[i])}: "
            f"{reason[i]} (if that is wrong: phase under frames in the config)"
        )
    for i in np.flatnonzero(stated):
        reason[i] = f"its phase is what {said.key[i]} in the config says"
    return Phases(phase, reason, dimmed, contradicted)


def _article(phase: str) -> str:
    words = {
        "partial": "a partial phase",
        "contact": "one with the photosphere in sight",
        "totality": "one of totality",
        "dark": "a dark frame",
        "bias": "a bias frame",
        "flat": "a flat field",
    }
    return words.get(phase, "no picture of the eclipse")


def _evidence(config: Config, table: Table, looks: Texts, said: Texts) -> Evidence:
    named = [named_content(f) or "" for f in texts(table, "file")]
    light = ("peak", "middle", "limb_peak", "limb_level", "limb_faintest")
    return Evidence(
        looks,
        said,
        np.array(named, dtype=object),
        seconds_from(noon(config), texts(table, "time_camera")),
        *(floats(table, name) for name in ("exposure", "iso", "f_number")),
        *(floats(table, f"light_{name}") for name in light),
    )
