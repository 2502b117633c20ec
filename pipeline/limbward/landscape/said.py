"""What the report says of the pictures of a session of wide frames."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from limbward.landscape.brightness import SkyCurve, Strip
from limbward.landscape.solved import Solved
from limbward.landscape.told import curve_told, names_told, numbers_told

DASHED = "Dashed: second and third contact."


@dataclass(frozen=True)
class Said:
    """Words for a picture of a name: title, caption, text in place of it, numbers and details."""

    name: str
    title: str
    caption: str
    alt: str
    numbers: dict[str, str] = field(default_factory=dict)
    details: dict[str, Any] = field(default_factory=dict)


def session_said(solved: Solved, told: dict[str, Any], annotated: str | None) -> Said:
    """Return what is said of a session; ``annotated`` is the file that was annotated."""
    named = names_told(told)
    words = "" if annotated is None else f"{annotated} with what is in it."
    return Said(
        "landscape",
        "The whole sky",
        f"{words} The lens, how the tripod stood and the clock follow from the Sun"
        f"{', planets and stars' if named else ''} in {int(solved.placed.sum())} frames.",
        "A wide frame with planets, stars, altitudes, azimuths and the horizon marked",
        numbers_told(solved, told),
        {"lens": told["lens"], "clock": told["clock"], "bodies": named},
    )


def curve_said(curve: SkyCurve) -> Said:
    """Return what is said of the sky's brightness."""
    unit = (
        "magnitudes per square arcsecond, by the stars in the frames"
        if curve.calibrated
        else "relative, since no star in the frames calibrates it"
    )
    return Said(
        "sky-brightness",
        "Brightness of the sky",
        f"Medians of the sky more than 8 degrees from the Sun; {unit}. {DASHED} The lens's "
        "vignetting is not corrected.",
        "A curve that falls by some magnitudes between the contacts",
        {"frames": str(curve.t.size), **curve.darkest()},
        curve_told(curve),
    )


def strip_said(strip: Strip) -> Said:
    """Return what is said of the strip along the horizon."""
    return Said(
        "horizon",
        "The horizon through the eclipse",
        f"{strip.frames} frames of one tripod, time downwards, azimuth to the right; exposures are "
        f"taken out, and brightness is logarithmic. {DASHED}",
        "A strip that is bright above and below and dark in its middle",
    )


def path_said(ground: str, suns: Sequence[dict[str, Any]]) -> Said:
    """Return what is said of the Sun's path over the landscape of a frame."""
    return _path(
        "The Sun's path",
        f"Each Sun stands where it stood in its own frame, at its true size; the landscape is that "
        f"of {ground}. A picture of several exposures.",
        ground, suns, 1.0,
    )  # fmt: skip


def composite_said(ground: str, suns: Sequence[dict[str, Any]], camera: str, times: float) -> Said:
    """Return what is said of a picture with Suns of a telescope set in."""
    return _path(
        "The Sun's path (composite)",
        f"A composite: {len(suns)} Suns photographed by {camera} are set in {times:g} times as "
        "large as they stood in the sky, each with its centre at its true place; the landscape is "
        f"that of {ground}.",
        ground, suns, times,
    )  # fmt: skip


def _path(
    title: str, caption: str, ground: str, suns: Sequence[dict[str, Any]], times: float
) -> Said:
    span = {"from": suns[0]["utc"], "to": suns[-1]["utc"]}
    return Said(
        "sun-path",
        title,
        caption,
        "A row of crescents over a landscape, with the eclipsed Sun in its middle",
        {"Suns": str(len(suns)), **span},
        {"foreground": ground, "magnification": times, "suns": list(suns)},
    )


def film_said(
    files: Sequence[str], numbers: dict[str, str], details: dict[str, Any], *, total: bool
) -> Said:
    """Return what is said of the film in some files."""
    return Said(
        "shadow-film",
        "The shadow comes and goes" if total else "The light goes and comes back",
        "Stills from the film; the film itself is beside this report: "
        f"{', '.join(n.rsplit('/', 1)[1] for n in files)}. Exposures are evened out; the sky is "
        "drawn as a power of its brightness, the same all through.",
        "Stills of a landscape that grows dark and bright again, in order of time",
        numbers,
        details,
    )
