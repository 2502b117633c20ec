"""What a backup will copy and where to: decided, and refused if need be, before it writes."""

from __future__ import annotations

import os
import shutil
import stat
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from limbward.backup.intent import INCOMING, PLANS, alike
from limbward.backup.inventory import INVENTORY, Records, read_inventory
from limbward.backup.names import beside, key, portable, printable
from limbward.errors import ConfigError, LimbwardError

PAYLOAD = "data"
# Per file: its lines in two manifests and the inventory, and the unfilled end of its last block
# (clusters of exFAT are up to 128 kB on disks over 32 GB).
OVERHEAD_BYTES = 128 << 10
Identity = tuple[int, int]
"""Device and inode: one folder or file, by whatever link or mount it is reached."""


@dataclass(frozen=True)
class Found:
    """A file on a card; ``relative`` has forward slashes, the card's folder left out."""

    path: Path
    relative: str
    size: int
    mtime_ns: int
    identity: Identity


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
    folders : dict
        Of its folders, itself included, the path by `Identity`.
    """

    root: Path
    name: str
    files: tuple[Found, ...]
    notes: tuple[str, ...]
    unreadable: tuple[tuple[str, str], ...]
    folders: dict[Identity, Path]


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
    folders : list of str
        For each card, its folder below ``data/``.
    """

    root: Path
    records: Records
    paths: list[list[str]]
    folders: list[str]


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
    known: dict[Identity, Path] = {}

    def cannot(error: OSError) -> None:
        unreadable.append((str(error.filename), error.strerror or str(error)))

    for folder, folders, names in os.walk(root, onerror=cannot):
        here = Path(folder)
        folders.sort()
        try:
            known[_identity(here.stat())] = here
        except OSError as error:
            cannot(error)
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
                notes.append(f"{path} is not a regular file and was left out.")
            else:
                relative = path.relative_to(root).as_posix()
                files.append(
                    Found(path, relative, status.st_size, status.st_mtime_ns, _identity(status))
                )
    name = portable(root.resolve().name) or "card"
    return Card(root, name, tuple(files), tuple(notes), tuple(unreadable), known)


def _identity(status: os.stat_result) -> Identity:
    return status.st_dev, status.st_ino


def plan(cards: Sequence[Card], destinations: Sequence[Path]) -> list[Place]:
    """Decide where every file goes, writing nothing.

    Raises
    ------
    ConfigError
        If a destination and a card, or two destinations, lie one inside the other.
    LimbwardError
        If a destination holds something else, links, or the very files of a card, or has too
        little room.
    """
    places = [d.absolute() for d in destinations]
    _refuse_nested(cards, places)
    planned = []
    for root in places:
        _refuse_foreign(root)
        _refuse_links(root, cards)
        records = read_inventory(root)
        taken: set[str] = set()
        named = [_paths(card, records, taken) for card in cards]
        planned.append(Place(root, records, [p for _, p in named], [name for name, _ in named]))
    _refuse_full(cards, planned)
    return planned


def _refuse_nested(cards: Sequence[Card], destinations: list[Path]) -> None:
    real = [d.resolve() for d in destinations]
    for i, here in enumerate(real):
        above = [_identity(f.stat()) for f in (here, *here.parents) if f.is_dir()]
        for card in cards:
            root = card.root.resolve()
            if any(identity in card.folders for identity in above):
                raise ConfigError(
                    f"The destination {here} lies inside the card {root}; nothing is written to a "
                    "card. Name a folder on another disk."
                )
            if any(_is_same_folder(here, folder) for folder in root.parents):
                raise ConfigError(f"The card {root} lies inside the destination {here}.")
        for other in real[:i]:
            if here == other or here in other.parents or other in here.parents:
                raise ConfigError(
                    f"The destinations {other} and {here} overlap; name separate folders."
                )


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
        holds = [path.name for path in root.iterdir()]
        # A backup that was cut off before its plan has made one empty folder.
        just_begun = holds == [INCOMING] and not any((root / INCOMING).iterdir())
    except OSError as error:
        raise LimbwardError(f"{root} cannot be read ({error.strerror}).") from error
    ours = (root / INVENTORY).is_file() or (root / PLANS).is_dir() or just_begun
    if holds and not ours:
        raise LimbwardError(
            f"{root} holds something other than a backup made by limbward, so it was not touched; "
            f"name a new or empty folder, such as {root / 'eclipse'}."
        )


def _refuse_links(root: Path, cards: Sequence[Card]) -> None:
    """Raise if a destination holds anything but files and folders of its own.

    Through a link, a mount or a second name of a file, a card would be compared with itself, and
    be called its own copy.
    """
    if not root.exists():
        return
    files = {found.identity: found.path for card in cards for found in card.files}
    folders = {i: path for card in cards for i, path in card.folders.items()}

    def cannot(error: OSError) -> None:
        raise LimbwardError(f"{error.filename} cannot be read ({error.strerror}).") from error

    for folder, below, names in os.walk(root, onerror=cannot):
        here = Path(folder)
        if below_card := folders.get(_identity(here.stat())):
            raise ConfigError(
                f"{here} in the destination is the folder {below_card} of the card itself, by "
                "another mount; name a folder on another disk."
            )
        for path in (here / name for name in (*below, *names)):
            status = path.lstat()
            if stat.S_ISDIR(status.st_mode):
                continue
            if not stat.S_ISREG(status.st_mode):
                kind = "a link" if stat.S_ISLNK(status.st_mode) else "neither a file nor a folder"
                raise LimbwardError(
                    f"{path} is {kind}; a backup needs real copies. Remove it, or name a new "
                    "folder."
                )
            if original := files.get(_identity(status)):
                raise LimbwardError(
                    f"{path} is the file {original} itself under a second name, not a copy. "
                    "Remove it, or name a folder on another disk."
                )


def _paths(card: Card, records: Records, taken: set[str]) -> tuple[str, list[str]]:
    """Return the card's folder in the bag, which joins ``taken``, and each file's path there."""
    number = 1
    while True:
        name = card.name if number == 1 else f"{card.name}-{number}"
        number += 1
        if key(name) in taken:
            continue
        paths = _apart(f"{PAYLOAD}/{name}/{portable(f.relative)}" for f in card.files)
        if _is_same_card(card, paths, records):
            taken.add(key(name))
            return name, paths


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
            same += alike(record, found)
            different += not alike(record, found)
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
