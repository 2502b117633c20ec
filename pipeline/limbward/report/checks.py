"""What went wrong or is out of the ordinary, and what to do about it."""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from limbward.report.coverage import thin_places
from limbward.report.material import ClockAudit, Coverage, Frame, Material
from limbward.report.wording import counted, exposure_text, listed

DCF_LAST = 9999  # the highest number of a picture (CIPA DC-009)
WIDEST_GAP = 500  # numbers; more were shot on another day or another card


@dataclass(frozen=True)
class Advice:
    """Something a person should know, and what to do."""

    what: str
    todo: str


def advise(material: Material) -> list[Advice]:
    """Return the warnings of a report, the ones that can still be acted on first."""
    found = [*_unreadable(material.frames), *_gaps(material.frames), *_copies(material.frames)]
    for clock in material.clocks:
        found += _clock(clock)
    found += _not_linear(material)
    found += _unknown(material)
    found += _no_corona(material)
    found += _no_flats(material)
    found += _air_and_lens(material)
    if material.coverage is not None:
        found += _coverage(material.coverage)
    return found


def _unreadable(frames: Sequence[Frame]) -> list[Advice]:
    bad = [f for f in frames if f.phase == "unreadable"]
    if not bad:
        return []
    names = listed([f.file for f in bad])
    return [
        Advice(
            f"{counted(len(bad), 'file')} could not be read: {names}.",
            "Copy them again from the card before it is formatted or used again; then run again.",
        )
    ]


def missing_numbers(frames: Sequence[Frame]) -> list[tuple[str, int, int]]:
    """Return the gaps in the cameras' counts of pictures: roll, first and last number missing.

    Parameters
    ----------
    frames : sequence of Frame
        In the order of shooting.

    Examples
    --------
    >>> rolls = [Frame("a", "other", number=n, roll="card ABCD") for n in (9998, 1, 2, 5)]
    >>> missing_numbers(rolls)
    [('card ABCD', 9999, 9999), ('card ABCD', 3, 4)]
    """
    rolls: dict[str, list[int]] = defaultdict(list)
    for frame in frames:
        if frame.number is not None:
            rolls[frame.roll].append(frame.number)
    gaps = []
    for roll, numbers in rolls.items():
        for a, b in itertools.pairwise(numbers):
            step = (b - a) % DCF_LAST
            if 1 < step <= WIDEST_GAP:
                gaps.append((roll, a % DCF_LAST + 1, (b - 2) % DCF_LAST + 1))
    return gaps


def _gaps(frames: Sequence[Frame]) -> list[Advice]:
    gaps = missing_numbers(frames)
    if not gaps:
        return []
    where = [
        f"{roll} {a:04d}" if a == b else f"{roll} {a:04d} to {roll} {b:04d}" for roll, a, b in gaps
    ]
    return [
        Advice(
            f"The camera's file numbers skip {listed(where)}.",
            "If you did not delete them, look for them on the card or on a second card.",
        )
    ]


def _copies(frames: Sequence[Frame]) -> list[Advice]:
    copies = [f for f in frames if "It is a copy of" in f.note]
    if not copies:
        return []
    return [
        Advice(
            f"{counted(len(copies), 'file is a copy', 'files are copies')} of others on the cards.",
            "Nothing needs to be done; each picture is used once.",
        )
    ]


def _clock(clock: ClockAudit) -> list[Advice]:
    todo = (
        "Photograph a GPS clock with this camera, its clock untouched, and name that frame and its "
        "UTC under timing.references in the config."
    )
    if clock.entry["offset_s"] is not None:
        todo = (
            "Compare the times of this camera's frames at the contacts with what they show; if "
            "they do not fit, name a frame of known UTC under timing.references in the config."
        )
    return [Advice(f"{clock.name}: {text}", todo) for text in clock.entry["warnings"]]


def _unknown(material: Material) -> list[Advice]:
    """Return what the merge had to do without: north, and how it is given."""
    corona = material.corona
    if corona is None or corona.north_known:
        return []
    return [
        Advice(
            "The camera's orientation is not known: the frames were registered on each other "
            f"alone, north in the picture is not known, and the Sun's centre is only known to "
            f"{corona.sun_sigma_arcsec:.0f} arcsec.",
            "Give align.up_position_angle and align.pixel_scale_arcsec in the config, check the "
            "site, and name a frame of known UTC under timing.references; next time photograph "
            "partial phases.",
        )
    ]


