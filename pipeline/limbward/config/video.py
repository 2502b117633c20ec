"""How stills are made of the videos of planetary cameras."""

from __future__ import annotations

from pydantic import Field

from limbward.config.base import Section


class VideoConfig(Section):
    """Stills from the videos that planetary cameras write: SER, and AVI without compression."""

    stack: bool = Field(
        default=True,
        description="Whether the sharpest frames of these videos are stacked into stills, which go "
        "on like any frame.",
    )
    share: float = Field(
        default=0.02,
        gt=0,
        le=1,
        description="Fraction of the video frames, the sharpest in each place, that make a still; "
        "at least 8 are taken.",
    )
    still_s: float = Field(
        default=5.0,
        gt=0,
        le=600,
        description="Longest stretch of video for one still, seconds: the Moon moves by half an "
        "arcsecond per second.",
    )
    exposure_s: float | None = Field(
        default=None,
        gt=0,
        le=60,
        description="Exposure of one video frame, which these videos do not say. Without it a "
        "still is measured and dated, but not merged.",
    )
