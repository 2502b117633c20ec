"""The report, and how the work is done."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from limbward.config.base import Section


class ReportConfig(Section):
    """The heading of the report."""

    title: str = Field(
        default="", max_length=200, description="Heading; if empty, it is made from the date."
    )
    author: str = Field(default="", max_length=200, description="Name under the heading.")


class ExportConfig(Section):
    """Copies of the finished pictures, written with every run."""

    web_px: int | None = Field(
        default=None,
        ge=200,
        le=20000,
        description="Write a JPEG of each finished picture and product to exports/web, with a "
        "longer side of at most this many pixels; 2048 suits a page or a message. null writes "
        "none.",
    )


class RunConfig(Section):
    """How the work is done; nothing here changes the results."""

    jobs: int | None = Field(
        default=None,
        ge=1,
        le=256,
        description="Number of parallel processes; null is one per core.",
    )
    memory: float | None = Field(
        default=None,
        ge=0.5,
        le=4096,
        description="Gigabytes that measuring and merging frames are to keep within, all processes "
        "together; null is a quarter of the machine's memory, 1.5 at least. With less, fewer "
        "frames are measured at a time, and the merge is done in more bands of rows. Large frames "
        "lie decoded on the disk of the workspace meanwhile; without room there, they are decoded "
        "for each band.",
    )
    executor: Literal["local", "dask"] = Field(
        default="local",
        description="Where frames are measured and decoded: processes of this machine, or the "
        "workers of a Dask cluster that see the same files under the same paths.",
    )
    scheduler: str | None = Field(
        default=None, description="Address of the Dask scheduler, such as tcp://10.0.0.5:8786."
    )

    @model_validator(mode="after")
    def _scheduler_fits(self) -> Self:
        if self.executor == "dask" and not self.scheduler:
            raise PydanticCustomError("scheduler", "executor dask needs the scheduler's address")
        return self
