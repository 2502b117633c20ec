"""Enhanced versions and the finished picture."""

from __future__ import annotations

from importlib import import_module
from typing import Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator
from pydantic_core import PydanticCustomError

from limbward.config.base import Section, Up

ENHANCEMENT_NAME = r"^[A-Za-z0-9][A-Za-z0-9_-]*$"  # becomes a file name


def check_filter(name: str, params: dict[str, Any]) -> None:
    """Raise a validation error if there is no such filter or it does not take ``params``.

    Raises
    ------
    PydanticCustomError
        Of type ``unknown_filter`` or ``filter_params``; the context holds the known names, or the
        errors and the model of the parameters.
    """
    # Filters bring scipy and numba, a second of imports that a config without steps does not need.
    filters = import_module("limbward.filters")
    names = list(filters.names())
    if name not in names:
        raise PydanticCustomError("unknown_filter", "no such filter", {"names": names})
    model = filters.load(name).Params
    try:
        model.model_validate(params)
    except ValidationError as error:
        raise PydanticCustomError(
            "filter_params",
            "{text}",
            {"text": str(error), "errors": error.errors(), "model": model},
        ) from None


class StepConfig(BaseModel):
    """One filter of an enhancement; the other keys are the filter's own parameters."""

    model_config = ConfigDict(extra="allow", strict=True, frozen=True, allow_inf_nan=False)

    filter: str = Field(description="Name of the filter.")

    @property
    def params(self) -> dict[str, Any]:
        """The filter's parameters, as written."""
        return dict(self.model_extra or {})

    @property
    def words(self) -> str:
        """The step in words, for the report."""
        return " ".join(
            [f"the filter {self.filter}", *(f"{k}={v}" for k, v in self.params.items())]
        )

    @model_validator(mode="after")
    def _known(self) -> Self:
        check_filter(self.filter, self.params)
        return self


class EnhanceConfig(Section):
    """An enhanced version of the corona: filters applied one after the other."""

    name: str = Field(
        pattern=ENHANCEMENT_NAME, max_length=60, description="Name of the resulting files."
    )
    steps: list[StepConfig] = Field(min_length=1, description="Filters, in order.")
    colour: Literal["restored", "as_filtered"] = Field(
        default="restored",
        description="Colours of the TIFF and PNG: restored shows the filtered brightness in the "
        "colours of the merge; as_filtered shows the result of the filters as it is, in grey if "
        "they filter the luminance, in colour if their key channels is each. The FITS file holds "
        "the numbers either way.",
    )


class CropConfig(Section):
    """A rectangle that the finished picture is cut to, solar radii from the Sun's centre."""

    left: float = Field(ge=-100, le=100, description="To the left edge.")
    right: float = Field(ge=-100, le=100, description="To the right edge.")
    top: float = Field(ge=-100, le=100, description="To the top edge.")
    bottom: float = Field(ge=-100, le=100, description="To the bottom edge.")

    @model_validator(mode="after")
    def _holds_something(self) -> Self:
        if self.left + self.right < 0.1 or self.top + self.bottom < 0.1:
            raise PydanticCustomError(
                "crop",
                "leaves no picture: left and right, and top and bottom, should add up to 0.1 solar "
                "radii at least",
            )
        return self


