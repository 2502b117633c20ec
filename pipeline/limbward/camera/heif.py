"""HEIF frames (ISO/IEC 23008-12): HEVC pictures, whole or in tiles, by FFmpeg's libraries."""

from __future__ import annotations

import struct
from dataclasses import replace
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from limbward.camera.claims import MOST_LOSSY, check_claim
from limbward.camera.display import TOP, Curve, from_srgb, to_light
from limbward.camera.frame import RawFrame, UnreadableFrame, linear_frame
from limbward.camera.heif_boxes import layout_of, read_meta
from limbward.regular import open_regular

PQ, HLG = 16, 18  # transfer characteristics, ITU-T H.273
PQ_WHITE = 0.02  # of 10 000 cd/m2: diffuse white at 203 cd/m2 (ITU-R BT.2408)


def read_heif(path: Path) -> RawFrame:
    """Read the primary picture of a HEIF file; see `limbward.camera.raw.read_raw`.

    Raises
    ------
    UnreadableFrame
        If it is damaged, or coded otherwise than FFmpeg's libraries here can decode.
    """
    try:
        with open_regular(path) as stream:
            layout = layout_of(read_meta(stream))
        with av.open(str(path)) as container:
            streams = {s.id: s for s in container.streams.video}
            if not all(item in streams for item in layout.items):
                raise UnreadableFrame(
                    f"{path.name} has a primary picture that cannot be decoded; export it as TIFF."
                )
            first = streams[layout.items[0]].codec_context
            pixels = first.width * first.height * len(layout.items)
            check_claim(path, pixels, 6, ratio=MOST_LOSSY)
            tiles, transfer = _tiles(container, [streams[i] for i in layout.items])
    except (UnreadableFrame, MemoryError, FileNotFoundError, PermissionError):
        raise
    except (av.error.FFmpegError, struct.error, ValueError, OSError, IndexError) as error:
        raise UnreadableFrame(
            f"{path.name} cannot be decoded as HEIF ({error}); copy it again from the card, if it "
            "is whole there, or export it as TIFF."
        ) from error
    rows = [
        np.concatenate(tiles[r * layout.columns : (r + 1) * layout.columns], axis=2)
        for r in range(layout.rows)
    ]
    data = np.concatenate(rows, axis=1)[:, : layout.height, : layout.width]
    curve = light_of(transfer, np.linspace(0.0, 1.0, TOP + 1))
    return replace(linear_frame(*to_light(data, curve)), encoding="the format HEIF")


def light_of(transfer: int, encoded: Curve) -> Curve:
    """Return the light, 1 at the top, of values by their transfer characteristics.

    References
    ----------
    ITU-R BT.2100-2, tables 4 and 5 (PQ and HLG); of all others that cameras use IEC 61966-2-1, to
    which a picture is close enough until its brackets tell better.
    """
    if transfer == PQ:
        power = encoded ** (1 / 78.84375)
        light = np.maximum(power - 0.8359375, 0) / (18.8515625 - 18.6875 * power)
        return np.asarray(np.clip(light ** (1 / 0.1593017578125) / PQ_WHITE, 0.0, 1.0))
    if transfer == HLG:
        a, b, c = 0.17883277, 0.28466892, 0.55991073
        high = (np.exp((encoded - c) / a) + b) / 12
        return np.where(encoded <= 0.5, encoded**2 / 3, high)
    return from_srgb(encoded)


def _tiles(container: Any, streams: list[Any]) -> tuple[list[NDArray[np.uint16]], int]:
    """Return each stream's picture, (3, h, w) of 16 bits, and their transfer characteristics."""
    wanted = {s.index: n for n, s in enumerate(streams)}
    found: dict[int, NDArray[np.uint16]] = {}
    transfer = 0
    for packet in container.demux(streams):
        if packet.stream.index not in wanted or wanted[packet.stream.index] in found:
            continue
        for frame in packet.decode():
            transfer = int(frame.color_trc)
            colours = frame.to_ndarray(format="rgb48le")
            found.setdefault(wanted[packet.stream.index], np.moveaxis(colours, -1, 0))
    if len(found) < len(streams):
        raise ValueError(f"{len(streams) - len(found)} of {len(streams)} tiles are missing")
    return [found[n] for n in range(len(streams))], transfer
