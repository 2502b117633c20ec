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
        description="Metres above the ellipsoid; a height from a map is good enough.",
    )
    name: str = Field(default="", description="Name of the site, for the report.")


class InputConfig(Section):
    """The photographs; they are never written to."""

    cards: list[PathText] = Field(
        min_length=1,
        description="Folders of photographs, or bags; all subfolders are searched. Relative paths "
        "start at the config file.",
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
        default=[],
        description="Glob patterns of frames taken with the lens capped, at the shortest exposure.",
    )
    exclude: list[PathText] = Field(default=[], description="Glob patterns of files to leave out.")


class SkyConfig(Section):
    """How the positions of Sun and Moon are computed."""

    ephemeris: Literal["de421", "de440"] = Field(
        default="de421",
        description="JPL ephemeris; de440 needs the extra package 'limbward[de440]'.",
    )
    k_penumbra: float = Field(
        default=0.2725076,
        ge=0.27,
        le=0.275,
        description="Moon's radius for C1 and C4, in Earth radii.",
    )
    k_umbra: float = Field(
        default=0.2725076,
        ge=0.27,
        le=0.275,
        description="Moon's radius for C2 and C3, in Earth radii.",
    )
    solar_radius_km: float = Field(
        default=696000.0,
        ge=690000,
        le=700000,
        description="Radius of the photosphere. If you do not give it, C2 and C3 from the Moon's "
        "relief are computed with 696221 km, as measured at eclipses.",
    )
    limb_profile: PathText | None = Field(
        default=None,
        description="CSV of position angle (degrees) and height of the Moon's limb (arcsec), for "
        "C2, C3, the beads and the frames. With null these follow from the Moon's relief (the "
        "frames as timing.lunar_limb says).",
    )
    refraction: bool = Field(
        default=True, description="Correct positions for refraction, which flattens the field."
    )
    pressure_hpa: float | None = Field(
        default=None,
        ge=0,
        le=1100,
        description="Air pressure at the camera, not reduced to sea level; null takes the standard "
        "atmosphere at the site's height.",
    )
    temperature_c: float | None = Field(
        default=None,
        ge=-80,
        le=60,
        description="Air temperature; null takes the standard atmosphere at the site's height.",
    )
