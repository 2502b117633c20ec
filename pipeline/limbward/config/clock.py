"""How the camera clocks are put on UTC."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from limbward.config.base import Instant, PathText, Section


class TimeReference(Section):
    """A frame whose UTC is known, for example because it shows a GPS clock."""

    file: PathText = Field(min_length=1, description="Name of the frame, or the end of its path.")
    utc: Instant = Field(description="UTC at the start of the exposure.")


class TimingConfig(Section):
    """How the times of the camera clocks are corrected to UTC."""

    utc_offset_hours: float | None = Field(
        default=None,
        ge=-14,
        le=14,
        description="Time zone of the camera clocks, hours from UTC; null finds it from the "
        "frames.",
    )
    mount: Literal["auto", "equatorial", "altazimuth", "fixed"] = Field(
        default="auto",
        description="How the camera followed the Sun; auto finds out from the frames.",
    )
    references: list[TimeReference] = Field(default=[], description="Frames whose UTC is known.")
    beads: bool = Field(
        default=True,
        description="Date the clock by frames with beads where they match the Moon's relief.",
    )
    lunar_limb: Literal["auto", "smooth"] = Field(
        default="auto",
        description="The Moon's limb that crescents are fitted with: auto is its relief, as far as "
        "the pictures do not contradict it; smooth is a circle, whose centre is half an arcsecond "
        "(a second of time and more) off that of a real Moon, which the stated errors leave out.",
    )
    sidecars: bool = Field(
        default=False,
        description="Also write the corrected times to XMP files in the workspace.",
    )

    @property
    def rotates(self) -> bool | None:
        """Whether the field turns with the zenith; None where that is to be found out."""
        return {"auto": None, "equatorial": False, "altazimuth": True, "fixed": True}[self.mount]
