"""What a few frames tell of the camera before the merge: its range, colours and noise."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray

from limbward.camera.calibration import Setting
from limbward.camera.clipping import clip_level
from limbward.camera.colours import write_colours
from limbward.camera.frame import RawFrame
from limbward.errors import LimbwardError, UnreadableFile
from limbward.radiance.noise import (
    CONVERTER,
    MeasuredNoise,
    NoiseModel,
    measure_noise,
    measure_pairs,
    nominal_noise,
)
from limbward.radiance.scratch import let_go
from limbward.radiance.selection import CalibrationFiles, Frames

SAME_EXPOSURE = 0.05  # of it, by which frames of a pair may differ


@dataclass
class Surveyed:
    """What a few decoded frames tell of the camera.

    Attributes
    ----------
    white : float
        Where pixels end, ADU, if below the declared level.
    range_adu : float
        From black to white.
    pattern, daylight, to_srgb
        As `limbward.camera.frame.RawFrame` has them.
    noise : dict of float to NoiseModel
        By ISO.
    method : dict of float to str
        Where it comes from.
    kept : dict of int to RawFrame
        Frames that are decoded already, by their number.
    """

    white: float = np.inf
    range_adu: float = 0.0
    pattern: NDArray[np.int8] = field(default_factory=lambda: np.empty((0, 0), np.int8))
    daylight: NDArray[np.float32] = field(default_factory=lambda: np.ones(3, np.float32))
    to_srgb: NDArray[np.float32] = field(default_factory=lambda: np.eye(3, dtype=np.float32))
    noise: dict[float, NoiseModel] = field(default_factory=dict)
    method: dict[float, str] = field(default_factory=dict)
    kept: dict[int, RawFrame] = field(default_factory=dict)

    def released(self) -> Iterator[tuple[int, RawFrame]]:
        """Yield the frames that are decoded already, and let go of each."""
        while self.kept:
            k = next(iter(self.kept))
            yield k, self.kept.pop(k)

    def without_frames(self) -> Surveyed:
        """Return what was found, without any frame."""
        return Surveyed(
            self.white, self.range_adu, self.pattern, self.daylight, self.to_srgb,
            self.noise, self.method,
        )  # fmt: skip

    def models(self, linear: NDArray[np.float64]) -> list[MeasuredNoise]:
        """Return the noise for the run's record; ``linear`` (3,) is the range's linear part."""
        return [
            MeasuredNoise(
                iso=iso,
                gain_electrons_per_adu=1.0 / model.gain,
                read_noise_adu=model.read,
                read_noise_electrons=model.read / model.gain,
                pixel_spread=model.spread,
                origin=self.method[iso],
                linear_up_to=[float(v) for v in linear],
            )
            for iso, model in sorted(self.noise.items())
        ]

    def describe(self, header: Header) -> None:
        """Write the camera's colours and noise into a header."""
        write_colours(header, self.daylight, self.to_srgb)
        for n, (iso, model) in enumerate(sorted(self.noise.items()), start=1):
            how = self.method[iso].split()[0]
            header[f"GAIN{n}"] = (1.0 / model.gain, f"electrons per ADU at ISO {iso:.0f}, {how}")
            header[f"READ{n}"] = (model.read, f"read noise, ADU, at ISO {iso:.0f}, {how}")


