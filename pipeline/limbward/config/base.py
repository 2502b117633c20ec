"""What the sections are made of: strict models, dates, times and paths."""

from __future__ import annotations

import os
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict

LONGEST_PATH, LONGEST_NAME = 4000, 255  # bytes; less than any system's limit, and its limit


class Section(BaseModel):
    """A group of keys of the config: no unknown keys, no silent conversion, not changed later."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


def _read_date(value: object) -> object:
    if isinstance(value, date):
        return value
    if not isinstance(value, str) or len(value) != 10:
        raise ValueError("should be a date written YYYY-MM-DD")
    try:
        return date.fromisoformat(value)
    except ValueError:
        raise ValueError(f"{value} is not a date of the form YYYY-MM-DD") from None


def _read_utc(value: object) -> object:
    if isinstance(value, str) and len(value) > 10:
        try:
            value = datetime.fromisoformat(value)
        except ValueError:
            raise ValueError(
                f"{value} is not a time of the form YYYY-MM-DDThh:mm:ss.sssZ"
            ) from None
    if not isinstance(value, datetime):
        raise ValueError("should be a time written YYYY-MM-DDThh:mm:ss.sssZ")
    try:
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)
    except OverflowError:
        raise ValueError(f"{value} is beyond the years that a time can have in UTC") from None


def _in_years(first: int, last: int, why: str) -> AfterValidator:
    """Return a check of the year, in words that say where its bounds come from."""

    def check(value: Any) -> Any:
        if not first <= value.year <= last:
            raise ValueError(f"should be in the years {first} to {last} ({why}), but is {value}")
        return value

    return AfterValidator(check)


def _check_path(text: str) -> str:
    if not text.isprintable():
        bad = next(c for c in text if not c.isprintable())
        raise ValueError(f"has the control character {bad!r} in it, which no path can hold")
    if len(os.fsencode(text)) > LONGEST_PATH:
        raise ValueError(f"is longer than a path can be ({LONGEST_PATH} bytes)")
    if any(len(os.fsencode(part)) > LONGEST_NAME for part in Path(text).parts):
        raise ValueError(f"has a name longer than a file can have ({LONGEST_NAME} bytes)")
    try:
        Path(text).expanduser()
    except RuntimeError:
        raise ValueError(
            f"begins with {Path(text).parts[0]}, but there is no such user on this computer; write "
            "the folder's whole path"
        ) from None
    return text


def is_url(text: str) -> bool:
    """Return whether a path is an address, such as ``s3://bucket/card``."""
    return "://" in text


Day = Annotated[
    date, BeforeValidator(_read_date), _in_years(1550, 2650, "those of the ephemeris DE440")
]
Instant = Annotated[
    datetime, BeforeValidator(_read_utc), _in_years(1900, 2150, "those of photographs")
]
PathText = Annotated[str, AfterValidator(_check_path)]


Up = Literal["solar_north", "celestial_north", "zenith", "camera"]