def _not_linear(material: Material) -> list[Advice]:
    """Return what must be said of a corona from pictures made for a display."""
    if material.corona is None or material.corona.linear:
        return []
    return [
        Advice(
            "The corona was merged from display-referred pictures, such as JPEGs: its brightness, "
            "colours and noise are not measurements.",
            "Put the RAW files, or linear 16-bit TIFFs of them, under input.cards if there are "
            "any; next time photograph totality in RAW.",
        )
    ]


def _no_flats(material: Material) -> list[Advice]:
    """Return what must be said of a corona without flats, which can still be taken."""
    corona = material.corona
    if corona is None or not corona.linear or any("Flat-fielded" in h for h in corona.history):
        return []
    flats = (
        "Flats can still be taken: photograph an evenly lit white surface with the same lens, "
        "focus and aperture, and put the frames under input.cards. Until then do not compare "
        "the brightness of places far apart."
    )
    if any("Corners brightened" in h for h in corona.history):
        return [
            Advice(
                "There are no flats, so the shading of the lens (vignetting) was found from the "
                "colour of the sky and taken out; about a tenth of it may be left.",
                flats,
            )
        ]
    return [
        Advice(
            "There are no flats, so the shading of the lens (vignetting) is still in the corona: "
            "towards the corners it is darker than it was, by a tenth to a third with many lenses.",
            flats,
        )
    ]


def _air_and_lens(material: Material) -> list[Advice]:
    """Return what must be said of cloud before the corona and of a reflection in the lens."""
    found = []
    if material.cloud is not None:
        least = 100 * float(material.cloud["least_transmission"])
        found.append(
            Advice(
                f"Cloud passed in front of the corona: at its thickest {least:.0f} % of the light "
                "came through. Differences between frames are evened out; cloud that all frames "
                "share cannot be told from the corona.",
                "Do not compare the brightness of places far apart; use: drop under frames in the "
                "config leaves out the worst frames.",
            )
        )
    if material.ghost is not None:
        strength = max(float(s) for s in material.ghost["strength"])
        found.append(
            Advice(
                "A reflection inside the lens shows the corona upside down, with "
                f"{strength:.1g} of its light. It is subtracted from the corona.",
                "Look for a trace of it opposite the brightest streamers; a filter left in the "
                "light path is the usual cause.",
            )
        )
    return found


def _no_corona(material: Material) -> list[Advice]:
    if material.corona is not None:
        return []
    dark = [f for f in material.frames if f.phase == "totality"]
    kind = material.contacts.get("kind")
    if kind != "total":
        if not dark:
            return []  # nothing is amiss: there was no corona to be seen
        return [
            Advice(
                f"{counted(len(dark), 'frame')} look like totality, yet the eclipse was {kind} "
                "at the site.",
                "Check site and eclipse in the config; north and east are positive.",
            )
        ]
    if not dark:
        return [
            Advice(
                "No frame of totality was found, so there is no corona.",
                "Check that all cards and folders are named under input.cards.",
            )
        ]
    return [
        Advice(
            f"There are {counted(len(dark), 'frame')} of totality, and none was merged.",
            "The section Registration gives the reason for each; or the merge has not run yet.",
        )
    ]


def _coverage(coverage: Coverage) -> list[Advice]:
    found = []
    thin = thin_places(coverage)
    if thin and thin[0][0] <= coverage.edges[0]:
        shortest = coverage.reaches[0].exposure_s
        found.append(
            Advice(
                f"Within {thin[0][1]:.2f} solar radii fewer than 3 frames are well exposed.",
                f"At the next eclipse, add exposures shorter than {exposure_text(shortest)}, or "
                "take more of the shortest.",
            )
        )
        thin = thin[1:]
    if thin and thin[-1][1] >= coverage.edges[-1]:
        longest = coverage.reaches[-1].exposure_s
        found.append(
            Advice(
                f"Beyond {thin[-1][0]:.2f} solar radii fewer than 3 frames are well exposed.",
                f"At the next eclipse, take more exposures of {exposure_text(longest)}, or longer "
                "ones if the mount follows the Sun.",
            )
        )
        thin = thin[:-1]
    for begin, end, _ in thin:
        found.append(
            Advice(
                f"Between {begin:.2f} and {end:.2f} solar radii fewer than 3 frames are well "
                "exposed.",
                "At the next eclipse, use smaller steps in the bracket.",
            )
        )
    return found
