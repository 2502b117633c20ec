"""Writing films: H.264 in MP4 and VP9 in WebM, side by side from one stream of frames."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from contextlib import ExitStack
from fractions import Fraction
from os import PathLike
from typing import Any

import av
import numpy as np
from av.video.reformatter import (
    ColorPrimaries,
    ColorRange,
    Colorspace,
    ColorTrc,
    VideoReformatter,
)
from numpy.typing import NDArray

from limbward.compiled import in_threads
from limbward.radiance.scratch import by_rows
from limbward.render.writers import plain, to_8_bits
from limbward.sequences.sound import Sound, Track

Pixels = NDArray[np.float32]

# PyAV brings FFmpeg's libraries with it, so nothing need be installed beside the package.
# Constant quality, not bit rate: black sky costs next to nothing. Every player takes yuv420p.
ENCODERS: dict[str, tuple[str, dict[str, str]]] = {
    # Without macroblock trees: with them x264 reads memory that it never wrote where the sides are
    # no multiples of 16, and the same pictures give other bytes now and then.
    "mp4": ("libx264", {"crf": "17", "preset": "medium", "tune": "grain", "mbtree": "0"}),
    "webm": ("libvpx-vp9", {"crf": "24", "b": "0", "row-mt": "1", "cpu-used": "3"}),
}
# Of pictures this large x264 keeps 40 and more, 0.9 GB at 3840 pixels square. Compared with the one
# before only they take 0.3 GB, for a noisy film's file 1 % larger; a quiet film's may be half as
# large again. Its threads would have a picture each: here they share one, in four slices on any
# machine, so that the file is the same on each. VP9 keeps 25 unless told to, which makes its files
# no smaller; it takes 1.1 GB even so, 48 bytes a pixel for what is to be written of a picture.
LARGE_PX = 4_500_000
LEAN = {
    "mp4": {"x264-params": "ref=1:bframes=0:weightp=0:rc-lookahead=0:sliced-threads=1:threads=4"},
    "webm": {"lag-in-frames": "0"},
}
AT_ONCE = 128  # rows blended at a time
# Else WebM gets a random identifier and the version of the library, and differs in every run.
BITEXACT = {"fflags": "+bitexact"}
CONTAINER_OPTIONS = {"mp4": {"movflags": "+faststart", **BITEXACT}, "webm": BITEXACT}


def usual_formats(size: tuple[int, int]) -> list[str]:
    """Return the formats of films of a size that fit a small computer: large ones are MP4 alone."""
    return ["mp4"] if size[0] * size[1] > LARGE_PX else list(ENCODERS)


def to_bytes(
    picture: Pixels, top: int = 0, out: NDArray[np.uint8] | None = None
) -> NDArray[np.uint8]:
    """Return an encoded picture (3, H, W) from 0 to 1 as bytes (H, W, 3).

    A still pattern of half a step is added before rounding, or 8 bits would show steps in the
    corona's faint slopes; as it does not change from frame to frame, it hardly costs bits.

    Parameters
    ----------
    picture : ndarray of float32, shape (3, H, W)
    top : int
        Rows of a whole picture above this part of it.
    out : ndarray of uint8, shape (H, W, 3), optional
        Where to write.
    """
    out = np.empty((*picture.shape[1:], 3), np.uint8) if out is None else out
    in_threads(to_8_bits, len(out), picture, top, np.asarray(out))
    return out


def write_films(
    paths: Mapping[str, str | PathLike[str]],
    frames: Iterable[NDArray[np.uint8]],
    rate: float,
    *,
    title: str = "",
    sound: Sound | None = None,
) -> int:
    """Write the same frames as one film or several.

    Parameters
    ----------
    paths : mapping
        From ``mp4`` or ``webm`` to a file.
    frames : iterable of ndarray of uint8, shape (H, W, 3)
        sRGB; even sides, all of one size. Taken one at a time.
    rate : float
        Frames a second.
    title : str
        For the files' metadata.
    sound : Sound, optional
        To be heard; it may be longer than the film, which then cuts it off.

    Returns
    -------
    int
        Frames written.
    """
    exact = Fraction(rate).limit_denominator(1001)
    count = 0
    reformatter = VideoReformatter()
    with ExitStack() as stack:
        films: list[tuple[Any, Any]] = []
        track: Track | None = None
        for image in frames:
            if not films:
                films = [
                    _open(stack, kind, path, exact, image.shape, title)
                    for kind, path in paths.items()
                ]
                if sound is not None:
                    kinds = zip(paths, (container for container, _ in films), strict=True)
                    track = Track(list(kinds), sound)
            # Both let go before the next picture is made: three bytes a pixel and more.
            picture = _halved(image, reformatter)
            del image
            picture.pts = count
            picture.time_base = 1 / exact
            for container, stream in films:
                for packet in stream.encode(picture):
                    container.mux(packet)
            del picture
            count += 1
            if track is not None:
                track.until(count / float(exact))
        if track is not None:
            track.end()
        for container, stream in films:
            for packet in stream.encode(None):
                container.mux(packet)
    return count


def _halved(image: NDArray[np.uint8], reformatter: VideoReformatter) -> av.VideoFrame:
    """Return a picture as films have it, its colours at half size."""
    return reformatter.reformat(
        av.VideoFrame.from_numpy_buffer(np.ascontiguousarray(image), format="rgb24"),
        format="yuv420p",
        src_colorspace=Colorspace.ITU709,
        dst_colorspace=Colorspace.ITU709,
        src_color_range=ColorRange.JPEG,
        dst_color_range=ColorRange.MPEG,
    )


def _open(
    stack: ExitStack,
    kind: str,
    path: str | PathLike[str],
    rate: Fraction,
    shape: tuple[int, ...],
    title: str,
) -> tuple[Any, Any]:
    codec, options = ENCODERS[kind]
    if shape[0] * shape[1] > LARGE_PX:
        options = options | LEAN[kind]
    container = stack.enter_context(
        av.open(str(path), "w", format=kind, options=CONTAINER_OPTIONS[kind])
    )
    if title:
        container.metadata["title"] = plain(title)
    stream: Any = container.add_stream(codec, rate=rate, options=options)
    stream.height, stream.width = shape[:2]
    stream.pix_fmt = "yuv420p"
    context = stream.codec_context
    context.time_base = 1 / rate
    # Players that find no colour tags guess, and guess differently.
    context.color_range = ColorRange.MPEG
    context.colorspace = Colorspace.ITU709
    context.color_primaries = ColorPrimaries.BT709
    context.color_trc = ColorTrc.BT709
    return container, stream


def blended(
    before: NDArray[np.uint16], after: NDArray[np.uint16], share: float
) -> NDArray[np.uint8]:
    """Return a picture on the way from one to another in bytes, as `to_bytes` does.

    Parameters
    ----------
    before, after : ndarray of uint16, shape (H, W, 3)
        Encoded; the largest number is 1.
    share : float
        Of the way, 0 to 1.
    """
    out = np.empty(before.shape, np.uint8)
    parts = [(before, 1.0 - share), (after, share)] if share < 1.0 else [(after, 1.0)]
    for rows in by_rows(len(out), before, after, rows=AT_ONCE):
        mixed = np.zeros((rows.stop - rows.start, *out.shape[1:]), np.float32)
        for picture, part in parts:
            mixed += picture[rows].astype(np.float32) * np.float32(part / 65535.0)
        to_bytes(np.moveaxis(mixed, -1, 0), rows.start, out[rows])
    return out
