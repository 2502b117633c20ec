"""What a backup will copy and where to: decided, and refused if need be, before it writes."""

from __future__ import annotations

import os
import shutil
import stat
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from limbward.backup.inventory import INVENTORY, Records, read_inventory
from limbward.backup.names import beside, key, portable, printable
from limbward.errors import ConfigError, LimbwardError

PAYLOAD = "data"
# Per file: its lines in two manifests and the inventory, and the unfilled end of its last block
# (clusters of exFAT are up to 128 kB on disks over 32 GB).
OVERHEAD_BYTES = 128 << 10
ZONE_STEP_S = 900.0  # clocks of FAT cards have no zone: the same file may appear shifted by it
FAT_STEP_S = 2.0


@dataclass(frozen=True)
class Found:
    """A file on a card; ``relative`` has forward slashes, the card's folder left out."""

    path: Path
    relative: str
    size: int
    mtime_ns: int


@dataclass(frozen=True)
class Card:
    """A folder to back up.

    Attributes
    ----------
    root : Path
    name : str
        Of its folder in a bag, unless that is taken.
    files : tuple of Found
    notes : tuple of str
        A sentence for each thing that is no file.
    unreadable : tuple of (str, str)
        Folders that could not be listed, and why.
    """

    root: Path
    name: str
    files: tuple[Found, ...]
    notes: tuple[str, ...]
    unreadable: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Place:
    """Where the files of the cards go in one bag.

    Attributes
    ----------
    root : Path
        The bag.
    records : dict
        Of what it is meant to hold so far.
    paths : list of list of str
        For each card and file, its path in the bag.
    """

    root: Path
    records: Records
    paths: list[list[str]]


def read_card(root: Path) -> Card:
    """List every regular file of a card, hidden ones included.

    Links are not followed, and pipes and devices are not opened; there is a note about each.

    Raises
    ------
    ConfigError
        If there is no such folder.
    """
    root = root.absolute()
    if not root.is_dir():
        raise ConfigError(f"There is no folder {root}. Connect the card or correct the path.")
    notes: list[str] = []
    unreadable: list[tuple[str, str]] = []
    files: list[Found] = []

    def cannot(error: OSError) -> None:
        unreadable.append((str(error.filename), error.strerror or str(error)))

    for folder, folders, names in os.walk(root, onerror=cannot):
        here = Path(folder)
        folders.sort()
        notes += [
            f"The link {here / f} was not followed." for f in folders if (here / f).is_symlink()
        ]
        for name in sorted(names):
            path = here / name
            try:
                status = path.lstat()
            except OSError as error:
                unreadable.append((str(path), error.strerror or str(error)))
                continue
            if stat.S_ISLNK(status.st_mode):
                notes.append(f"The link {path} was not followed.")
            elif not stat.S_ISREG(status.st_mode):
                notes.append(f"{path} is not a regular file and was passed over.")
            else:
                relative = path.relative_to(root).as_posix()
                files.append(Found(path, relative, status.st_size, status.st_mtime_ns))
    name = portable(root.resolve().name) or "card"
    return Card(root, name, tuple(files), tuple(notes), tuple(unreadable))


def plan(cards: Sequence[Card], destinations: Sequence[Path]) -> list[Place]:
    """Decide where every file goes, writing nothing.

    Raises
    ------
    ConfigError
        If a destination and a card, or two destinations, lie one inside the other.
    LimbwardError
        If a destination holds something else, or has too little room.
    """
    places = [d.absolute() for d in destinations]
    _refuse_nested([card.root for card in cards], places)
    planned = []
    for root in places:
        _refuse_foreign(root)
        records = read_inventory(root)
        taken: set[str] = set()
        planned.append(Place(root, records, [_paths(card, records, taken) for card in cards]))
    _refuse_full(cards, planned)
    return planned


def _refuse_nested(sources: list[Path], destinations: list[Path]) -> None:
    real = [d.resolve() for d in destinations]
    for i, here in enumerate(real):
        for source in sources:
            card = source.resolve()
            if any(_is_same_folder(card, folder) for folder in (here, *here.parents)):
                raise ConfigError(
                    f"The destination {here} lies inside the card {card}; nothing is written to a "
                    "card. Name a folder on another disk."
                )
            if any(_is_same_folder(here, folder) for folder in card.parents):
                raise ConfigError(f"The card {card} lies inside the destination {here}.")
        for other in real[:i]:
            if here == other or here in other.parents or other in here.parents:
                raise ConfigError(f"The destinations {other} and {here} are not apart.")


