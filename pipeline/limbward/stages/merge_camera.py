"""What the merge knows of the camera: noise, colours, darks, flats and hot pixels."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from astropy.io.fits import Header
from astropy.table import Table
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
from limbward.camera.raw import read_raw
from limbward.config import Config
from limbward.errors import LimbwardError
from limbward.progress import Reporter
from limbward.radiance.calibrate import Calibration, find_hot, inverse_of_flat
from limbward.radiance.noise import NoiseModel, measure_noise, nominal_noise
from limbward.stages.columns import floats, texts
from limbward.stages.merge_frames import Frames


class Samples:
    """What a few decoded frames tell of the camera: its range, colours and noise.

    Of each ISO the shortest, the middle and the longest exposure are decoded, and a flat if there
    is one: nothing is smoother.
    """

    def __init__(self, config: Config, ingest: Table, frames: Frames) -> None:
        flats = calibration_files(config, ingest, frames)["flat"]
        self.noise: dict[float, NoiseModel] = {}
        self.measured: dict[float, bool] = {}
        first: RawFrame | None = None
        for iso in sorted(set(frames.iso.tolist())):
            own = np.flatnonzero(frames.iso == iso)
            picks = sorted({int(own[0]), int(own[len(own) // 2]), int(own[-1])})
            decoded = [f for f in (_try_read(frames.path[k]) for k in picks) if f is not None]
            first = first or (decoded[0] if decoded else None)
            flat = next((paths[0] for s, paths in flats.items() if s.iso == iso), None)
            even = [] if flat is None else [_try_read(flat)]
            model = measure_noise([*decoded, *(f for f in even if f is not None)])
            white = decoded[0].white if decoded else 16383.0
            self.noise[iso] = model or nominal_noise(iso, white)
            self.measured[iso] = model is not None
        if first is None:
            raise LimbwardError(
                f"{frames.path[0]} and others cannot be decoded any more; is the card still there?"
            )
        self.pattern = first.pattern
        self.daylight = first.daylight
        self.to_srgb = first.to_srgb
        self.range_dn = first.white - float(first.black.mean())

    def describe(self, header: Header) -> None:
        """Write the camera's colours and noise into a header."""
        for c in range(3):
            header[f"DAYWB{c + 1}"] = (float(self.daylight[c]), "daylight white balance")
        for i in range(3):
            for j in range(3):
                header[f"SRGB{i + 1}_{j + 1}"] = float(self.to_srgb[i, j])
        for n, (iso, model) in enumerate(sorted(self.noise.items()), start=1):
            how = "measured" if self.measured[iso] else "assumed"
            header[f"GAIN{n}"] = (model.gain, f"DN an electron at ISO {iso:.0f}, {how}")
            header[f"READ{n}"] = (model.read, f"read noise, DN, at ISO {iso:.0f}, {how}")


def _try_read(path: Path) -> RawFrame | None:
    try:
        return read_raw(path)
    except LimbwardError:
        return None  # the merge itself meets it again and says so in the table


def calibration_files(
    config: Config, ingest: Table, frames: Frames
) -> dict[str, dict[Setting, list[Path]]]:
    """Return the darks, flats and biases of the merged camera by their settings."""
    phase, exposure, iso = (
        texts(ingest, "phase"),
        floats(ingest, "exposure"),
        floats(ingest, "iso"),
    )
    camera, serial = texts(ingest, "camera"), texts(ingest, "serial")
    width, height = floats(ingest, "width"), floats(ingest, "height")
    groups: dict[str, dict[Setting, list[Path]]] = {"dark": {}, "flat": {}, "bias": {}}
    for i, kind in enumerate(phase):
        own = (camera[i], serial[i]) == (frames.camera, frames.serial)
        size = (width[i], height[i]) == (frames.width, frames.height)
        if kind in groups and own and size:
            key = Setting(
                camera[i],
                serial[i],
                None if np.isnan(iso[i]) else float(iso[i]),
                None if np.isnan(exposure[i]) else float(exposure[i]),
            )
            groups[kind].setdefault(key, []).append(config.base_dir / str(ingest["file"][i]))
    return groups


