"""The sound of a clip, laid under a film."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float32]

RATE = 48_000  # samples a second
BLOCK = 4_800  # samples encoded at a time
CODECS = {"mp4": "aac", "webm": "libopus"}
FADE_S = 0.05  # or it would begin and end with a click


@dataclass(frozen=True)
class Sound:
    """A stretch of a clip's sound, and where it belongs.

    Attributes
    ----------
    path : Path
        The clip.
    clip_s : float
        Where the stretch begins in the clip, seconds from its first picture; not negative.
    film_s : float
        Where it begins in the film.
    length_s : float
    """

    path: Path
    clip_s: float
    film_s: float
    length_s: float


def has_sound(path: Path) -> bool:
    """Return whether a clip has a sound that can be decoded.

    Raises
    ------
    OSError
        If it cannot be opened.
    """
    try:
        with av.open(str(path)) as container:
            return next(container.decode(audio=0), None) is not None
    except (av.FFmpegError, IndexError, ValueError):
        return False


def stretch(clip_start_s: float, clip_s: float, real: tuple[float, float]) -> tuple[float, float]:
    """Return what a clip and the part in real time have in common, seconds from the epoch.

    Parameters
    ----------
    clip_start_s, clip_s : float
        When the clip begins, from the epoch, and how long it is.
    real : tuple of float
        Beginning and end of the part.

    Returns
    -------
    tuple of float
        Beginning and end; the end is not after the beginning if they have nothing in common.

    Examples
    --------
    >>> stretch(-30.0, 50.0, (-10.0, 90.0))
    (-10.0, 20.0)
    """
    return max(clip_start_s, real[0]), min(clip_start_s + clip_s, real[1])


def samples(sound: Sound) -> Iterator[Samples]:
    """Yield the sound of a film from its beginning, silence first, shape (2, N)."""
    silent = round(sound.film_s * RATE)
    while silent > 0:
        yield np.zeros((2, min(silent, BLOCK)), np.float32)
        silent -= BLOCK
    wanted, given = round(sound.length_s * RATE), 0
    for at, block in _decoded(sound):
        first = at - given
        if first > 0:  # the sound begins later than the clip, or has a gap
            block = np.pad(block, ((0, 0), (first, 0)))
        elif first < 0:
            block = block[:, -first:]
        block = block[:, : wanted - given]
        if block.shape[1]:
            yield block * _loudness(given + np.arange(block.shape[1]), wanted)
        given += block.shape[1]
        if given >= wanted:
            return


def _loudness(at: NDArray[np.int64], wanted: int) -> Samples:
    fade = FADE_S * RATE
    return np.clip(np.minimum(at, wanted - at) / fade, 0.0, 1.0).astype(np.float32)


def _decoded(sound: Sound) -> Iterator[tuple[int, Samples]]:
    """Yield blocks of a clip's sound and the sample of the stretch that each begins with."""
    with av.open(str(sound.path)) as container:
        pictures = container.streams.video
        zero = 0.0
        if pictures and pictures[0].start_time is not None and pictures[0].time_base is not None:
            zero = float(pictures[0].start_time * pictures[0].time_base)
        resampler = av.AudioResampler(format="fltp", layout="stereo", rate=RATE)
        place: int | None = None
        for frame in container.decode(audio=0):
            if place is None:  # from here on samples are counted: stamps jitter
                place = round((float(frame.time or 0.0) - zero - sound.clip_s) * RATE)
            for block in resampler.resample(frame):
                data = np.asarray(block.to_ndarray(), np.float32)
                yield place, data
                place += data.shape[1]


class Track:
    """A film's sound while the film is written.

    Parameters
    ----------
    films : list of (kind, container)
        ``mp4`` or ``webm``, and the open file, to which a stream is added.
    sound : Sound
    """

    def __init__(self, films: list[tuple[str, Any]], sound: Sound) -> None:
        self.streams = [(c, c.add_stream(CODECS[kind], rate=RATE, layout="stereo"))
                        for kind, c in films]  # fmt: skip
        self.blocks, self.at = samples(sound), 0

    def until(self, film_s: float) -> None:
        """Write the sound up to an instant of the film."""
        while self.at < film_s * RATE:
            block = next(self.blocks, None)
            if block is None:
                return
            for container, stream in self.streams:
                frame = av.AudioFrame.from_ndarray(
                    np.ascontiguousarray(block), format="fltp", layout="stereo"
                )
                frame.sample_rate, frame.pts = RATE, self.at
                for packet in stream.encode(frame):
                    container.mux(packet)
            self.at += block.shape[1]

    def end(self) -> None:
        """Write what the encoders hold back."""
        for container, stream in self.streams:
            for packet in stream.encode(None):
                container.mux(packet)