class Survey(Surveyed):
    """What a few decoded frames tell of the camera: its range, colours and noise.

    Of each ISO two of the longest and two of the middle exposures are decoded, and two flats and
    two darks if there are any. ``kept`` holds the frames by their number and ``calibration`` the
    others by their path, for the merge to take out: no file is decoded a second time here. ``read``
    decodes a file.
    """

    def __init__(
        self, files: CalibrationFiles, frames: Frames, read: Callable[[Path], RawFrame]
    ) -> None:
        super().__init__()
        self._decode = read
        self.calibration: dict[Path, RawFrame] = {}
        first: RawFrame | None = None
        sets_of = {}
        for iso in sorted(set(frames.iso.tolist())):
            sets = sets_of[iso] = _equal_exposures(frames, np.flatnonzero(frames.iso == iso))
            picks = dict.fromkeys(k for pair in sets for k in pair)
            for k in picks:
                frame = self._try_read(frames.path[k])
                if frame is not None:
                    self.kept[k] = frame
                    self.white = min(self.white, clip_level(frame) or np.inf)
                    let_go(frame.data)
        for k, frame in self.kept.items():
            self.kept[k] = replace(frame, white=min(frame.white, self.white))
        for iso, sets in sets_of.items():
            picks = dict.fromkeys(k for pair in sets for k in pair)
            decoded = [self.kept[k] for k in picks if k in self.kept]
            first = first or (decoded[0] if decoded else None)
            white = decoded[0].white if decoded else CONVERTER
            self.noise[iso], self.method[iso] = self._noise(iso, files, frames, sets, white)
            let_go(*(f.data for f in (*self.kept.values(), *self.calibration.values())))
        if first is None:
            raise LimbwardError(
                f"{frames.path[0]} and others can no longer be decoded; is the card still "
                "connected?"
            )
        self.pattern = first.pattern
        self.daylight = first.daylight
        self.to_srgb = first.to_srgb
        self.range_adu = first.white - float(first.black.mean())

    def _noise(
        self,
        iso: float,
        files: CalibrationFiles,
        frames: Frames,
        sets: list[tuple[int, ...]],
        white: float,
    ) -> tuple[NoiseModel, str]:
        """Return the best noise model there is for an ISO, and where it comes from."""
        flats, darks = (self._calibration_pairs(files[kind], iso) for kind in ("flat", "dark"))
        darks = darks or self._calibration_pairs(files["bias"], iso)
        if flats and darks:
            model = measure_pairs([*flats, *darks])
            if model is not None:
                return model, "measured on pairs of flats and darks"
        pairs = []
        for pair in sets:
            if len(pair) == 2 and all(k in self.kept for k in pair):
                a, b = pair
                shift = self._shift(frames, a, b)
                pairs.append((self.kept[a], self.kept[b], shift))
        model = measure_pairs([*pairs, *flats, *darks])
        if pairs and model is not None:
            return model, "measured on pairs of equal exposures"
        model = measure_noise([self.kept[k] for pair in sets for k in pair if k in self.kept])
        if model is not None:
            return model, "measured on neighbouring pixels of single frames"
        return nominal_noise(iso, white), "assumed"

    def _calibration_pairs(
        self, files: dict[Setting, list[Path]], iso: float
    ) -> list[tuple[RawFrame, RawFrame, tuple[int, int]]]:
        paths = next((p for s, p in files.items() if s.iso == iso and len(p) > 1), [])[:2]
        for path in paths:
            frame = self._try_read(path) if path not in self.calibration else None
            if frame is not None:
                self.calibration[path] = frame
        got = [self.calibration[p] for p in paths if p in self.calibration]
        if len(got) == 2 and got[0].data.shape == got[1].data.shape:
            return [(got[0], got[1], (0, 0))]
        return []

    def _shift(self, frames: Frames, a: int, b: int) -> tuple[int, int]:
        """Return by how many tiles frame b shows the Sun further down and to the right."""
        th, tw = self.kept[a].pattern.shape if self.kept[a].pattern.size else (1, 1)
        first, second = frames.sun[a], frames.sun[b]
        return round((second.y - first.y) / th), round((second.x - first.x) / tw)

    def read(self, path: Path) -> RawFrame:
        """Return a decoded calibration frame, and let go of it."""
        frame = self.calibration.pop(path, None)
        return self._decode(path) if frame is None else frame

    def _try_read(self, path: Path) -> RawFrame | None:
        try:
            return self._decode(path)
        except UnreadableFile:
            return None  # the merge itself meets it again and says so in the table


def _equal_exposures(frames: Frames, own: NDArray[np.int64]) -> list[tuple[int, ...]]:
    """Return two of the longest and two of the middle exposures, or one each.

    Of the longest, the two between which the sky has moved most over the sensor, so that what stays
    where it is must be the sensor's.
    """
    light = frames.light_s[own]
    out = []
    for level in dict.fromkeys((float(light[-1]), float(light[len(own) // 2]))):
        like = own[np.abs(light / level - 1.0) < SAME_EXPOSURE]
        at = np.array([[frames.sun[k].x, frames.sun[k].y] for k in like])
        apart = np.hypot(*(at[:, None] - at[None, :]).transpose(2, 0, 1))
        picks = {int(like[k]) for k in np.unravel_index(int(np.argmax(apart)), apart.shape)}
        if len(picks) == 1 and len(like) > 1:
            picks = {int(like[0]), int(like[-1])}
        out.append(tuple(sorted(picks)))
    return out
