"""Which body took which file, by the config, and patterns in it that fit no file."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from limbward.camera.bands import band_of
from limbward.config.frames import BodyRule, matches
from limbward.config.root import Config

Floats = NDArray[np.float64]
Texts = NDArray[np.object_]
Mask = NDArray[np.bool_]

SAME_FOCAL = 0.02  # a focal length as in the frames, rounded or not


def named_bodies(
    config: Config, file: Texts, camera: Texts, serial: Texts, focal_mm: Floats
) -> tuple[Texts, Texts, list[str]]:
    """Return the names that the config's ``bodies`` give to the cameras of files, and their bands.

    Parameters
    ----------
    config : Config
    file, camera, serial : ndarray of str, shape (N,)
    focal_mm : ndarray, shape (N,)
        NaN where not known.

    Returns
    -------
    names : ndarray of str, shape (N,)
        Empty where no entry fits; else that of the first that does.
    bands : ndarray of str, shape (N,)
        As they are named in tables; empty where the config says nothing.
    said : list of str
        A sentence for each entry that fits no file.
    """
    names = np.full(len(file), "", dtype=object)
    bands = names.copy()
    said = []
    for i, body in enumerate(config.bodies):
        mine = (names == "") & _taken_by(body, file, camera, serial, focal_mm)
        if not mine.any():
            said.append(
                f"{config.where('bodies', i)}: no frame matches {body.name!r}; compare it with "
                "camera, serial and focal_length in frames.ecsv."
            )
        names[mine] = body.name
        bands[mine] = band_of(body.band or "")
    return names, bands, said


def band_said(
    bodies: Sequence[BodyRule], file: str, camera: str, serial: str, focal_mm: float
) -> str:
    """Return what the config says of the band of one file, as it is named in tables; or ""."""
    one = (np.array([text], dtype=object) for text in (file, camera, serial))
    told = (*one, np.array([focal_mm]))
    return next((band_of(b.band or "") for b in bodies if _taken_by(b, *told).any()), "")


def _taken_by(body: BodyRule, file: Texts, camera: Texts, serial: Texts, focal_mm: Floats) -> Mask:
    mine = np.ones(len(file), bool)
    if body.files:
        mine &= np.array([any(matches(f, p) for p in body.files) for f in file], bool)
    if body.camera is not None:
        wanted = body.camera.lower()
        pairs = zip(camera, serial, strict=True)
        mine &= np.array([wanted in (c.lower(), s.lower()) for c, s in pairs], bool)
    if body.focal_length_mm is not None:
        mine &= np.abs(focal_mm / body.focal_length_mm - 1.0) < SAME_FOCAL
    return mine


def unmatched(config: Config, files: Sequence[str]) -> Iterator[str]:
    """Yield a sentence for each pattern under ``frames`` and ``bodies`` that no file matches."""
    patterns = [
        (("frames", i, "files", k), pattern)
        for i, rule in enumerate(config.frames)
        for k, pattern in enumerate(rule.files)
    ] + [
        (("bodies", i, "files", k), pattern)
        for i, body in enumerate(config.bodies)
        for k, pattern in enumerate(body.files)
    ]
    for where, pattern in patterns:
        if not any(matches(file, pattern) for file in files):
            yield (
                f"{config.where(*where)}: no file matches {pattern!r}; give a name or a glob "
                "pattern for the end of a path in frames.ecsv, such as 100ABCDE/ABCD0001.DNG."
            )