class Calibrations:
    """The calibration of each frame; one dark is held at a time, since exposures come in order."""

    def __init__(
        self, config: Config, ingest: Table, frames: Frames, samples: Samples, reporter: Reporter
    ) -> None:
        self.frames = frames
        self.pattern = samples.pattern
        self.noise = samples.noise
        self.spread: float | None = None
        self.reporter = reporter
        self.used: list[str] = []
        self._files = calibration_files(config, ingest, frames)
        self._dark_of: Setting | None = None
        self._dark: Master | None = None
        self._inverse_flat = self._make_flat()
        self._hot = self._find_hot()

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
        try:
            return master_dark(self._files[kind][match.setting], match.setting)
        except LimbwardError as error:
            self.reporter.warn(f"The {kind} frames are left out: {error}")
            self._files[kind].pop(match.setting)
            return None

    def _make_flat(self) -> NDArray[np.float32] | None:
        for wanted, paths in self._files["flat"].items():
            dark = self._combined("dark", wanted) or self._combined("bias", wanted)
            try:
                flat = master_flat(paths, wanted, dark)
            except LimbwardError as error:
                self.reporter.warn(f"The flats are left out: {error}")
                continue
            self.used.append(f"flat-fielded with {len(paths)} flats")
            inverse, self.spread = inverse_of_flat(
                flat.image, self.pattern, self._flat_noise(paths, wanted)
            )
            return inverse
        return None

    def _flat_noise(self, paths: list[Path], wanted: Setting) -> float:
        """Return the photon noise of the mean of flats, relative to their dimmest colour."""
        frame = read_raw(paths[0])
        above = frame.data - black_image(frame)
        level = min(float(np.median(p)) for p in colour_planes(above, frame.pattern))
        model = self.noise.get(wanted.iso or 0.0) or next(iter(self.noise.values()))
        return float(np.sqrt((model.gain * level + model.read**2) / len(paths)) / level)

    def _find_hot(self) -> NDArray[np.bool_] | None:
        """Return hot pixels as the longest darks show them, or else the frames themselves."""
        longest = max(self._files["dark"], key=lambda s: s.exposure_s or 0.0, default=None)
        dark = None if longest is None else self._combined("dark", longest)
        if dark is not None:
            return hot_pixels(dark, self.pattern)
        frames = self.frames
        long = np.flatnonzero(frames.exposure_s > 0.7 * frames.exposure_s.max())
        at = np.array([[frames.sun[k].x, frames.sun[k].y] for k in long])
        apart = np.hypot(*(at[:, None] - at[None, :]).transpose(2, 0, 1))
        # The two between which the sky has moved most, or the first and the last of the session.
        picks = {int(k) for k in np.unravel_index(int(np.argmax(apart)), apart.shape)}
        picks = picks if len(picks) == 2 else {0, len(long) - 1}
        pair = [_try_read(frames.path[long[k]]) for k in sorted(picks)]
        return find_hot(f for f in pair if f is not None)

    def __call__(self, k: int, frame: RawFrame) -> Calibration:
        """Return the calibration of frame k."""
        frames = self.frames
        wanted = Setting(frames.camera, frames.serial, frames.iso[k], frames.exposure_s[k])
        if wanted != self._dark_of:
            self._dark_of = wanted
            self._dark = self._combined("dark", wanted)
            if self._dark is not None:
                text = f"{self._dark.frames} darks taken off exposures of {wanted.exposure_s:g} s"
                if text not in self.used:
                    self.used.append(text)
        return Calibration(
            dark=None if self._dark is None else self._dark.image,
            inverse_flat=self._inverse_flat,
            hot=self._hot,
        )
