"""The whole config."""

from __future__ import annotations

from collections import Counter
from typing import Self

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from limbward.config.base import Day, PathText
from limbward.config.bound import Bound
from limbward.config.clock import TimingConfig
from limbward.config.frames import BodyRule, FrameRule
from limbward.config.landscape import LandscapeConfig
from limbward.config.merge import AlignConfig, MergeConfig
from limbward.config.pictures import ComposeConfig, EnhanceConfig, VariantConfig, default_enhance
from limbward.config.run import ExportConfig, ReportConfig, RunConfig
from limbward.config.sequences import (
    ChromosphereConfig,
    ClipsConfig,
    FilmConfig,
    ProminencesConfig,
    SheetConfig,
    StripConfig,
)
from limbward.config.site import InputConfig, SiteConfig, SkyConfig
from limbward.config.video import VideoConfig
from limbward.config.yaml_source import Location


class Config(Bound):
    """Everything a run is told."""

    site: SiteConfig = Field(description=str(SiteConfig.__doc__))
    eclipse: Day = Field(description="Date of the eclipse, YYYY-MM-DD, UTC or local.")
    input: InputConfig = Field(description=str(InputConfig.__doc__))
    workspace: PathText = Field(
        default="workspace",
        min_length=1,
        description="Folder for the results, relative to the config file.",
    )
    frames: list[FrameRule] = Field(
        default=[],
        description="Overrules what the program decides about single frames. Where several entries "
        "match a frame, the last one counts.",
    )
    bodies: list[BodyRule] = Field(
        default=[],
        description="Camera bodies that cannot be told apart by their frames alone: of one model, "
        "without serial numbers. A frame belongs to the first entry that matches.",
    )
    video: VideoConfig = Field(default=VideoConfig(), description=str(VideoConfig.__doc__))
    sky: SkyConfig = Field(default=SkyConfig(), description=str(SkyConfig.__doc__))
    timing: TimingConfig = Field(default=TimingConfig(), description=str(TimingConfig.__doc__))
    align: AlignConfig = Field(default=AlignConfig(), description=str(AlignConfig.__doc__))
    merge: MergeConfig = Field(default=MergeConfig(), description=str(MergeConfig.__doc__))
    enhance: list[EnhanceConfig] = Field(
        default_factory=default_enhance,
        description="Enhanced versions of the corona; by default one, by the filter nrgf.",
    )
    compose: ComposeConfig = Field(default=ComposeConfig(), description=str(ComposeConfig.__doc__))
    variants: list[VariantConfig] = Field(
        default=[],
        description="Other versions of the picture that `limbward review` keeps beside it. A run "
        "makes none of them.",
    )
    sheet: SheetConfig = Field(default=SheetConfig(), description=str(SheetConfig.__doc__))
    strip: StripConfig = Field(default=StripConfig(), description=str(StripConfig.__doc__))
    film: FilmConfig = Field(default=FilmConfig(), description=str(FilmConfig.__doc__))
    prominences: ProminencesConfig = Field(
        default=ProminencesConfig(), description=str(ProminencesConfig.__doc__)
    )
    chromosphere: ChromosphereConfig = Field(
        default=ChromosphereConfig(), description=str(ChromosphereConfig.__doc__)
    )
    clips: ClipsConfig = Field(default=ClipsConfig(), description=str(ClipsConfig.__doc__))
    landscape: LandscapeConfig = Field(
        default=LandscapeConfig(), description=str(LandscapeConfig.__doc__)
    )
    export: ExportConfig = Field(default=ExportConfig(), description=str(ExportConfig.__doc__))
    report: ReportConfig = Field(default=ReportConfig(), description=str(ReportConfig.__doc__))
    run: RunConfig = Field(default=RunConfig(), description=str(RunConfig.__doc__))

    @model_validator(mode="after")
    def _names_fit(self) -> Self:
        problems: list[tuple[Location, str]] = []
        names = [e.name for e in self.enhance]
        # Some file systems do not tell a.fits from A.fits.
        counts = Counter(name.lower() for name in names)
        for i, name in enumerate(names):
            if counts[name.lower()] > 1:
                problems.append(
                    (("enhance", i, "name"), f"{name!r} is used twice; names must differ")
                )
        kept = Counter(variant.name for variant in self.variants)
        for i, variant in enumerate(self.variants):
            if kept[variant.name] > 1:
                problems.append(
                    (
                        ("variants", i, "name"),
                        f"{variant.name!r} is used twice; names must differ",
                    )
                )
        called = Counter(body.name for body in self.bodies)
        for i, body in enumerate(self.bodies):
            if called[body.name] > 1:
                problems.append(
                    (("bodies", i, "name"), f"{body.name!r} is used twice; names must differ")
                )
        detail = self.compose.detail
        if detail is not None and detail not in names:
            problems.append(
                (
                    ("compose", "detail"),
                    f"there is no enhancement {detail!r}; choose one of {', '.join(names)}",
                )
            )
        if problems:
            # The context says which keys are to blame; a validator of a whole model cannot else.
            text = "; ".join(sentence for _, sentence in problems)
            raise PydanticCustomError("located", "{text}", {"text": text, "problems": problems})
        return self


def with_jobs(config: Config, jobs: int | None) -> Config:
    """Return the config with another number of processes, if one is given."""
    if jobs is None:
        return config
    return config.model_copy(update={"run": config.run.model_copy(update={"jobs": jobs})})
