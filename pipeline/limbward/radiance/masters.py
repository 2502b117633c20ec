"""The darks, flats and biases of the merged camera, and the calibration of each frame."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from limbward.camera.calibration import (
    Master,
    Setting,
    best_match,
    black_image,
    colour_planes,
    hot_pixels,
    master_dark,
    master_flat,
)
from limbward.camera.frame import RawFrame
from limbward.errors import LimbwardError
from limbward.radiance.calibrate import Calibration, find_hot, inverse_of_flat, reduced_flat
from limbward.radiance.scratch import Room, by_rows, room_on_disk
from limbward.radiance.selection import CalibrationFiles, Frames
from limbward.radiance.survey import Survey
from limbward.radiance.vignetting import Vignetting


class Masters:
    """The calibration of each frame; one dark is held at a time, since exposures come in order."""

    def __init__(
        self,
        files: CalibrationFiles,
        frames: Frames,
        survey: Survey,
        warn: Callable[[str], None],
        room: Room = room_on_disk,
    ) -> None:
        self.frames = frames
        self.pattern = survey.pattern
        self.survey = survey
        self.noise = survey.noise
        self.spread: float | None = None
        self.warn = warn
        self._room = room
        self.used: list[str] = []
        self._files = files
        self._flats: set[Path] = set()
        self._flat_level: float | None = None
        self._masters: dict[tuple[str, Setting], Master] = {}
        self._known: dict[int, Calibration] = {}
        self._small: dict[int, NDArray[np.float32]] = {}
        self._inverse_flat = self._make_flat()
        self._hot = self._find_hot()

    def flatten(self, planes: NDArray[np.float32], factor: int) -> NDArray[np.float32]:
        """Return a reduced frame (3, h, w), of bins of ``factor`` pixels, flat-fielded."""
        if self._inverse_flat is None:
            return planes
        if factor not in self._small:
            self._small[factor] = reduced_flat(self._inverse_flat, self.pattern, factor)
        h, w = planes.shape[1:]
        return planes * self._small[factor][:, :h, :w]

    @property
    def flat_fielded(self) -> bool:
        """Whether anything is known of how the lens darkens the corners."""
        return self._inverse_flat is not None

    @property
    def pixel_bytes(self) -> int:
        """How many bytes the calibration of a pixel has."""
        parts = self._files["dark"], self.flat_fielded, self._hot is not None
        return sum(size for part, size in zip(parts, (4, 4, 1), strict=True) if part)

    def take(self, found: Vignetting) -> None:
        """Calibrate frames by what they show of the lens themselves."""
        height, width = self.frames.height, self.frames.width
        colours = next(iter(self.survey.kept.values())).data.shape[:-2]
        self._inverse_flat = self._room((*colours, height, width), np.float32)
        for rows in by_rows(height, self._inverse_flat):
            self._inverse_flat[..., rows, :] = found.inverse_flat(height, width, rows)
        self.used.append(found.words())

    def _combined(self, kind: str, wanted: Setting) -> Master | None:
        """Return the master dark or bias for a setting."""
        known = [
            Master(np.empty(0, np.float32), np.empty(0, np.uint16), s, len(p))
            for s, p in self._files[kind].items()
        ]
        if kind == "bias":
            same = [m for m in known if m.setting.iso == wanted.iso]
            match = same[0] if same else None
        else:
            match = best_match(wanted, known)
        if match is None:
            return None
        key = (kind, match.setting)
        if key not in self._masters:
            try:
                master = master_dark(
                    self._files[kind][match.setting], match.setting, self._read, self._room
                )
            except LimbwardError as error:
                self.warn(f"The {kind} frames are left out: {error}")
                self._files[kind].pop(match.setting)
                return None
            # There may be one for each exposure, of 100 MB: their pixels lie on disk.
            self._masters[key] = replace(master, count=np.empty(0, np.uint16))
        return self._masters[key]

    def _read(self, path: Path) -> RawFrame:
        frame = self.survey.read(path)
        if path in self._flats:
            self._flat_level = self._flat_level or _level(frame)
        return frame

    def _make_flat(self) -> NDArray[np.float32] | None:
        for wanted, paths in self._files["flat"].items():
            dark = self._combined("dark", wanted) or self._combined("bias", wanted)
            self._flats = set(paths)
            try:
                flat = master_flat(paths, wanted, dark, self._read, self._room)
            except LimbwardError as error:
                self.warn(f"The flats are left out: {error}")
                continue
            self.used.append(f"Flat-fielded with {len(paths)} flats.")
            inverse, self.spread = inverse_of_flat(
                flat.image, self.pattern, self._flat_noise(paths, wanted), self._room
            )
            return inverse
        return None

    def _flat_noise(self, paths: list[Path], wanted: Setting) -> float:
        """Return the photon noise of the mean of flats, relative to their dimmest colour."""
        level = self._flat_level or 1.0
        model = self.noise.get(wanted.iso or 0.0) or next(iter(self.noise.values()))
        return float(np.sqrt((model.gain * level + model.read**2) / len(paths)) / level)

    def _find_hot(self) -> NDArray[np.bool_] | None:
        """Return hot pixels as the longest darks show them, or else the frames themselves."""
        setting = max(self._files["dark"], key=lambda s: s.exposure_s or 0.0, default=None)
        dark = None if setting is None else self._combined("dark", setting)
        if dark is not None:
            return hot_pixels(dark, self.pattern)
        kept = self.survey.kept
        frames = self.frames
        longest_s = max((frames.exposure_s[k] for k in kept), default=0.0)
        longest = [f for k, f in kept.items() if frames.exposure_s[k] > 0.7 * longest_s]
        return find_hot(longest, self._room)

    def _setting(self, k: int) -> Setting:
        frames = self.frames
        return Setting(frames.camera, frames.serial, frames.iso[k], frames.exposure_s[k])

    def words(self, k: int) -> str:
        """Return what is said of calibrating frame k; empty if that is nothing."""
        dark = self._combined("dark", self._setting(k))
        return "" if dark is None else _words(dark, self._setting(k))

    def __call__(self, k: int, _: RawFrame | None = None) -> Calibration:
        """Return the calibration of frame k; the same object for the same dark."""
        wanted = self._setting(k)
        dark = self._combined("dark", wanted)
        if dark is not None:
            note_use(self.used, _words(dark, wanted))
        if id(dark) not in self._known:
            self._known[id(dark)] = Calibration(
                dark=None if dark is None else dark.image,
                inverse_flat=self._inverse_flat,
                hot=self._hot,
            )
        return self._known[id(dark)]


def note_use(used: list[str], words: str) -> None:
    """Add to what was done to frames, unless it is there or nothing is said."""
    if words and words not in used:
        used.append(words)


def _words(dark: Master, wanted: Setting) -> str:
    return f"{dark.frames} darks subtracted from exposures of {wanted.exposure_s:g} s."


def _level(flat: RawFrame) -> float:
    """Return the signal of the dimmest colour of a flat."""
    above = flat.data - black_image(flat)
    return min(float(np.median(p)) for p in colour_planes(above, flat.pattern))
