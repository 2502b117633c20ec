"""Which frames are merged, those of totality, of one camera, of one size; what calibrates them."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from limbward.camera.bands import is_narrow
from limbward.camera.calibration import Setting
from limbward.camera.choice import camera_of_most
from limbward.errors import ConfigError
from limbward.geometry.disc import Disc

Floats = NDArray[np.float64]
Texts = NDArray[np.object_]
CalibrationFiles = dict[str, dict[Setting, list[Path]]]  # of darks, flats and biases

DISPLAY_REFERRED = (
    "All frames of totality are display-referred (encoded for a display). They are decoded with "
    "the curve that they declare, or that their brackets give. The result is a picture, not a "
    "measurement of brightness. For a measurement, use the RAW files or export linear 16-bit TIFFs."
)


@dataclass(frozen=True)
class Files:
    """What is known of every file of the dump, in its order; NaN or empty where it is not told.

    Attributes
    ----------
    path : list of Path
    usable, reduced, linear : ndarray of bool
        Whether it may be merged, whether its size was reduced for comparisons, and whether it is
        no picture encoded for a display.
    phase, camera, serial : ndarray of object, shape (N,)
    width, height, exposure_s, iso, f_number, start_s, rotation_deg : ndarray, shape (N,)
    sun, moon : ndarray, shape (N, 3)
        Place and radius, pixels of the frame.
    """

    path: list[Path]
    usable: NDArray[np.bool_]
    reduced: NDArray[np.bool_]
    linear: NDArray[np.bool_]
    phase: Texts
    camera: Texts
    serial: Texts
    width: Floats
    height: Floats
    exposure_s: Floats
    iso: Floats
    f_number: Floats
    start_s: Floats  # from greatest eclipse
    rotation_deg: Floats
    sun: Floats
    moon: Floats


@dataclass(frozen=True)
class Frames:
    """The frames to be merged, in order of exposure; arrays of length N.

    Without ``linear`` all are display-referred: linear frames are not merged with such.
    """

    row: NDArray[np.int64]
    path: list[Path]
    exposure_s: Floats
    iso: Floats
    f_number: Floats
    light_s: Floats  # exposure at the reference ISO and f-number
    start_s: Floats  # from greatest eclipse
    sun: list[Disc]
    moon: list[Disc]
    rotation_deg: Floats
    width: int
    height: int
    iso_reference: float
    f_reference: float
    camera: str
    serial: str
    linear: bool = True


def without_lines(files: Files, band: Texts, note: Texts) -> Files:
    """Return the files without those in the light of single spectral lines, noting why.

    They are left in if there are no others.
    """
    lines = files.usable & np.array([is_narrow(b) for b in band], bool)
    if not (files.usable & ~lines).any():
        return files
    for i in np.flatnonzero(lines):
        note[i] = f"it shows {band[i]} alone, which is no part of the corona in white light"
    return replace(files, usable=files.usable & ~lines)


def choose(files: Files, wanted: str | None, where: str, note: Texts) -> Frames | None:
    """Return the frames to merge, or None if there is none.

    Parameters
    ----------
    files : Files
    wanted : str, optional
        The camera, by its name or its serial number; that of most frames if not given.
    where : str
        Where the config names it, for the sentence of an error.
    note : ndarray of object, shape (N,)
        Gets a sentence for each usable frame that is left out.

    Raises
    ------
    ConfigError
        If no camera of the dump is called so.
    """
    bodies = list(zip(files.camera, files.serial, strict=True))
    mine, body = _of_one_camera(files, bodies, wanted, where)
    if body is None:
        return None
    for i in np.flatnonzero(files.usable & ~mine):
        note[i] = f"the merge uses another camera, {body[0]} (merge.camera in the config chooses)"
    width, height = files.width, files.height
    size = Counter(zip(width[mine], height[mine], strict=True)).most_common(1)[0][0]
    for i in np.flatnonzero(mine & ((width != size[0]) | (height != size[1]))):
        mine[i] = False
        note[i] = (
            f"its size differs from the others' {size[0]:.0f} x {size[1]:.0f}; to merge such "
            "frames on their own, name them as a camera under bodies in the config"
        )
    for i in np.flatnonzero(mine & (~(files.exposure_s > 0) | ~files.reduced)):
        mine[i] = False
        note[i] = "its exposure time is not known"
    linear = bool((mine & files.linear).any())
    if linear:
        for i in np.flatnonzero(mine & ~files.linear):
            mine[i] = False
            note[i] = (
                "it is display-referred, and there are linear frames; to merge it, export it as "
                "linear 16-bit TIFF or use the RAW file"
            )
    if not mine.any():
        return None
    iso, f_number = _with_common(files.iso, mine), _with_common(files.f_number, mine)
    iso_reference, f_reference = _most_common(iso[mine]), _most_common(f_number[mine])
    light = files.exposure_s * (iso / iso_reference) * (f_reference / f_number) ** 2
    rows = np.flatnonzero(mine)
    rows = rows[np.argsort(light[rows], kind="stable")]
    return Frames(
        row=rows,
        path=[files.path[i] for i in rows],
        exposure_s=files.exposure_s[rows],
        iso=iso[rows],
        f_number=f_number[rows],
        light_s=light[rows],
        start_s=files.start_s[rows],
        sun=[Disc(*map(float, disc)) for disc in files.sun[rows]],
        moon=[Disc(*map(float, disc)) for disc in files.moon[rows]],
        rotation_deg=np.nan_to_num(files.rotation_deg[rows]),
        width=int(size[0]),
        height=int(size[1]),
        iso_reference=iso_reference,
        f_reference=f_reference,
        camera=body[0],
        serial=body[1],
        linear=linear,
    )


def calibration_files(files: Files, frames: Frames) -> CalibrationFiles:
    """Return the darks, flats and biases of the merged camera by their settings."""
    groups: CalibrationFiles = {"dark": {}, "flat": {}, "bias": {}}
    for i, kind in enumerate(files.phase):
        own = (files.camera[i], files.serial[i]) == (frames.camera, frames.serial)
        size = (files.width[i], files.height[i]) == (frames.width, frames.height)
        # A JPEG of a dark tells nothing of the sensor's numbers.
        alike = files.linear[i] == frames.linear
        if kind in groups and own and size and alike:
            iso, exposure = float(files.iso[i]), float(files.exposure_s[i])
            key = Setting(
                files.camera[i],
                files.serial[i],
                None if np.isnan(iso) else iso,
                None if np.isnan(exposure) else exposure,
            )
            groups[kind].setdefault(key, []).append(files.path[i])
    return groups


def _of_one_camera(
    files: Files, bodies: list[tuple[str, str]], wanted: str | None, where: str
) -> tuple[NDArray[np.bool_], tuple[str, str] | None]:
    """Return the usable files of the camera to merge, and its name and serial number."""
    try:
        body = camera_of_most(bodies, files.usable, wanted)
    except LookupError as error:
        raise ConfigError(f"{where}: {error}") from error
    if body is None:
        return np.zeros(len(bodies), bool), None
    return files.usable & np.array([b == body for b in bodies]), body


def _most_common(values: Floats) -> float:
    return float(Counter(values.tolist()).most_common(1)[0][0])


def _with_common(values: Floats, mine: NDArray[np.bool_]) -> Floats:
    """Return values in which a frame that does not tell has what most of the others have."""
    known = values[mine & (values > 0)]
    return np.where(values > 0, values, _most_common(known) if known.size else 1.0)
