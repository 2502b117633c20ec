"""Pictures out of a film: single ones, and samples of its whole length."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from os import cpu_count
from typing import Any, Protocol

import av
import numpy as np
from numpy.typing import NDArray

from limbward.camera.frame import RawFrame, linear_frame
from limbward.camera.luminance import Plane, green_plane
from limbward.camera.preview import preview_pixels
from limbward.camera.reduce import reduce_frame
from limbward.clips.catalogue import MAX_PIXELS, Clip, UnreadableClip

Pixels = NDArray[np.float32]

WHITE = 16000.0  # the range of a luminance picture, like that of a camera's numbers
CLIPPED = 0.985  # compression spreads the clipped level by a few steps
MAX_THREADS = 4
FAR_S = 4.0  # further than this, seeking is quicker than decoding all that lies between


class Picture(Protocol):
    """One picture; ``at_s`` is its own time in the film, seconds from the start."""

    @property
    def at_s(self) -> float:
        """Time in the film."""

    def plane(self) -> Plane:
        """Return a linear plane to measure limbs on."""

    def colours(self) -> NDArray[np.uint8]:
        """Return the picture as sRGB bytes (H, W, 3)."""


@dataclass(frozen=True)
class RawPicture:
    """A picture as the sensor gave it."""

    at_s: float
    frame: RawFrame

    def plane(self) -> Plane:
        """Return the green plane."""
        return green_plane(self.frame)

    def colours(self) -> NDArray[np.uint8]:
        """Return the picture, stretched to be seen, as sRGB bytes (h, w, 3)."""
        reduced = reduce_frame(self.frame, max(self.frame.width, self.frame.height))
        return preview_pixels(self.frame, reduced)


@dataclass(frozen=True)
class Decoded:
    """A picture that is encoded for a display."""

    at_s: float
    frame: Any

    def plane(self) -> Plane:
        """Return the luminance."""
        return Plane(*self.luminance(), 1.0, (0.0, 0.0))

    def luminance(self) -> tuple[Pixels, NDArray[np.bool_]]:
        """Return a linear plane (H, W) from 0 to ``WHITE``, and where it is clipped.

        Notes
        -----
        The transfer curve of ITU-R BT.709 is undone. Devices bend it at their own taste, which
        moves no edge from bright to black by more than the blur hides.
        """
        signal = self.frame.to_ndarray(format="gray16le").astype(np.float32) / np.float32(65535.0)
        linear = np.where(
            signal < 0.081, signal / 4.5, ((signal + 0.099) / 1.099) ** np.float32(1 / 0.45)
        )
        return (linear * WHITE).astype(np.float32), signal >= CLIPPED

    def colours(self) -> NDArray[np.uint8]:
        """Return the picture as sRGB bytes (H, W, 3)."""
        return np.asarray(self.frame.to_ndarray(format="rgb24"))


def pictures_at(clip: Clip, seconds: Sequence[float]) -> Iterator[Picture]:
    """Yield the pictures shown at some instants.

    Parameters
    ----------
    clip : Clip
    seconds : sequence of float
        From the film's start, growing; an instant beyond the end gives nothing. Two instants
        within one picture give it once.

    Raises
    ------
    UnreadableClip
        If the film is damaged from its start.

    Notes
    -----
    Only one picture is held at a time. Where decoding fails further on, the film ends there.
    """
    if clip.ser is not None:
        yield from _of_ser(clip, seconds)
        return
    yielded = False
    try:
        with av.open(str(clip.path)) as container:
            stream = container.streams.video[0]
            stream.thread_type = "AUTO"
            stream.codec_context.options = {"max_pixels": str(MAX_PIXELS)}
            # Each thread holds pictures of its own, at "8K" 50 MB each.
            stream.codec_context.thread_count = min(cpu_count() or 1, MAX_THREADS)
            base = float(stream.time_base or 1)
            start = (stream.start_time or 0) * base
            half = 0.5 / clip.rate
            frames = container.decode(stream)
            now, last = -np.inf, -np.inf
            for target in seconds:
                if target < last + half:
                    continue
                if target - now > FAR_S and target > FAR_S:
                    container.seek(int((target + start) / base), stream=stream, backward=True)
                    frames = container.decode(stream)
                for frame in frames:
                    if frame.pts is None:
                        continue
                    if frame.width * frame.height > MAX_PIXELS:
                        raise UnreadableClip(
                            f"{clip.path.name} has frames of {frame.width} x {frame.height} "
                            "pixels inside, unlike what its header says; it is damaged."
                        )
                    now = frame.pts * base - start
                    if now >= target - half:
                        yielded, last = True, now
                        yield RawPicture(now, as_raw(frame)) if clip.linear else Decoded(now, frame)
                        break
                else:
                    return
    except (av.FFmpegError, ValueError, ArithmeticError) as error:
        if not yielded:
            raise UnreadableClip(f"{clip.path.name} cannot be decoded ({error}).") from error


def _of_ser(clip: Clip, seconds: Sequence[float]) -> Iterator[RawPicture]:
    """Yield the pictures of a SER film that are nearest to some instants."""
    if clip.ser is None:
        return
    at = np.arange(clip.pictures, dtype=float) if clip.at_s is None else clip.at_s
    asked = np.asarray(seconds, float)
    wanted = np.unique([int(np.argmin(np.abs(at - s))) for s in asked if s <= clip.duration_s])
    numbers = wanted.tolist()
    for number, frame in zip(numbers, clip.ser.frames(numbers), strict=False):
        yield RawPicture(float(at[number]), frame)


def as_raw(frame: Any) -> RawFrame:
    """Return a picture of an uncompressed film as what the sensor gave.

    A mosaic that the file declares comes with its colours interpolated.
    """
    if frame.format.name.startswith("gray"):
        wide = frame.format.name != "gray"
        data = frame.to_ndarray(format="gray16le" if wide else "gray")
        return linear_frame(np.asarray(data, np.uint16), 65535.0 if wide else 255.0)
    colours = np.moveaxis(frame.to_ndarray(format="rgb24"), -1, 0)
    return linear_frame(np.ascontiguousarray(colours, np.uint16), 255.0)
