"""What shows the eclipse in its course: sheet, strip, film, prominences, clips."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from limbward.config.base import PathText, Section, Up


class SheetConfig(Section):
    """The sheet of partial phases (`limbward sheet`)."""

    camera: str | None = Field(
        default=None,
        description="Model or serial number; null takes the camera with the most crescents.",
    )
    count: int = Field(
        default=10, ge=2, le=200, description="Number of crescents, not counting totality."
    )
    steps: Literal["time", "obscuration"] = Field(
        default="time", description="What changes by equal steps from one crescent to the next."
    )
    layout: Literal["line", "arc", "grid"] = Field(
        default="arc",
        description="Arrangement of the crescents; on a grid, counts of 8, 14 and 24 put totality "
        "in the exact middle.",
    )
    up: Up = Field(default="solar_north", description="What is up in each crescent.")
    cell_px: int = Field(
        default=320,
        ge=64,
        le=4000,
        description="Distance between neighbours, pixels; the Sun takes two thirds of it.",
    )
    times: bool = Field(default=True, description="Print UTC below each crescent.")
    totality: bool = Field(
        default=True,
        description="Put the composite between the two halves; of an annular eclipse, the ring.",
    )
    tint: Literal["white", "yellow", "orange"] | None = Field(
        default=None,
        description="Tint of the crescents; null keeps the colours of the photographs.",
    )


class StripConfig(Section):
    """The strip of diamond rings and beads around C2 and C3 (`limbward strip`)."""

    camera: str | None = Field(
        default=None,
        description="Model or serial number; null takes the camera with the most frames.",
    )
    span_s: float = Field(
        default=12.0,
        gt=0,
        le=120,
        description="Show frames within this time of a contact, seconds.",
    )
    count: int = Field(default=6, ge=1, le=60, description="Largest number of frames per contact.")
    up: Up = Field(default="solar_north", description="What is up in each frame.")
    cell_px: int = Field(
        default=420, ge=64, le=4000, description="Side of each frame's square, pixels."
    )


class FilmConfig(Section):
    """The time-lapse (`limbward film`)."""

    camera: str | None = Field(
        default=None,
        description="Model or serial number; null takes the camera with the most frames.",
    )
    formats: list[Literal["mp4", "webm"]] | None = Field(
        default=None,
        min_length=1,
        description="File formats: mp4 is H.264, webm is VP9. null writes both, and of a film of "
        "more than 4.5 megapixels mp4 alone: VP9 takes 1.1 GB of memory more at 3840 pixels "
        "square.",
    )
    rate: float = Field(default=12.0, ge=1, le=120, description="Film frames per second.")
    hold: int = Field(
        default=1, ge=1, le=240, description="Film frames for which each photograph is shown."
    )
    between: int = Field(
        default=0,
        ge=0,
        le=60,
        description="Film frames blended between two photographs; they show nothing that was "
        "really photographed.",
    )
    dissolve: int = Field(
        default=6,
        ge=0,
        le=240,
        description="Film frames of the dissolve between photographs with and without a solar "
        "filter; 0 is a cut.",
    )
    shape: Literal["square", "16:9", "9:16"] = Field(
        default="square", description="Width to height of the picture."
    )
    size_px: int = Field(
        default=1080,
        ge=64,
        le=4320,
        description="Shorter side of the picture, pixels; with 16:9, 1080 is full HD and 2160 is "
        "4K.",
    )
    speed: float | None = Field(
        default=None,
        gt=0,
        le=10000,
        description="Play evenly, this many times as fast as the eclipse; 1 is real time. null "
        "shows each photograph for `hold` film frames.",
    )
    real_time_s: float | None = Field(
        default=None,
        ge=0,
        le=600,
        description="Play in real time from this many seconds before second contact to as many "
        "after third; `speed` or `hold` apply before and after. null has no such part.",
    )
    average: int = Field(
        default=5,
        ge=1,
        le=15,
        description="Photographs of totality averaged in each picture of it, to hold the noise "
        "down; the Moon stays where each photograph has it. 1 shows each alone.",
    )
    sound: PathText | None = Field(
        default=None,
        description="Clip whose sound is heard in the part of the film that is in real time "
        "(`real_time_s`, or `speed: 1`). Its time is taken from `limbward clips`.",
    )
    title_s: float = Field(
        default=0.0,
        ge=0,
        le=30,
        description="Begin with a title card of this length, seconds; it shows the report's title "
        "and the site.",
    )
    field_radii: float = Field(
        default=2.4,
        ge=1.1,
        le=20,
        description="Solar radii from the Sun's centre to the nearer sides.",
    )
    up: Up = Field(default="solar_north", description="What is up in the film.")
    time: bool = Field(default=False, description="Show UTC in the picture.")
    deflicker: bool = Field(
        default=True,
        description="Adjust each frame to the usual brightness of the disc or of the corona; limb "
        "darkening is kept.",
    )
    totality_exposure_s: float | None = Field(
        default=None,
        gt=0,
        le=3600,
        description="Of the frames without a solar filter, show those of about this exposure; null "
        "takes one of the shorter exposures of totality.",
    )


class ProminencesConfig(Section):
    """Prominence crops (`limbward prominences`)."""

    count: int = Field(
        default=8, ge=1, le=50, description="Number of prominences, the highest first."
    )
    margin_arcsec: float = Field(
        default=30.0,
        ge=0,
        le=600,
        description="Margin around each prominence in its crop, arcseconds.",
    )


class ChromosphereConfig(Section):
    """The Sun in hydrogen-alpha (`limbward chromosphere`)."""

    camera: str | None = Field(
        default=None,
        description="Model or serial number; null takes the camera of a spectral line with the "
        "most frames.",
    )
    colour: str = Field(
        default="#ff5a36",
        pattern="^#[0-9a-fA-F]{6}$",
        description="Colour of the picture, and of the prominences over the corona.",
    )
    over_corona: bool = Field(
        default=False,
        description="Whether the prominences are laid over the finished picture of the corona, "
        "which needs `limbward chromosphere` first, then `limbward run` again.",
    )


class ClipsConfig(Section):
    """Videos from other devices (`limbward clips`)."""

    files: list[PathText] = Field(
        default=[],
        description="Glob patterns of clips ('phone/*.mp4'); empty takes those on the cards.",
    )
    samples: int = Field(
        default=120, ge=8, le=2000, description="Number of video frames measured in each clip."
    )
    clock_offset_hours: float | None = Field(
        default=None,
        ge=-14,
        le=14,
        description="Time zone of the clips' creation times, hours from UTC; null takes them as "
        "UTC, as the file formats require, and finds another zone from the video.",
    )
