"""The merge of a large station in pieces, done ahead of the stage by any who see its files.

A merge is compared at reduced size once; then its frames are decoded to files, some to a piece of
work, and bands of its rows merged from these files, each to a file of its own. The stage finds the
bands and joins them, to the same bytes as if it had done all itself. Files of another card, config
or program are none of it: they lie in folders named by what they were made from.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from limbward.camera.frame import RawFrame, UnreadableFrame
from limbward.errors import LimbwardError
from limbward.radiance.assembly import Plan
from limbward.radiance.bands import Band, Merging, Strip, join_bands, merge_band, rows_of
from limbward.radiance.calibrate import Calibration
from limbward.radiance.comparison import Compared
from limbward.radiance.field import Field
from limbward.radiance.masters import note_use
from limbward.radiance.merge import Merged, MergeFrame
from limbward.radiance.scratch import Room
from limbward.radiance.selection import Frames
from limbward.radiance.survey import Surveyed
from limbward.workspace import Workspace
from limbward.workspace.plain import map_array, read_plain, write_array, write_plain

FOLDER = "state/merge-pieces"
KINDS = ("dark", "inverse_flat", "hot")
Decoded = Iterable[tuple[int, RawFrame | LimbwardError]]


@dataclass(frozen=True)
class Prepared:
    """What the pieces of a merge are told.

    Attributes
    ----------
    merging : Merging
        Its frames without their maps, which lie in a file beside.
    compared : Compared
        Without its maps.
    survey : Surveyed
    used : list of str
        What is done to all frames.
    words : list of str
        What is done to each beside.
    calibration : list of int
        Which calibration each has.
    order : list of int
        In which frames are merged.
    paths : list of str
        Where they lie.
    bands : list of Band
    frame_width : int
        Columns of a frame.
    """

    merging: Merging
    compared: Compared
    survey: Surveyed
    used: list[str]
    words: list[str]
    calibration: list[int]
    order: list[int]
    paths: list[str]
    bands: list[Band]
    frame_width: int


class MergePieces:
    """The files of the pieces of one body's merge.

    Parameters
    ----------
    workspace : Workspace
    key : str
        Digest of what the merge is made from.
    frames : Frames
        Of the body.
    """

    def __init__(self, workspace: Workspace, key: str, frames: Frames) -> None:
        body = hashlib.sha256(f"{key}\0{frames.camera}\0{frames.serial}".encode()).hexdigest()
        self.name = body[:32]
        self._folder = workspace.path(f"{FOLDER}/{self.name}")

    @classmethod
    def named(cls, workspace: Workspace, name: str) -> MergePieces:
        """Return those of a name that another process has told."""
        out = cls.__new__(cls)
        out.name, out._folder = name, workspace.path(f"{FOLDER}/{name}")
        return out

    def _path(self, kind: str, number: int | str = "") -> Path:
        return self._folder / f"{kind}{number}"

    def prepared(self) -> Prepared | None:
        """Return what was prepared; None if nothing was, or it is damaged."""
        try:
            found = read_plain(self._path("plan"))
            maps = map_array(self._path("maps.npy"))
        except LimbwardError:
            return None
        if not isinstance(found, Prepared):
            return None
        frames = [
            replace(f, weight=m[:3], veil=None if f.veil is None else m[3:])
            for f, m in zip(found.merging.frames, maps, strict=True)
        ]
        return replace(found, merging=replace(found.merging, frames=frames))

    def prepare(self, plan: Plan, merging: Merging, bands: Sequence[Band]) -> None:
        """Write what the pieces are told; `prepared` finds it when all is there."""
        masters = plan.masters
        assert masters is not None
        used = list(plan.used)
        known: dict[int, int] = {}
        which, words = [0] * len(merging.frames), [""] * len(merging.frames)
        for k in plan.order:
            calibration = masters(k)
            if id(calibration) not in known:
                known[id(calibration)] = len(known)
                self._write_calibration(len(known) - 1, calibration)
            which[k], words[k] = known[id(calibration)], masters.words(k)
        maps = [np.concatenate([f.weight, *(() if f.veil is None else (f.veil,))])
                for f in merging.frames]  # fmt: skip
        write_array(self._path("maps.npy"), np.stack(maps))
        paths = [str(path) for path in plan.frames.path]
        bare = replace(merging, frames=[_without_maps(f) for f in merging.frames])
        write_plain(
            self._path("plan"),
            Prepared(
                bare, plan.compared.without_maps(), plan.survey.without_frames(), used, words,
                which, plan.order, paths, list(bands), plan.frames.width,
            ),
        )  # fmt: skip

    def _write_calibration(self, number: int, calibration: Calibration) -> None:
        for kind in KINDS:
            array = getattr(calibration, kind)
            if array is not None:
                write_array(self._path(f"{kind}-{number}.npy"), array)

    def _calibration(self, number: int) -> Calibration:
        paths = (self._path(f"{kind}-{number}.npy") for kind in KINDS)
        return Calibration(*(map_array(p) if p.exists() else None for p in paths))

    def decode(self, numbers: Sequence[int], decode: Callable[[Sequence[int]], Decoded]) -> None:
        """Decode frames to files; those that are there are left."""
        todo = [k for k in numbers if not self._path("frame-", k).exists()]
        for k, frame in decode(todo):
            if isinstance(frame, LimbwardError):
                write_plain(self._path("frame-", k), str(frame))
                continue
            write_array(self._path(f"frame-{k}.npy"), frame.data)
            bare = replace(frame, data=frame.data[..., :0, :0].copy())
            write_plain(self._path("frame-", k), bare)

    def _decoded(self, order: Sequence[int]) -> Iterator[tuple[int, RawFrame | LimbwardError]]:
        for k in order:
            bare = read_plain(self._path("frame-", k))
            if isinstance(bare, RawFrame):
                yield k, replace(bare, data=map_array(self._path(f"frame-{k}.npy")))
            else:
                yield k, UnreadableFrame(str(bare))

    def merge(self, number: int) -> None:
        """Merge a band to a file, unless it is there.

        Raises
        ------
        LimbwardError
            If anything it needs is not there.
        """
        path = self._path("band-", number)
        if path.exists():
            return
        prepared = self.prepared()
        if prepared is None:
            raise LimbwardError(f"Nothing is prepared for the merge in {self._folder}.")
        known = [self._calibration(n) for n in range(max(prepared.calibration) + 1)]
        strip = merge_band(
            prepared.merging,
            prepared.bands[number],
            lambda rows: rows_of(self._decoded(prepared.order), rows),
            lambda k, _: known[prepared.calibration[k]],
        )
        write_plain(path, strip)

    def joined(
        self, frames: Frames, field: Field, room: Room
    ) -> tuple[Plan, Merged, Merged | None] | None:
        """Return the merge, if all of its bands are there."""
        prepared = self.prepared()
        if prepared is None:
            return None
        paths = [self._path("band-", n) for n in range(len(prepared.bands))]
        if not all(path.exists() for path in paths):
            return None
        try:
            merged, surface = join_bands(prepared.merging, map(_strip, paths), room)
        except LimbwardError:  # one is damaged
            return None
        used = prepared.used
        for k in prepared.order:
            if k not in merged.failed:
                note_use(used, prepared.words[k])
        todo = list(prepared.merging.frames)
        plan = Plan(frames, field, prepared.survey, None, prepared.compared, todo, used)
        return plan, merged, surface


def _strip(path: Path) -> Strip:
    found = read_plain(path)
    if not isinstance(found, Strip):
        raise LimbwardError(f"{path} is no band of a merge.")
    return found


def _without_maps(frame: MergeFrame) -> MergeFrame:
    none = np.empty((0, 0, 0), np.float32)
    return replace(frame, weight=none, veil=None if frame.veil is None else none)


def remove_pieces(workspace: Workspace) -> None:
    """Remove all pieces of merges, those of others included."""
    folder = workspace.path(FOLDER)
    for path in sorted(folder.glob("*/*")):
        path.unlink(missing_ok=True)
    with suppress(OSError):  # there may be none, or something that is not ours
        for path in folder.glob("*"):
            path.rmdir()
        folder.rmdir()
