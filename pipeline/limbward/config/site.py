"""Where the camera stood, its photographs, and how Sun and Moon are computed."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from limbward.config.base import PathText, Section


class SiteConfig(Section):
    """Where the camera stood (WGS84)."""

    latitude: float = Field(ge=-90, le=90, description="Degrees north; south is negative.")
    longitude: float = Field(ge=-180, le=360, description="Degrees east; west is negative.")
    height: float = Field(
        default=0.0,
        ge=-500,
        le=20000,
        description="Metres above the ellipsoid (a map height will do).",
    )
    name: str = Field(default="", description="For the report.")


class InputConfig(Section):
    """The photographs; opened for reading only."""

    cards: list[PathText] = Field(
        min_length=1,
        description="Folders of photographs, searched with all their subfolders. "
        "Relative paths start at the config file.",
    )
    darks: list[PathText] = Field(
        default=[],
        description="Glob patterns of frames taken with the lens capped ('darks/**/*.dng').",
    )
    flats: list[PathText] = Field(
        default=[],
        description="Glob patterns of frames of an evenly lit field, same optics and focus.",
    )
    bias: list[PathText] = Field(
        default=[], description="Glob patterns of capped frames of the shortest exposure."
    )
    exclude: list[PathText] = Field(default=[], description="Glob patterns of files to leave out.")


class SkyConfig(Section):
    """How Sun and Moon are computed."""

    ephemeris: Literal["de421", "de440"] = Field(
        default="de421",
        description="JPL ephemeris; de440 needs the extra package 'limbward[de440]'.",
    )
    k_penumbra: float = Field(
        default=0.2725076,
        ge=0.27,
        le=0.275,
        description="Moon's radius for C1 and C4, Earth radii.",
    )
    k_umbra: float = Field(
        default=0.2725076,
        ge=0.27,
        le=0.275,
        description="Moon's radius for C2 and C3, Earth radii.",
    )
    solar_radius_km: float = Field(
        default=696000.0,
        ge=690000,
        le=700000,
        description="Radius of the photosphere; where it is not given, C2 and C3 by the Moon's "
        "relief are for 696221 km, as measured at eclipses.",
    )
    limb_profile: PathText | None = Field(
        default=None,
        description="CSV of position angle (degrees) and height of the Moon's limb (arcsec), for "
        "C2, C3, the beads and the frames. With null these are by the Moon's relief (the frames as "
        "timing.lunar_limb says).",
    )
    refraction: bool = Field(
        default=True, description="Whether positions allow for the air flattening the field."
    )
    pressure_hpa: float | None = Field(
        default=None,
        ge=0,
        le=1100,
        description="Air pressure at the camera, not reduced to sea level; null is that of the "
        "standard atmosphere at the site's height.",
    )
    temperature_c: float | None = Field(
        default=None,
        ge=-80,
        le=60,
        description="Air temperature; null is that of the standard atmosphere at the site's "
        "height.",
    )