class ComposeConfig(Section):
    """The finished picture."""

    up: Up = Field(default="solar_north", description="What is up in the picture.")
    detail: str | None = Field(
        default=None,
        description="Name of the enhancement that gives the detail; null takes the first one.",
    )
    detail_strength: float = Field(
        default=0.16,
        ge=0,
        le=0.6,
        description="Lightness that detail at full contrast adds to the middle tones; 0 shows the "
        "tone curve alone.",
    )
    saturation: float = Field(
        default=1.3,
        ge=0,
        le=4,
        description="Saturation of the colours: 0 is grey, 1 leaves them as they are.",
    )
    white_balance: Literal["solar", "daylight"] = Field(
        default="solar",
        description="solar makes the middle corona white, since its light is scattered sunlight; "
        "daylight is the camera's own setting, and keeps the red of a low Sun.",
    )
    white_mired: float = Field(
        default=0.0,
        ge=-100,
        le=90,
        description="Moves the white point along daylight, mired: positive is warmer, negative "
        "colder.",
    )
    white_tint: float = Field(
        default=0.0,
        ge=-1,
        le=1,
        description="Moves the white point across daylight: positive is pinker, negative greener.",
    )
    sky_lightness: float = Field(
        default=0.05, ge=0, le=0.5, description="Lightness of the darkest sky, 0 black to 1 white."
    )
    brightest_lightness: float = Field(
        default=0.95, ge=0.5, le=1, description="Lightness of the brightest corona."
    )
    outer: float = Field(
        default=0.001,
        ge=1e-6,
        le=1,
        description="Fraction of the brightness range above which the tone curve is logarithmic; a "
        "smaller value brightens the outer corona.",
    )
    brightness: float = Field(
        default=0.0,
        ge=-1,
        le=1,
        description="Makes the corona's tones between black and white brighter (positive) or "
        "darker.",
    )
    contrast: float = Field(
        default=0.0,
        ge=-1,
        le=1,
        description="Makes the corona's middle tones more contrasty (positive) or softer.",
    )
    level_sky: bool = Field(
        default=False, description="Subtract a slope across the outermost sky, as under a low Sun."
    )
    earthshine: float = Field(
        default=1.0, ge=0, le=5, description="Brightness of the Moon's surface; 0 is a black disc."
    )
    moon_lightness: float = Field(
        default=0.03, ge=0, le=0.3, description="Lightness of the Moon's disc; 0 is black."
    )
    limb_px: float | None = Field(
        default=None,
        ge=0.2,
        le=20,
        description="Blur of the Moon's edge, pixels (standard deviation); null takes the blur "
        "measured in the frames.",
    )
    crop_radii: float | None = Field(
        default=None,
        ge=1.1,
        le=100,
        description="Crop to this distance of the nearer edges from the Sun's centre, solar radii; "
        "null keeps what was seen, also where it reaches further to one side.",
    )
    crop: CropConfig | None = Field(
        default=None,
        description="Crop composite.png and composite.tif to a rectangle: how far it reaches to "
        "the left, right, top and bottom of the Sun's centre, solar radii. In place of crop_radii.",
    )
    crop_ratio: str | None = Field(
        default=None,
        pattern=r"^[1-9]\d{0,3}:[1-9]\d{0,3}$",
        description="Crop further to this ratio of width to height, such as '3:2', '16:9' or "
        "'1:1', as large as it fits.",
    )
    rotation_deg: float = Field(
        default=0.0,
        ge=-180,
        le=180,
        description="Turns the picture further, degrees; positive is anticlockwise.",
    )
    profile: Literal["srgb", "wide"] = Field(
        default="srgb",
        description="Colour space of the TIFF; 'wide' has the primaries of ITU-R BT.2020.",
    )
    title: str = Field(
        default="",
        max_length=200,
        description="For the files' captions; if empty, that of the report.",
    )
    author: str = Field(
        default="",
        max_length=200,
        description="For the files' captions; if empty, that of the report.",
    )

    @model_validator(mode="after")
    def _crops_once(self) -> Self:
        if self.crop is not None and self.crop_radii is not None:
            raise PydanticCustomError("crop", "has both crop and crop_radii; remove one of the two")
        return self


class VariantConfig(Section):
    """Another version of the picture, kept to compare with."""

    name: str = Field(min_length=1, max_length=60, description="Its name on the page.")
    enhance: list[EnhanceConfig] = Field(
        min_length=1, description="In place of the section enhance."
    )
    compose: ComposeConfig = Field(
        default=ComposeConfig(), description="In place of the section compose."
    )

    @model_validator(mode="after")
    def _detail_is_there(self) -> Self:
        if self.compose.detail not in (None, *(e.name for e in self.enhance)):
            raise PydanticCustomError("variant", "its compose.detail names no enhancement of it")
        return self


def default_enhance() -> list[EnhanceConfig]:
    """Return the enhancements of a config that names none."""
    # Not validated, so that a config without 'enhance' does not load the filters.
    step = StepConfig.model_construct(filter="nrgf")
    return [EnhanceConfig.model_construct(name="nrgf", steps=[step])]
