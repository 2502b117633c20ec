"""Camera clocks that are wrong in the ways of camera clocks."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import datetime, timedelta


@dataclass(frozen=True)
class Clock:
    """Shows UTC + zone + offset + drift since ``epoch`` + the steps gone by."""

    date: str
    zone_hours: float = 0.0
    offset_s: float = 0.0
    drift_s_per_hour: float = 0.0
    epoch: float = 0.0  # s of the date, UTC
    steps: list[tuple[float, float]] = field(default_factory=list)  # when, by how much
    decimals: int = 0
    half_day: bool = False  # shows 5 for 17
    years: int = 0
    stuck: bool = False
    claims: str | None = None  # OffsetTimeOriginal

    def error(self, seconds: float) -> float:
        """Reading minus UTC without zone and date, seconds."""
        passed = (seconds - self.epoch) / 3600
        stepped = sum(by for when, by in self.steps if when <= seconds)
        return self.offset_s + self.drift_s_per_hour * passed + stepped

    def tags(self, seconds: float) -> tuple[str, str | None]:
        """DateTimeOriginal and SubSecTimeOriginal for an exposure begun at ``seconds``."""
        if self.stuck:
            seconds = self.epoch
        shown = seconds + self.error(seconds) + 3600 * self.zone_hours
        grain = 10**self.decimals
        whole, part = divmod(math.floor(shown * grain), grain)
        moment = datetime.fromisoformat(self.date) + timedelta(seconds=int(whole))
        if self.half_day:
            moment = moment.replace(hour=moment.hour % 12)
        if self.years:
            moment = moment.replace(year=moment.year + self.years)
        subsec = f"{part:0{self.decimals}d}" if self.decimals else None
        return moment.strftime("%Y:%m:%d %H:%M:%S"), subsec


def iso_utc(date: str, seconds: float) -> str:
    moment = datetime.fromisoformat(date) + timedelta(seconds=seconds)
    return moment.strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] + "Z"
