"""The section on stars and planets found in the frames of totality."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from limbward.geometry.angle import half_turn
from limbward.report.material import StarsSeen
from limbward.report.section import Section
from limbward.report.wording import counted


def star_section(seen: Sequence[StarsSeen]) -> Section | None:
    """Return what stars tell, None if none were looked for."""
    if not seen:
        return None
    sentences = [sentence for one in seen for sentence in _sentences(one)]
    if any(one.rows for one in seen):
        sentences.append(
            "Expected places are the catalogue's with proper motion, aberration, the bending of "
            "light at the Sun and refraction at greatest eclipse. The differences remain "
            "after turn, scale and distortion have been fitted, so they show how well the frames "
            "measure. Magnitudes are of green light."
        )
    return Section(sentences)


def star_rows(seen: Sequence[StarsSeen]) -> list[list[str]]:
    """Return the cells of a table: a row for each star of each camera."""
    return [
        [
            str(star["name"]) if star["used"] else f"{star['name']} (not in the fit)",
            one.name,
            f"{star['magnitude']:.2f}",
            f"{star['measured_magnitude']:.2f} ± {star['magnitude_sigma']:.2f}",
            f"{star['east'] / 60.0:+.3f}′",
            f"{star['north'] / 60.0:+.3f}′",
            f"{star['miss_east']:+.2f}″",
            f"{star['miss_north']:+.2f}″",
            f"{star['sigma']:.2f}″",
            f"{star['frames']:.0f}",
        ]
        for one in seen
        for star in one.rows
    ]


def _sentences(one: StarsSeen) -> list[str]:
    told = one.entry
    frames = counted(int(told["frames"]), "long exposure")
    if not told.get("stars"):
        return [f"{one.name}: no star was recognised with confidence in {frames} of totality."]
    what = "stars" if all(star["kind"] == "star" for star in one.rows) else "stars and planets"
    side = "mirrored" if told["mirrored"] else "not mirrored"
    said = [
        f"{one.name}: {told['stars']} {what} were recognised in {frames} of totality. "
        f"By them the picture's up lies at position angle {told['up_position_angle']:.3f}° ± "
        f"{told['up_position_angle_sigma']:.3f}°, a pixel is {told['pixel_scale_arcsec']:.4f}″ ± "
        f"{told['pixel_scale_sigma']:.4f}″, and the picture is {side}. The probability that so "
        f"many agree by chance is below {told['chance']:.0e}."
    ]
    if told["decides"]:
        said.append("The orientation of this camera is taken from them.")
    elif one.pointing:
        turn = told["up_position_angle"] - one.pointing["up_position_angle"]
        turn = half_turn(turn)
        said.append(
            f"That is {turn:+.3f}° from the orientation by the partial phases, which was used."
        )
    said.append(_distortion(told))
    return said


def _distortion(told: Mapping[str, Any]) -> str:
    sigma = told.get("distortion_sigma")
    if sigma is None:
        return "They are too few to tell a distortion of the lens."
    if not told["distortion"]:
        return f"No distortion of the lens shows (± {100 * sigma:.2f} % at the corner)."
    return (
        f"The lens draws the corner of the frame {100 * told['distortion']:+.2f} ± "
        f"{100 * sigma:.2f} % further out than it should."
    )
