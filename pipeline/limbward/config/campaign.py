"""The config of a campaign: many stations, what they share, and where the work is done."""

from __future__ import annotations

from collections import Counter
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator
from pydantic_core import PydanticCustomError

from limbward.config.base import Day, PathText, Section, is_url
from limbward.config.bound import Bound
from limbward.config.clock import TimingConfig
from limbward.config.merge import AlignConfig, MergeConfig
from limbward.config.pictures import ComposeConfig, EnhanceConfig, default_enhance
from limbward.config.site import SiteConfig, SkyConfig
from limbward.config.video import VideoConfig
from limbward.config.yaml_source import Location

STATION_NAME = r"^[A-Za-z0-9_-]+$"


class StationConfig(Section):
    """One station: a config of its own, or its photographs and its site."""

    name: str = Field(
        default="",
        pattern=r"^[A-Za-z0-9_-]*$",
        max_length=60,
        description="Name in tables and of its folder; of a config it is that of its folder if "
        "not given.",
    )
    config: PathText | None = Field(
        default=None,
        description="Its own config, relative to the campaign's file. Its results stand where that "
        "config says, and the campaign's settings do not apply to it.",
    )
    cards: list[PathText] = Field(
        default=[],
        description="Folders of its photographs, relative to the campaign's file, or addresses of "
        "an object store or a web server, such as s3://bucket/card.",
    )
    site: SiteConfig | None = Field(default=None, description=str(SiteConfig.__doc__))

    @model_validator(mode="after")
    def _is_whole(self) -> Self:
        if self.config is not None:
            if self.cards or self.site is not None:
                raise PydanticCustomError(
                    "station", "has a config of its own, so cards and site belong in that"
                )
        elif not (self.name and self.cards and self.site is not None):
            raise PydanticCustomError("station", "needs name, cards and site, or a config")
        if len({is_url(card) for card in self.cards}) > 1:
            raise PydanticCustomError("station", "has folders and addresses among its cards")
        if self.config is not None and is_url(self.config):
            raise PydanticCustomError(
                "station", "has a config behind an address; give its cards and site instead"
            )
        return self


class SharedSettings(Section):
    """Sections of a config that are the same for all stations without a config of their own."""

    video: VideoConfig = Field(default=VideoConfig(), description=str(VideoConfig.__doc__))
    sky: SkyConfig = Field(default=SkyConfig(), description=str(SkyConfig.__doc__))
    timing: TimingConfig = Field(default=TimingConfig(), description=str(TimingConfig.__doc__))
    align: AlignConfig = Field(default=AlignConfig(), description=str(AlignConfig.__doc__))
    merge: MergeConfig = Field(default=MergeConfig(), description=str(MergeConfig.__doc__))
    enhance: list[EnhanceConfig] = Field(
        default_factory=default_enhance, description="Enhanced versions of each corona."
    )
    compose: ComposeConfig = Field(default=ComposeConfig(), description=str(ComposeConfig.__doc__))


class CampaignRun(Section):
    """Where the work is done; nothing here changes the results."""

    executor: Literal["local", "dask"] = Field(
        default="local",
        description="local works on one station after another on this machine; dask spreads "
        "stations, and the frames of each, over workers.",
    )
    scheduler: str | None = Field(
        default=None,
        description="Address of a Dask scheduler, such as tcp://10.0.0.5:8786, whose workers see "
        "the same files under the same paths; without it a cluster of this machine is started.",
    )
    workers: int | None = Field(
        default=None,
        ge=1,
        le=1000,
        description="Processes of this machine; null is one per core. With a scheduler its workers "
        "count.",
    )
    frames_per_task: int = Field(
        default=16,
        ge=1,
        le=1000,
        description="Frames that one task measures (dask). A merge of more frames is cut into as "
        "many bands of rows, so that a task costs about as much.",
    )


class CombineConfig(Section):
    """What is made of all stations together."""

    scale_arcsec: float | None = Field(
        default=None,
        ge=0.2,
        le=60.0,
        description="Pixel of the mean corona, arcsec; null takes that of the finest station.",
    )
    radii: float = Field(
        default=4.0, ge=1.5, le=20.0, description="Half the side of the mean corona, solar radii."
    )
    film: bool = Field(default=True, description="Whether the film of changes is made.")


def _can_be_written(output: str) -> str:
    if output.startswith(("http://", "https://")):
        raise ValueError(
            "is the address of a web server, which can only be read; give a folder or an object "
            "store such as s3://bucket/results"
        )
    return output


class CampaignConfig(Bound):
    """Everything a campaign is told."""

    eclipse: Day = Field(description="Date of the eclipse, YYYY-MM-DD, UTC or local.")
    stations: list[StationConfig] = Field(default=[], description="The stations.")
    table: PathText | None = Field(
        default=None,
        description="CSV or ECSV of more stations, with the columns name, cards (folders separated "
        "by ;), latitude, longitude and height, or config.",
    )
    output: Annotated[PathText, AfterValidator(_can_be_written)] = Field(
        default="campaign",
        min_length=1,
        description="Folder for the results, relative to the campaign's file; a station without a "
        "config of its own gets stations/NAME in it. It may be an address, such as "
        "s3://bucket/out; what stations are joined from is then kept in the folder campaign, too.",
    )
    until: Literal["timing", "align", "merge", "enhance", "compose", "report"] = Field(
        default="report", description="The last stage that is run at each station."
    )
    settings: SharedSettings = Field(
        default=SharedSettings(), description=str(SharedSettings.__doc__)
    )
    combine: CombineConfig = Field(default=CombineConfig(), description=str(CombineConfig.__doc__))
    run: CampaignRun = Field(default=CampaignRun(), description=str(CampaignRun.__doc__))

    @model_validator(mode="after")
    def _fits(self) -> Self:
        problems: list[tuple[Location, str]] = []
        if not self.stations and self.table is None:
            problems.append((("stations",), "name the stations, or a table of them under table"))
        counts = Counter(s.name.lower() for s in self.stations if s.name)
        for i, station in enumerate(self.stations):
            if counts[station.name.lower()] > 1:
                said = f"{station.name!r} is used twice; names must differ"
                problems.append((("stations", i, "name"), said))
        if self.run.executor == "local" and self.run.scheduler:
            said = "is for executor dask; write executor: dask beside it, or leave it out"
            problems.append((("run", "scheduler"), said))
        if problems:
            text = "; ".join(sentence for _, sentence in problems)
            raise PydanticCustomError("located", "{text}", {"text": text, "problems": problems})
        return self
