"""What a person says of single frames and of the bodies that took them."""

from __future__ import annotations

from fnmatch import fnmatchcase
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator
from pydantic_core import PydanticCustomError

from limbward.config.base import PathText, Section

Phase = Literal["partial", "contact", "totality", "dark", "flat", "bias", "other"]


def _one_line(text: str) -> str:
    if not text.isprintable() or text != text.strip():
        raise ValueError("should be one line of text without spaces at the ends")
    return text


Name = Annotated[str, AfterValidator(_one_line)]


def matches(file: str, pattern: str) -> bool:
    """Whether a file is meant by a pattern: its path as in frames.ecsv, or the end of it.

    Examples
    --------
    >>> matches("card/100ABCDE/ABCD0042.DNG", "ABCD004?.DNG")
    True
    >>> matches("card/100ABCDE/XABCD0042.DNG", "ABCD0042.DNG")
    False
    """
    return fnmatchcase(file, pattern) or fnmatchcase(file, f"*/{pattern}")


class FrameRule(Section):
    """Overrules what the program decides about some frames."""

    files: list[PathText] = Field(
        min_length=1,
        description="Names or glob patterns that match the end of a path in frames.ecsv "
        "('ABCD0042.DNG', '100ABCDE/*').",
    )
    use: Literal["keep", "drop"] | None = Field(
        default=None,
        description="keep merges the frames if their position can be found at all; drop uses them "
        "for neither clock, merge nor calibration.",
    )
    phase: Phase | None = Field(default=None, description="What the frames show.")

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if self.use is None and self.phase is None:
            raise PydanticCustomError("frame_rule", "needs use (keep or drop) or phase, or both")
        if self.use == "keep" and self.phase not in (None, "contact", "totality"):
            raise PydanticCustomError(
                "frame_rule",
                "keeps frames for the merge, but gives a phase without a corona; remove one of "
                "the two",
            )
        return self


class BodyRule(Section):
    """A camera body, or a lens on it, that cannot be told apart by its frames alone."""

    name: Name = Field(
        min_length=1, max_length=80, description="Its name in the tables and the report."
    )
    files: list[PathText] = Field(
        default=[], description="Names or glob patterns of its files ('card-2/*')."
    )
    camera: str | None = Field(
        default=None, min_length=1, description="Its model or serial number, as in frames.ecsv."
    )
    focal_length_mm: float | None = Field(
        default=None,
        gt=0,
        le=100000,
        description="Its focal length as in frames.ecsv, within 2 %.",
    )

    band: str | None = Field(
        default=None,
        min_length=1,
        max_length=80,
        description="In which light it sees: 'h-alpha', 'white', 'green' or another name. Null "
        "takes the FILTER of FITS headers. Frames of single spectral lines are not merged into the "
        "corona.",
    )
    distortion: float | None = Field(
        default=None,
        ge=-0.04,
        le=0.04,
        description="By how much of itself its lens draws the corner of the frame further from the "
        "middle than without distortion: 0.004 if that is 0.4 %, negative if nearer. Null "
        "measures it and leaves it at 0 where it does not show.",
    )
    lens: str | None = Field(
        default=None,
        min_length=1,
        max_length=200,
        description="Its lens or telescope, as its maker writes it, for the captions of pictures "
        "and for align.lens_database; null takes the one that the files name.",
    )

    @model_validator(mode="after")
    def _tells_frames(self) -> Self:
        if not self.files and self.camera is None and self.focal_length_mm is None:
            raise PydanticCustomError(
                "body_rule", "needs files, camera or focal_length_mm, to find its frames by"
            )
        return self
