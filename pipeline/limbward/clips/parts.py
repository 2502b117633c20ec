"""Stretches of a video, each of which becomes a still, and the file that the still is."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import islice, pairwise
from math import ceil
from pathlib import Path
from typing import Any

import av
import numpy as np
from astropy.io import fits

from limbward.camera.frame import RawFrame
from limbward.camera.headers import STAMPED
from limbward.clips.catalogue import Clip, UnreadableClip, read_clip
from limbward.clips.pictures import as_raw
from limbward.radiance.fits import write_picture
from limbward.radiance.video_stack import LEAST, VideoStill, stack_video

UNPACED = 300  # pictures to a still where nothing says how fast they follow each other
# What one picture of a megapixel takes, read three times, on a slow machine.
PICTURE_S, PICTURE_S_PER_MP = 0.3, 3.0
PIXEL_BYTES = 180  # of the sums over three colours and what is made of one picture


@dataclass(frozen=True)
class Part:
    """A stretch of a video.

    Attributes
    ----------
    path : Path
    first, last : int
        Numbers of its pictures, the last one not included.
    width, height : int
    """

    path: Path
    first: int
    last: int
    width: int
    height: int

    @property
    def patience_s(self) -> float:
        """How long stacking it may take, seconds."""
        megapixels = self.width * self.height / 1e6
        return (self.last - self.first) * (PICTURE_S + PICTURE_S_PER_MP * megapixels)

    @property
    def room(self) -> int:
        """How much memory stacking it may take, bytes."""
        return 1_000_000_000 + PIXEL_BYTES * self.width * self.height


@dataclass(frozen=True)
class Split:
    """A video's parts, and what is to be said of it; none if its pictures are not linear."""

    parts: tuple[Part, ...]
    notes: tuple[str, ...] = ()


def split(path: Path, still_s: float) -> Split:
    """Cut a video into stretches of about equal length.

    Parameters
    ----------
    path : Path
    still_s : float
        Their greatest length, seconds.

    Raises
    ------
    UnreadableClip
        If it is damaged.
    """
    clip = read_clip(path)
    if not clip.linear:
        return Split(())
    longest = clip.duration_s / still_s if clip.paced else clip.pictures / UNPACED
    count = max(1, min(ceil(longest), clip.pictures // LEAST))
    if clip.at_s is None:
        edges = np.linspace(0, clip.pictures, count + 1).round().astype(int)
    else:
        inner = np.linspace(0.0, clip.duration_s, count + 1)[1:-1]
        edges = np.array([0, *np.searchsorted(clip.at_s, inner), clip.pictures])
    size = clip.width, clip.height
    parts = [
        Part(path, int(a), int(b), *size)
        for a, b in pairwise(edges)
        if b - a >= min(LEAST, clip.pictures)
    ]
    return Split(tuple(parts), clip.notes)


def pictures_of(clip: Clip, first: int, last: int) -> Iterator[RawFrame]:
    """Yield the pictures of a linear video from one number to before another.

    Raises
    ------
    UnreadableClip
        If it cannot be decoded. Where that fails further on, the video ends there.
    """
    if clip.ser is not None:
        yield from clip.ser.frames(range(first, last))
        return
    number = 0
    try:
        with av.open(str(clip.path)) as container:
            for frame in islice(container.decode(container.streams.video[0]), first, last):
                number += 1
                yield as_raw(frame)
    except (av.FFmpegError, ValueError, ArithmeticError) as error:
        if number == 0:
            raise UnreadableClip(f"{clip.path.name} cannot be decoded ({error}).") from error


def stack_part(part: Part, share: float, exposure_s: float | None, to: Path) -> dict[str, Any]:
    """Stack a stretch of a video and write the still as FITS; return what became of it.

    Parameters
    ----------
    part : Part
    share : float
        Of its pictures, the sharpest, that are used.
    exposure_s : float or None
        Of one picture.
    to : Path
        Of the FITS file.

    Raises
    ------
    UnreadableClip
        If the video is damaged.
    """
    clip = read_clip(part.path)
    still = stack_video(lambda: pictures_of(clip, part.first, part.last), share)
    header = _header(clip, part, still, exposure_s)
    line = (
        f"{part.path.name}, pictures {part.first} to {part.last - 1}: the sharpest "
        f"{float(np.median(still.count)):.0f} in each place, registered and averaged"
    )
    values = still.values if still.values.shape[0] == 3 else still.values[0]
    sigma = still.sigma if still.sigma.shape[0] == 3 else still.sigma[0]
    extensions = {"SIGMA": sigma, "COUNT": still.count}
    write_picture(to, values, header, extensions, history=[line])
    return {
        "first": part.first,
        "last": part.last - 1,
        "pictures": still.pictures,
        "used": round(float(np.median(still.count)), 1),
        "time": header.get("DATE-OBS"),
    }


def _header(clip: Clip, part: Part, still: VideoStill, exposure_s: float | None) -> fits.Header:
    header = fits.Header()
    header["ROWORDER"] = ("BOTTOM-UP", "the first row is the bottom one")
    header["BUNIT"] = "adu"
    header["SATURATE"] = (still.white, "[adu] clipped from here on")
    when = _when(clip, part, still)
    if when is not None:
        header["DATE-OBS"] = when.isoformat(timespec="microseconds" if clip.stamped else "seconds")
        if clip.stamped:
            header["TIMESYS"] = "UTC"
            header["TIMESRC"] = (STAMPED, "where DATE-OBS comes from")
        else:
            header["TIMESYS"] = ("LOCAL", "the device does not state its time zone")
    if exposure_s is not None:
        header["EXPTIME"] = (exposure_s, "[s] of one picture")
    header["NCOMBINE"] = (still.pictures, "pictures looked at")
    told = [("INSTRUME", clip.device)]
    if clip.ser is not None:
        told += [("TELESCOP", clip.ser.telescope), ("OBSERVER", clip.ser.observer)]
    for key, text in told:
        if text:
            header[key] = text.encode("ascii", "replace").decode()
    return header


def _when(clip: Clip, part: Part, still: VideoStill) -> datetime | None:
    """Return the mean time of the pictures whose mean the still's Moon and Sun are."""
    if clip.created is None or not clip.paced:
        return None
    at = np.arange(clip.pictures) / clip.rate if clip.at_s is None else clip.at_s
    return clip.created + timedelta(seconds=float(at[part.first + still.reference].mean()))
