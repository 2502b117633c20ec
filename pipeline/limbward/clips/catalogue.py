"""What a film file says about itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import av

from limbward.camera.shot import PLAUSIBLE_YEARS, plain_text
from limbward.errors import UnreadableFile

MAX_PIXELS = 40_000_000  # of a picture: somewhat more than "8K"
MAX_HOURS = 48.0
MAX_RATE = 100_000.0  # pictures a second, of the quickest slow motion and more


class UnreadableClip(UnreadableFile):
    """A file that should be a film cannot be read as one."""


@dataclass(frozen=True)
class Clip:
    """A film file.

    Attributes
    ----------
    path : Path
    created : datetime or None
        Creation time, without a zone; by the file formats it is UTC and the start of recording, in
        whole seconds.
    duration_s : float
    rate : float
        Pictures a second, the mean.
    pictures : int
        As far as the file says; else rate times duration.
    width, height : int
    codec, device : str
        The device's make and model where the file has them.
    """

    path: Path
    created: datetime | None
    duration_s: float
    rate: float
    pictures: int
    width: int
    height: int
    codec: str
    device: str


def read_clip(path: Path) -> Clip:
    """Return what a film file says about itself.

    Raises
    ------
    UnreadableClip
        If it is damaged or holds no pictures.
    """
    try:
        with av.open(str(path)) as container:
            if not container.streams.video:
                raise UnreadableClip(f"{path.name} holds sound only, or nothing.")
            stream = container.streams.video[0]
            tags = {**stream.metadata, **container.metadata}
            if stream.codec_context is None:
                raise UnreadableClip(
                    f"{path.name} is encoded in a way that cannot be decoded here; convert it to "
                    "H.264 with another program."
                )
            rate = float(stream.average_rate or stream.guessed_rate or 0.0)
            duration = _duration_s(container, stream)
            _check(path, stream.width, stream.height, duration, rate)
            if not (rate > 0 and duration > 0):
                raise UnreadableClip(
                    f"{path.name} does not say how long it is; its end is missing."
                )
            return Clip(
                path=path,
                created=_created(tags),
                duration_s=duration,
                rate=rate,
                pictures=max(1, stream.frames or round(rate * duration)),
                width=stream.width,
                height=stream.height,
                codec=stream.codec_context.name,
                device=_device(tags),
            )
    except (av.FFmpegError, ValueError, ArithmeticError) as error:
        raise UnreadableClip(f"{path.name} cannot be read as a film ({error}).") from error
    except OSError as error:
        raise UnreadableClip(f"{path.name} cannot be read ({error.strerror or error}).") from error


def _check(path: Path, width: int, height: int, duration_s: float, rate: float) -> None:
    """Raise if what a film says about itself cannot be true of one that a device has taken."""
    name = path.name
    if not (width > 0 and height > 0):
        raise UnreadableClip(f"{name} does not say how large its pictures are; it is damaged.")
    if width * height > MAX_PIXELS:
        raise UnreadableClip(
            f"{name} declares pictures of {width} x {height} pixels; films of up to "
            f"{MAX_PIXELS / 1e6:.0f} megapixels are read."
        )
    if duration_s > 3600.0 * MAX_HOURS:
        raise UnreadableClip(
            f"{name} claims to last {duration_s / 3600.0:.3g} hours; it is damaged."
        )
    if rate > MAX_RATE:
        raise UnreadableClip(f"{name} declares {rate:.3g} frames per second; it is damaged.")


def _duration_s(container: Any, stream: Any) -> float:
    if stream.duration is not None and stream.time_base is not None:
        return float(stream.duration * stream.time_base)
    return float(container.duration or 0) / float(av.time_base)


def _created(tags: Mapping[str, str]) -> datetime | None:
    for key in ("creation_time", "date"):
        try:
            time = datetime.fromisoformat(tags.get(key, ""))
        except ValueError:
            continue
        # A device without a clock writes its format's epoch.
        if not PLAUSIBLE_YEARS[0] <= time.year < PLAUSIBLE_YEARS[1]:
            continue
        return time.astimezone(UTC).replace(tzinfo=None) if time.tzinfo else time
    return None


def _device(tags: Mapping[str, str]) -> str:
    """Return make and model; devices write them under keys of their own that end so."""
    found: dict[str, str] = {}
    for key, value in tags.items():
        found.setdefault(key.lower().rsplit(".", 1)[-1], plain_text(value))
    make, model = found.get("make", ""), found.get("model", "")
    return model if model.startswith(make) else f"{make} {model}".strip()
