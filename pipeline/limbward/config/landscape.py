"""Wide and fisheye frames (`limbward landscape`)."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from limbward.config.base import PathText, Section


class LandscapeConfig(Section):
    """Wide and fisheye frames of the landscape and the sky (`limbward landscape`)."""

    camera: str | None = Field(
        default=None,
        description="Model or serial number; null takes the camera with the most wide frames.",
    )
    longest_mm: float = Field(
        default=60.0,
        gt=0,
        le=400,
        description="Longest focal length that counts as wide, millimetres.",
    )
    focal_mm: float | None = Field(
        default=None,
        gt=0,
        le=400,
        description="Focal length of the camera's wide lens if the files do not tell it, or not "
        "rightly, millimetres.",
    )
    sensor_width_mm: float | None = Field(
        default=None,
        gt=0,
        le=100,
        description="Width of the sensor, millimetres; null takes it from Exif, or tries the "
        "usual ones.",
    )
    faintest: float = Field(
        default=3.5, ge=-5, le=5, description="Magnitude of the faintest stars to look for."
    )
    frame: PathText | None = Field(
        default=None,
        description="Frame to annotate, by its name or the end of its path; null takes the one in "
        "which most planets and stars show.",
    )
    every: bool = Field(
        default=False,
        description="Also annotate a copy of every frame that shows the landscape, into "
        "`sequences/landscape/`.",
    )
    shadow_height_km: float | None = Field(
        default=None,
        gt=0,
        le=100,
        description="Draw the edge of the Moon's umbra on air at this height, kilometres; 10 is "
        "usual, null draws none.",
    )
    foreground: PathText | None = Field(
        default=None,
        description="Frame that gives the landscape in the picture of the Sun's path; null takes "
        "one of totality, else the brightest.",
    )
    step_minutes: float = Field(
        default=5.0,
        gt=0,
        le=60,
        description="Time between the Suns in the picture of the Sun's path, minutes.",
    )
    magnification: float | None = Field(
        default=None,
        ge=1,
        le=60,
        description="Set Suns photographed by a telescope into the picture of the Sun's path, this "
        "many times as large as they stood in the sky; null takes the wide frames' own.",
    )
    telescope: str | None = Field(
        default=None,
        description="Model or serial number of that telescope's camera; null takes the one with "
        "the most crescents.",
    )
    film: bool = Field(
        default=True,
        description="Make a film of the light that goes and comes back, if enough unfiltered "
        "frames of one tripod show it; its formats, rate, `hold` and `between` are those of "
        "section `film`.",
    )
    film_px: int = Field(
        default=1280,
        ge=200,
        le=4320,
        description="Longer side of the film's picture, pixels, at most; frames are averaged "
        "down by whole numbers.",
    )
    up_to_px: int = Field(
        default=3000,
        ge=400,
        le=12000,
        description="Longer side of the pictures, and of what frames are measured on, pixels; "
        "larger frames are averaged down.",
    )
    clock: Literal["auto", "own"] = Field(
        default="auto",
        description="Clock of the frames: auto takes that of the timing stage where it is good to "
        "3 s; own finds it from the light in the wide frames alone.",
    )
