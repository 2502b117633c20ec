"""Writing films: H.264 in MP4 and VP9 in WebM, side by side from one stream of frames."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import ExitStack
from fractions import Fraction
from os import PathLike
from typing import Any

import av
import numpy as np
from av.video.reformatter import ColorPrimaries, ColorRange, Colorspace, ColorTrc
from numpy.typing import NDArray

from limbward.radiance.scratch import by_rows
from limbward.render.writers import plain
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
# before only they take 0.5 GB, for a noisy film's file 1 % larger; a quiet film's may be half as
# large again.
LARGE_PX = 4_500_000
LEAN = {"x264-params": "ref=1:bframes=0"}
# Else WebM gets a random identifier and the version of the library, and differs in every run.
BITEXACT = {"fflags": "+bitexact"}
CONTAINER_OPTIONS = {"mp4": {"movflags": "+faststart", **BITEXACT}, "webm": BITEXACT}


def to_bytes(picture: Pixels) -> NDArray[np.uint8]:
    """Return an encoded picture (3, H, W) from 0 to 1 as bytes (H, W, 3).

    A still pattern of half a step is added before rounding, or 8 bits would show steps in the
    corona's faint slopes; as it does not change from frame to frame, it hardly costs bits.
    """
    height, width = picture.shape[1:]
    y, x = np.ogrid[:height, :width]
    out = np.empty((height, width, 3), np.uint8)
    for rows in by_rows(height, picture):
        # The R2 sequence: no period and no clumps.
        dither = (0.7548776662466927 * x + 0.5698402909980532 * y[rows]) % 1.0
        scaled = np.clip(picture[:, rows], 0.0, 1.0) * np.float32(255.0)
        scaled += dither.astype(np.float32)
        out[rows] = np.moveaxis(np.minimum(scaled, 255.0), 0, -1).astype(np.uint8)
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
            picture = av.VideoFrame.from_ndarray(np.ascontiguousarray(image), format="rgb24")
            picture = picture.reformat(
                format="yuv420p",
                src_colorspace=Colorspace.ITU709,
                dst_colorspace=Colorspace.ITU709,
                src_color_range=ColorRange.JPEG,
                dst_color_range=ColorRange.MPEG,
            )
            picture.pts = count
            picture.time_base = 1 / exact
            for container, stream in films:
                for packet in stream.encode(picture):
                    container.mux(packet)
            count += 1
            if track is not None:
                track.until(count / float(exact))
        if track is not None:
            track.end()
        for container, stream in films:
            for packet in stream.encode(None):
                container.mux(packet)
    return count


def _open(
    stack: ExitStack,
    kind: str,
    path: str | PathLike[str],
    rate: Fraction,
    shape: tuple[int, ...],
    title: str,
) -> tuple[Any, Any]:
    codec, options = ENCODERS[kind]
    if kind == "mp4" and shape[0] * shape[1] > LARGE_PX:
        options = options | LEAN
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


def dissolve(before: Pixels, after: Pixels, count: int) -> Iterator[Pixels]:
    """Yield ``count`` pictures that lead from one to another, both left out."""
    for k in range(1, count + 1):
        share = np.float32(k / (count + 1))
        yield before * (1 - share) + after * share
