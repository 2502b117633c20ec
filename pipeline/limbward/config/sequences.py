"""What shows the eclipse in its course: sheet, strip, film, prominences, clips."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from limbward.config.base import PathText, Section, Up


class SheetConfig(Section):
    """The sheet of partial phases (`limbward sheet`)."""

    camera: str | None = Field(
        default=None, description="Model or serial number; null takes the one with most crescents."
    )
    count: int = Field(default=10, ge=2, le=200, description="Crescents, totality not counted.")
    steps: Literal["time", "obscuration"] = Field(
        default="time", description="What changes by even steps from crescent to crescent."
    )
    layout: Literal["line", "arc", "grid"] = Field(
        default="arc",
        description="How the crescents stand; on a grid, counts of 8, 14 and 24 have totality in "
        "the very middle.",
    )
    up: Up = Field(default="solar_north", description="What is up in each crescent.")
    cell_px: int = Field(
        default=320, ge=64, le=4000, description="Distance of neighbours; the Sun takes two thirds."
    )
    times: bool = Field(default=True, description="Whether UTC stands below each.")
    totality: bool = Field(
        default=True, description="Whether the composite stands between the two halves."
    )


class StripConfig(Section):
    """The strip of diamond rings and beads around C2 and C3 (`limbward strip`)."""

    camera: str | None = Field(
        default=None, description="Model or serial number; null takes the one with most frames."
    )
    span_s: float = Field(
        default=12.0, gt=0, le=120, description="Frames this near to a contact are shown, seconds."
    )
    count: int = Field(default=6, ge=1, le=60, description="Frames a contact, at most.")
    up: Up = Field(default="solar_north", description="What is up in each frame.")
    cell_px: int = Field(default=420, ge=64, le=4000, description="Side of each frame's square.")


class FilmConfig(Section):
    """The time-lapse (`limbward film`)."""

    camera: str | None = Field(
        default=None, description="Model or serial number; null takes the one with most frames."
    )
    formats: list[Literal["mp4", "webm"]] = Field(
        default=["mp4", "webm"], min_length=1, description="mp4 is H.264, webm is VP9."
    )
    rate: float = Field(default=12.0, ge=1, le=120, description="Pictures a second.")
    hold: int = Field(
        default=1, ge=1, le=240, description="How many pictures of the film a photograph lasts."
    )
    between: int = Field(
        default=0,
        ge=0,
        le=60,
        description="Pictures blended in between two photographs; what they show was never seen.",
    )
    dissolve: int = Field(
        default=6,
        ge=0,
        le=240,
        description="Pictures that lead over between those with and those without a filter; 0 is a "
        "cut.",
    )
    size_px: int = Field(default=1080, ge=64, le=4320, description="Side of the square picture.")
    field_radii: float = Field(
        default=2.4, ge=1.1, le=20, description="Solar radii from the Sun's centre to the sides."
    )
    up: Up = Field(default="solar_north", description="What is up.")
    time: bool = Field(default=False, description="Whether UTC is burnt in.")
    deflicker: bool = Field(
        default=True,
        description="Whether each frame is brought to the usual brightness of the disc, or of the "
        "corona; the darkening towards the limb stays.",
    )
    totality_exposure_s: float | None = Field(
        default=None,
        gt=0,
        le=3600,
        description="Without the filter, frames of about this exposure are shown; null takes "
        "one of the shorter of those used in totality.",
    )


class ProminencesConfig(Section):
    """Prominence crops (`limbward prominences`)."""

    count: int = Field(default=8, ge=1, le=50, description="Prominences, the highest first.")
    margin_arcsec: float = Field(
        default=30.0, ge=0, le=600, description="Room around each in its crop."
    )


class ClipsConfig(Section):
    """Films taken by other devices (`limbward clips`)."""

    files: list[PathText] = Field(
        default=[],
        description="Glob patterns of clips ('phone/*.mp4'); empty takes those on the cards.",
    )
    samples: int = Field(
        default=120, ge=8, le=2000, description="Pictures of each clip that are measured."
    )
    clock_offset_hours: float | None = Field(
        default=None,
        ge=-14,
        le=14,
        description="Time zone of the clips' creation times; null takes them as UTC, as the file "
        "formats say, and finds another zone from the pictures.",
    )