def _is_same_folder(a: Path, b: Path) -> bool:
    """Return whether two paths lead to one folder, by whatever mount or spelling."""
    try:
        return os.path.samefile(a, b)
    except OSError:  # one is not there yet
        return a == b


def _refuse_foreign(root: Path) -> None:
    """Raise if a destination is anything but absent, an empty folder, or a backup of ours."""
    if not os.path.lexists(root):
        return
    if not root.is_dir():
        raise LimbwardError(f"{root} is not a folder; name another destination.")
    try:
        holds = any(root.iterdir())
    except OSError as error:
        raise LimbwardError(f"{root} cannot be read ({error.strerror}).") from error
    if holds and not (root / INVENTORY).is_file():
        raise LimbwardError(
            f"{root} holds something other than a backup made here, which is left alone; name a "
            f"folder that is new or empty, such as {root / 'eclipse'}."
        )


def _paths(card: Card, records: Records, taken: set[str]) -> list[str]:
    """Return the path of each file below the card's folder in the bag, which joins ``taken``."""
    number = 1
    while True:
        name = card.name if number == 1 else f"{card.name}-{number}"
        number += 1
        if key(name) in taken:
            continue
        paths = _apart(f"{PAYLOAD}/{name}/{portable(f.relative)}" for f in card.files)
        if _is_same_card(card, paths, records):
            taken.add(key(name))
            return paths


def _apart(paths: Iterable[str]) -> list[str]:
    """Return the paths, numbered where a file system might take two for one."""
    found: list[str] = []
    keys: set[str] = set()
    for path in paths:
        wanted, number = path, 1
        while key(wanted) in keys:
            number += 1
            wanted = beside(path, str(number))
        keys.add(key(wanted))
        found.append(wanted)
    return found


def _is_same_card(card: Card, paths: list[str], records: Records) -> bool:
    """Return whether files recorded under these paths look like the card's own.

    Only a guess, by size and time, at the folder's name: contents are compared before anything is
    taken for there already, and nothing is overwritten if the guess is wrong.
    """
    same = different = 0
    for found, path in zip(card.files, paths, strict=True):
        record = records.get(key(path))
        if record is not None:
            shift_s = abs(record.mtime_ns - found.mtime_ns) / 1e9 % ZONE_STEP_S
            near = min(shift_s, ZONE_STEP_S - shift_s) <= FAT_STEP_S
            same += near and record.size == found.size
            different += not (near and record.size == found.size)
    return same > different or same + different == 0


def _refuse_full(cards: Sequence[Card], places: Sequence[Place]) -> None:
    """Raise if the files do not fit; destinations on one disk share its room."""
    needs: dict[int, int] = defaultdict(int)
    disks: dict[int, Path] = {}
    for place in places:
        disk = _nearest_folder(place.root)
        device = disk.stat().st_dev
        disks.setdefault(device, disk)
        for card, paths in zip(cards, place.paths, strict=True):
            for found, path in zip(card.files, paths, strict=True):
                if not _has_size(place.root / path, found.size):
                    needs[device] += found.size + OVERHEAD_BYTES
    for device, need in needs.items():
        free = shutil.disk_usage(disks[device]).free
        if need > free:
            raise LimbwardError(
                f"{disks[device]} has {free / 1e9:.2f} GB free, and {need / 1e9:.2f} GB are "
                "needed; nothing was written."
            )


def _nearest_folder(path: Path) -> Path:
    while not path.is_dir():
        path = path.parent
    return path


def _has_size(path: Path, size: int) -> bool:
    try:
        return path.lstat().st_size == size
    except OSError:
        return False


def originals(cards: Sequence[Card], place: Place) -> list[tuple[str, str]]:
    """Return (path on the card, path in the bag) of the files whose name was changed."""
    changed = []
    for card, paths in zip(cards, place.paths, strict=True):
        for found, path in zip(card.files, paths, strict=True):
            if path.split("/", 2)[2] != found.relative:
                changed.append((printable(found.relative), path))
    return changed
