"""What the merge knows of the camera: noise, colours, darks, flats and hot pixels."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

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
from limbward.config import Config
from limbward.errors import LimbwardError
from limbward.radiance.calibrate import Calibration, find_hot, inverse_of_flat
from limbward.radiance.noise import (
    CONVERTER,
    NoiseModel,
    measure_noise,
    measure_pairs,
    nominal_noise,
)
from limbward.stages.merge_frames import Frames
from limbward.work.reporting import Reporter
from limbward.workspace.columns import floats, texts

SAME_EXPOSURE = 0.05  # of it, by which frames of a pair may differ


class Samples:
    """What a few decoded frames tell of the camera: its range, colours and noise.

    Of each ISO two of the longest and two of the middle exposures are decoded, and two flats and
    two darks if there are any. ``kept`` holds the frames by their number and ``calibration`` the
    others by their path, for the merge to take out: no file is decoded a second time here. ``read``
    decodes a file.
    """

    def __init__(
        self, config: Config, ingest: Table, frames: Frames, read: Callable[[Path], RawFrame]
    ) -> None:
        self._decode = read
        self.kept: dict[int, RawFrame] = {}
        self.calibration: dict[Path, RawFrame] = {}
        self.noise: dict[float, NoiseModel] = {}
        self.method: dict[float, str] = {}
        files = calibration_files(config, ingest, frames)
        first: RawFrame | None = None
        for iso in sorted(set(frames.iso.tolist())):
            sets = _equal_exposures(frames, np.flatnonzero(frames.iso == iso))
            picks = dict.fromkeys(k for pair in sets for k in pair)
            for k in picks:
                frame = self._try_read(frames.path[k])
                if frame is not None:
                    self.kept[k] = frame
            decoded = [self.kept[k] for k in picks if k in self.kept]
            first = first or (decoded[0] if decoded else None)
            white = decoded[0].white if decoded else CONVERTER
            self.noise[iso], self.method[iso] = self._noise(iso, files, frames, sets, white)
        if first is None:
            raise LimbwardError(
                f"{frames.path[0]} and others cannot be decoded any more; is the card still there?"
            )
        self.pattern = first.pattern
        self.daylight = first.daylight
        self.to_srgb = first.to_srgb
        self.range_dn = first.white - float(first.black.mean())

    def _noise(
        self,
        iso: float,
        files: dict[str, dict[Setting, list[Path]]],
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
        except LimbwardError:
            return None  # the merge itself meets it again and says so in the table

    def to_json(self, linear: NDArray[np.float64]) -> list[dict[str, Any]]:
        """Return what was learned of the camera for the run's record."""
        return [
            {
                "iso": iso,
                "gain_electrons_per_dn": 1.0 / model.gain,
                "read_noise_dn": model.read,
                "read_noise_electrons": model.read / model.gain,
                "pixel_spread": model.spread,
                "origin": self.method[iso],
                "linear_up_to": [float(v) for v in linear],
            }
            for iso, model in sorted(self.noise.items())
        ]

    def describe(self, header: Header) -> None:
        """Write the camera's colours and noise into a header."""
        for c in range(3):
            header[f"DAYWB{c + 1}"] = (float(self.daylight[c]), "daylight white balance")
        for i in range(3):
            for j in range(3):
                header[f"SRGB{i + 1}_{j + 1}"] = float(self.to_srgb[i, j])
        for n, (iso, model) in enumerate(sorted(self.noise.items()), start=1):
            how = self.method[iso].split()[0]
            header[f"GAIN{n}"] = (model.gain, f"DN an electron at ISO {iso:.0f}, {how}")
            header[f"READ{n}"] = (model.read, f"read noise, DN, at ISO {iso:.0f}, {how}")


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
        self.samples = samples
        self.noise = samples.noise
        self.spread: float | None = None
        self.reporter = reporter
        self.used: list[str] = []
        self._files = calibration_files(config, ingest, frames)
        self._flats: set[Path] = set()
        self._flat_level: float | None = None
        self._masters: dict[tuple[str, Setting], Master] = {}
        self._known: dict[int, Calibration] = {}
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
        key = (kind, match.setting)
        if key not in self._masters:
            try:
                master = master_dark(self._files[kind][match.setting], match.setting, self._read)
            except LimbwardError as error:
                self.reporter.warn(f"The {kind} frames are left out: {error}")
                self._files[kind].pop(match.setting)
                return None
            # On disk: there may be one for each exposure, of 100 MB.
            with tempfile.TemporaryFile() as file:  # the map keeps it open
                image = np.memmap(file, np.float32, mode="w+", shape=master.image.shape)
            image[...] = master.image
            self._masters[key] = replace(master, image=image, count=np.empty(0, np.uint16))
        return self._masters[key]

    def _read(self, path: Path) -> RawFrame:
        frame = self.samples.read(path)
        if path in self._flats:
            self._flat_level = self._flat_level or _level(frame)
        return frame

    def _make_flat(self) -> NDArray[np.float32] | None:
        for wanted, paths in self._files["flat"].items():
            dark = self._combined("dark", wanted) or self._combined("bias", wanted)
            self._flats = set(paths)
            try:
                flat = master_flat(paths, wanted, dark, self._read)
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
        level = self._flat_level or 1.0
        model = self.noise.get(wanted.iso or 0.0) or next(iter(self.noise.values()))
        return float(np.sqrt((model.gain * level + model.read**2) / len(paths)) / level)

    def _find_hot(self) -> NDArray[np.bool_] | None:
        """Return hot pixels as the longest darks show them, or else the frames themselves."""
        longest = max(self._files["dark"], key=lambda s: s.exposure_s or 0.0, default=None)
        dark = None if longest is None else self._combined("dark", longest)
        if dark is not None:
            return hot_pixels(dark, self.pattern)
        kept = self.samples.kept
        frames = self.frames
        longest_s = max((frames.exposure_s[k] for k in kept), default=0.0)
        return find_hot(f for k, f in kept.items() if frames.exposure_s[k] > 0.7 * longest_s)

    def __call__(self, k: int, frame: RawFrame) -> Calibration:
        """Return the calibration of frame k; the same object for the same dark."""
        frames = self.frames
        wanted = Setting(frames.camera, frames.serial, frames.iso[k], frames.exposure_s[k])
        dark = self._combined("dark", wanted)
        if dark is not None:
            text = f"{dark.frames} darks taken off exposures of {wanted.exposure_s:g} s"
            if text not in self.used:
                self.used.append(text)
        if id(dark) not in self._known:
            self._known[id(dark)] = Calibration(
                dark=None if dark is None else dark.image,
                inverse_flat=self._inverse_flat,
                hot=self._hot,
            )
        return self._known[id(dark)]


def _level(flat: RawFrame) -> float:
    """Return the signal of the dimmest colour of a flat."""
    above = flat.data - black_image(flat)
    return min(float(np.median(p)) for p in colour_planes(above, flat.pattern))
