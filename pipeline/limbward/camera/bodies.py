"""Camera bodies, or lenses on one body, that model and serial number do not tell apart."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import PurePosixPath

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Texts = NDArray[np.object_]
Rows = NDArray[np.int64]

GAP = 0.10  # of the Sun's size, between lenses; zoom rings and refraction move it by less
BLUR_PX = 2.0  # by which blur and glare may move the edge of a small disc, beside that
SPREAD = 0.05  # of the sizes within a lens; a thin crescent's circle is no better
LEAST_DISCS = 3  # that show a lens
LEAST_SHARE = 0.08  # of the discs; fewer are taken for mistakes
LEAST_FRAMES = 5  # of a folder
LEAST_TURNS = 8  # times that two folders take turns; a camera with two cards fills one by one


@dataclass(frozen=True)
class Shots:
    """What is known of N frames, in the order of taking; NaN or empty where unknown.

    Attributes
    ----------
    file, camera, serial : ndarray of str
    focal_mm, reading_s : ndarray
        As their tags say.
    radius_px : ndarray
        Of the Sun or the Moon, which differ by less than ``GAP``.
    """

    file: Texts
    camera: Texts
    serial: Texts
    focal_mm: Floats
    reading_s: Floats
    radius_px: Floats


def split_bodies(shots: Shots) -> tuple[Texts, list[str]]:
    """Return names of cameras that are one body with one lens each, and what was split and why.

    Parameters
    ----------
    shots : Shots

    Returns
    -------
    names : ndarray of str, shape (N,)
        ``camera`` where nothing is to be split.
    said : list of str
        A sentence for each camera that was split.

    Notes
    -----
    Discs of two sizes are two lenses, whatever the tags say. Without serial numbers, two folders
    whose frames were taken in turns are two bodies.
    """
    names = shots.camera.copy()
    said = []
    for camera, serial in sorted(set(zip(shots.camera, shots.serial, strict=True))):
        rows = np.flatnonzero((shots.camera == camera) & (shots.serial == serial))
        by_folder = np.full(rows.size, "", dtype=object)
        if not serial:
            by_folder = _in_turns(shots, rows)
        parts = [rows[by_folder == folder] for folder in sorted(set(by_folder))]
        groups = [group for part in parts for group in _lenses(shots, part)]
        if len(groups) < 2:
            continue
        called = _names(camera, shots, groups)
        for name, group in zip(called, groups, strict=True):
            names[group] = name
        why = "folders filled in turn" if len(parts) > 1 else "discs of two sizes"
        said.append(
            f"{camera} {serial}".strip()
            + f" is taken for {len(groups)} cameras ({why}): {', '.join(called)}; if that is "
            "wrong, name the frames of each under bodies in the config."
        )
    return names, said


def _lenses(shots: Shots, rows: Rows) -> list[Rows]:
    """Return the rows of each lens, by the sizes of the discs."""
    size = np.log(np.where(shots.radius_px[rows] > 0, shots.radius_px[rows], np.nan))
    seen = np.flatnonzero(np.isfinite(size))
    if not seen.size:
        return [rows]
    ordered = seen[np.argsort(size[seen], kind="stable")]
    smaller = np.maximum(shots.radius_px[rows][ordered][:-1], 1.0)
    cuts = np.flatnonzero(np.diff(size[ordered]) > GAP + BLUR_PX / smaller) + 1
    least = max(LEAST_DISCS, LEAST_SHARE * seen.size)
    clusters = [
        part
        for part in np.split(ordered, cuts)
        if part.size >= least and np.std(size[part]) < SPREAD
    ]
    if len(clusters) < 2:
        return [rows]
    label = np.full(rows.size, -1)
    for k, part in enumerate(clusters):
        label[part] = k
    return [rows[_spread(shots, rows, label) == k] for k in range(len(clusters))]


def _spread(shots: Shots, rows: Rows, label: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the labels with those that are not known, -1, taken from frames like them."""
    told = np.flatnonzero(label >= 0)
    focal = np.round(np.nan_to_num(shots.focal_mm[rows], nan=0.0))
    folder = [str(PurePosixPath(file).parent) for file in shots.file[rows]]
    votes: dict[tuple[float, str], Counter[int]] = {}
    for i in told:
        votes.setdefault((focal[i], folder[i]), Counter())[int(label[i])] += 1
    found = label.copy()
    for i in np.flatnonzero(label < 0):
        counts = votes.get((focal[i], folder[i]), Counter())
        if len(counts) == 1:
            found[i] = next(iter(counts))
        else:  # the lens was changed in between: that of the nearest frame in the sequence
            found[i] = label[told[np.argmin(np.abs(told - i))]]
    return found


def _in_turns(shots: Shots, rows: Rows) -> Texts:
    """Return folders of frames, the same one for all unless folders were filled in turns."""
    one = np.full(rows.size, "", dtype=object)
    folders = _first_difference(shots.file[rows])
    count = Counter(folders.tolist())
    if len(count) < 2 or min(count.values()) < LEAST_FRAMES:
        return one
    timed = np.flatnonzero(np.isfinite(shots.reading_s[rows]))
    ordered = folders[timed[np.argsort(shots.reading_s[rows][timed], kind="stable")]]
    turns = int(np.sum(ordered[1:] != ordered[:-1]))
    return folders if turns >= LEAST_TURNS else one


def _first_difference(files: Texts) -> Texts:
    """Return the folder of each file in which not all of them lie, the outermost such one."""
    parts = [PurePosixPath(file).parent.parts for file in files]
    depth = 0
    while all(len(p) > depth for p in parts) and len({p[depth] for p in parts}) == 1:
        depth += 1
    return np.array([p[depth] if len(p) > depth else "" for p in parts], dtype=object)


def _names(camera: str, shots: Shots, groups: list[Rows]) -> list[str]:
    """Return names for the groups of a camera by what differs between them."""
    focal = [_middle(shots.focal_mm[group]) for group in groups]
    folder = _first_difference(np.concatenate([shots.file[group] for group in groups]))
    ends = np.cumsum([group.size for group in groups])[:-1]
    kept = [sorted(set(part)) for part in np.split(folder, ends)]
    options = [
        [f"{f:.0f} mm" if np.isfinite(f) else "" for f in focal],
        [part[0] if len(part) == 1 else "" for part in kept],
        [f"disc of {_middle(shots.radius_px[group]):.0f} px" for group in groups],
        [f"{k + 1}" for k in range(len(groups))],
    ]
    for option in options:
        if "" not in option and len(set(option)) == len(groups):
            return [f"{camera} ({text})" for text in option]
    raise AssertionError("numbers differ")


def _middle(values: Floats) -> float:
    values = values[np.isfinite(values)]
    return float(np.median(values)) if values.size else np.nan
