"""How frames are registered and merged."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator

from limbward.config.base import Section


class AlignConfig(Section):
    """How Sun and Moon are found in the frames."""

    max_sigma_px: float = Field(
        default=1.0,
        gt=0,
        le=50,
        description="Frames are not merged if the standard error of the Sun's position is larger.",
    )
    up_position_angle: float | None = Field(
        default=None,
        ge=-360,
        le=360,
        description="Position angle of the image's upward direction at greatest eclipse, degrees "
        "from celestial north through east; null measures it.",
    )
    pixel_scale_arcsec: float | None = Field(
        default=None,
        gt=0.01,
        le=600,
        description="Plate scale, arcseconds per pixel; null measures it.",
    )
    lens_database: bool = Field(
        default=False,
        description="Whether the distortion of a lens is looked up in the lens database (`pip "
        "install 'limbward[lensdb]'`), by the name in the files or by `lens` under bodies. It is "
        "used where the frames do not tell it better.",
    )
    stars: bool = Field(
        default=True,
        description="Whether stars are looked for in long exposures of totality. They give the "
        "orientation where no partial phase does, and are named in the annotated picture.",
    )


class MergeConfig(Section):
    """How the frames of totality become one linear picture of the corona."""

    camera: str | None = Field(
        default=None,
        description="Name, model or serial number of the one camera whose frames are merged; null "
        "merges all that suit each other, or those that cameras names.",
    )
    cameras: list[str] | None = Field(
        default=None,
        min_length=1,
        description="Names, models or serial numbers of the cameras whose frames are merged into "
        "one picture. Null takes the one with the most usable frames of totality and all whose "
        "orientation is known, with five frames or more, and pixels at most four times finer or "
        "coarser.",
    )
    largest_megapixels: float = Field(
        default=64.0,
        gt=0.01,
        le=4000,
        description="The picture of several cameras is cropped around the Sun to about this many "
        "megapixels, but never to less than the field of the finest camera.",
    )
    linear_up_to: float = Field(
        default=0.9,
        ge=0.3,
        le=1.0,
        description="Fraction of the white level up to which the sensor is taken to be linear.",
    )
    moon_margin_px: float = Field(
        default=2.0,
        ge=0,
        le=100,
        description="Pixels nearer to the Moon's limb than this are left out.",
    )
    bloom_px: float = Field(
        default=1.0, ge=0, le=16, description="Pixels this near to a clipped pixel are left out."
    )
    background: Literal["plane", "keep"] = Field(
        default="keep",
        description="Light of the sky: plane subtracts a plane that is fitted together with the "
        "mean corona, and records it in the header so that it can be added back; keep leaves the "
        "sky in.",
    )
    size: int | None = Field(
        default=None,
        ge=64,
        le=32768,
        description="Side of the square result, pixels; null takes that of the frames, of several "
        "cameras all their fields.",
    )

    @model_validator(mode="after")
    def _one_or_several(self) -> Self:
        if self.camera is not None and self.cameras is not None:
            raise ValueError("give camera for one, or cameras for several, not both")
        return self
