"""Reading films in a process of its own, which a damaged one may crash, stall or fill."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self, TypeVar

import numpy as np
from numpy.typing import NDArray

from limbward.clips.catalogue import Clip, UnreadableClip, read_clip
from limbward.clips.pictures import pictures_at
from limbward.limb.measure import LimbMeasurement, measure
from limbward.work.executors import Crash, local_pool, require_processes
from limbward.work.worker import ROOM, limited, patience_s

Result = TypeVar("Result")
# A picture from the middle of ten seconds between key pictures, at "4K", takes this on a slow
# machine.
PICTURE_S = 5.0
MEMORY = 3 * ROOM // 2  # pictures of "8K" as they are decoded and measured


@dataclass(frozen=True)
class Sampled:
    """A clip and what its samples show; ``at_s`` are their own times, seconds."""

    clip: Clip
    at_s: NDArray[np.float64]
    found: list[LimbMeasurement]


@dataclass(frozen=True)
class Still:
    """A picture as sRGB bytes (H, W, 3), and its own time in the film, seconds."""

    at_s: float
    colours: NDArray[np.uint8]


def sample(path: Path, samples: int, radius_ratio: float) -> Sampled | UnreadableClip:
    """Measure limbs in pictures spread evenly over a clip, as in partial frames.

    What is wrong with the clip is returned, not raised.
    """

    def work() -> Sampled:
        clip = read_clip(path)
        count = min(samples, max(1, clip.pictures))
        wanted = (np.arange(count) + 0.5) * clip.duration_s / count
        at, found = [], []
        for picture in pictures_at(clip, wanted.tolist()):
            plane, clipped = picture.luminance()
            at.append(picture.at_s)
            found.append(measure(plane, clipped, radius_ratio=radius_ratio))
        if not found:
            raise UnreadableClip(f"{path.name} holds no picture that can be decoded.")
        return Sampled(clip, np.array(at), found)

    return _tried(path, samples, work)


def stills(path: Path, seconds: list[float]) -> list[Still] | UnreadableClip:
    """Return the pictures shown at some instants, growing; what is wrong is returned."""

    def work() -> list[Still]:
        pictures = pictures_at(read_clip(path), seconds)
        return [Still(picture.at_s, picture.colours()) for picture in pictures]

    return _tried(path, len(seconds), work)


def _tried(path: Path, pictures: int, work: Callable[[], Result]) -> Result | UnreadableClip:
    try:
        with limited(patience_s(path.stat().st_size) + PICTURE_S * pictures, MEMORY):
            return work()
    except UnreadableClip as error:
        return UnreadableClip(str(error))
    except OSError as error:
        return UnreadableClip(f"{path.name} cannot be read ({error.strerror or error}).")
    except MemoryError:
        return UnreadableClip(
            f"{path.name} needs more memory than there is, or than a film may take; if it is "
            "sound, free some and run again."
        )
    except Exception as error:  # a film that upsets the code must not stop the others
        return UnreadableClip(f"{path.name} could not be read ({type(error).__name__}: {error}).")


class Projector:
    """A process in which films are read, one after the other; another, when it has died."""

    def __init__(self) -> None:
        self._pool: Executor | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._end()

    def _end(self) -> None:
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)
            self._pool = None

    def read(self, work: Callable[..., Result | UnreadableClip], path: Path, *args: Any) -> Result:
        """Do something with a film: `sample` or `stills`.

        Raises
        ------
        UnreadableClip
            With a sentence that says why, if the film cannot be read.
        LimbwardError
            If no process can be started at all.
        """
        self._pool = self._pool or local_pool(1)
        try:
            result = self._pool.submit(work, path, *args).result()
        except Crash:
            self._end()
            require_processes(local_pool)
            raise UnreadableClip(
                f"The decoder crashed on {path.name} or did not come to an end; copy it from the "
                "device again."
            ) from None
        if isinstance(result, UnreadableClip):
            raise result
        return result
