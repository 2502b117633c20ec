"""What a film file says about itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from limbward.camera.ser import SerFilm, UnreadableFilm, read_ser
from limbward.camera.shot import PLAUSIBLE_YEARS, plain_text
from limbward.errors import UnreadableFile

MAX_PIXELS = 40_000_000  # of a picture: somewhat more than "8K"
MAX_HOURS = 48.0
# Cameras that write pictures as the sensor gives them do not encode them for a display either.
UNCOMPRESSED = ("rawvideo", "v210", "bitpacked")
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
    paced : bool
        Whether it is known how the pictures are spaced. If not, ``rate`` is 1 and times within the
        film are numbers of pictures.
    linear : bool
        Whether its numbers are in proportion to light, as a planetary camera's are.
    at_s : ndarray, shape (pictures,), or None
        Each picture's own time, seconds from the first, where the file has one for each.
    ser : SerFilm or None
        What else a SER film says.
    notes : tuple of str
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
    paced: bool = True
    linear: bool = False
    at_s: NDArray[np.float64] | None = None
    ser: SerFilm | None = None
    notes: tuple[str, ...] = ()

    @property
    def stamped(self) -> bool:
        """Whether each picture has its time in UTC; ``created`` is that of the first then."""
        return self.at_s is not None


def read_clip(path: Path) -> Clip:
    """Return what a film file says about itself.

    Raises
    ------
    UnreadableClip
        If it is damaged or holds no pictures.
    """
    if path.suffix.lower() == ".ser":
        return _read_ser(path)
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
                linear=stream.codec_context.name in UNCOMPRESSED,
            )
    except (av.FFmpegError, ValueError, ArithmeticError) as error:
        raise UnreadableClip(f"{path.name} cannot be read as a video ({error}).") from error
    except OSError as error:
        raise UnreadableClip(f"{path.name} cannot be read ({error.strerror or error}).") from error


def _read_ser(path: Path) -> Clip:
    """Return what a SER film says about itself; see `read_clip`."""
    try:
        film = read_ser(path)
    except UnreadableFilm as error:
        raise UnreadableClip(str(error)) from error
    except OSError as error:
        raise UnreadableClip(f"{path.name} cannot be read ({error.strerror or error}).") from error
    notes = list(film.notes)
    created, at_s = film.begun_utc or film.begun, None
    rate, duration = 1.0, float(film.pictures)
    paced = film.pictures > 1 and not np.isnat(film.stamps).any()
    if paced:
        since = (film.stamps - film.stamps[0]) / np.timedelta64(1, "s")
        paced = since[-1] > 0
    if paced:
        created, at_s = film.stamps[0].astype(datetime), since
        step = float(since[-1]) / (film.pictures - 1)
        rate, duration = 1.0 / step, float(since[-1]) + step
    else:
        notes.append(
            f"{path.name} has no time for each frame, so only the time of its start can be known."
        )
    _check(path, film.width, film.height, duration if paced else 0.0, rate)
    return Clip(
        path=path,
        created=created,
        duration_s=duration,
        rate=rate,
        pictures=film.pictures,
        width=film.width,
        height=film.height,
        codec="ser",
        device=film.instrument,
        paced=paced,
        linear=True,
        at_s=at_s,
        ser=film,
        notes=tuple(notes),
    )


def _check(path: Path, width: int, height: int, duration_s: float, rate: float) -> None:
    """Raise if what a film says about itself cannot be true of one that a device has taken."""
    name = path.name
    if not (width > 0 and height > 0):
        raise UnreadableClip(f"{name} does not say how large its frames are; it is damaged.")
    if width * height > MAX_PIXELS:
        raise UnreadableClip(
            f"{name} declares frames of {width} x {height} pixels; videos of up to "
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
