"""What was meant to be in a bag: a plan for each card, on the device before the first copy.

The manifests of a bag are written when all that was meant to be in it is there, and are taken away
before anything is added. A bag without them is good to nobody, whatever becomes of the plans; with
them, the plans tell of files that are gone from the bag and its manifests alike.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any, Protocol

from limbward.backup.copy import make_folders, write_flushed
from limbward.backup.inventory import Record, Records
from limbward.backup.names import key
from limbward.regular import open_regular

PLANS = "plan"
INCOMING = "incoming.part"  # exists while a backup is at work, or was cut off
ZONE_STEP_S = 900.0  # clocks of FAT cards have no zone: the same file may appear shifted by it
FAT_STEP_S = 2.0
LONGEST_NAME = 120  # bytes of a card's name in that of its plan; file systems take 255 in all


class Dated(Protocol):
    """Anything that a card's file may be recognised by without reading it."""

    @property
    def size(self) -> int:
        """Bytes."""

    @property
    def mtime_ns(self) -> int:
        """Time of modification, ns since 1970."""


def alike(a: Dated, b: Dated) -> bool:
    """Return whether two files have one size and one time, but for the zone of a FAT clock."""
    shift_s = abs(a.mtime_ns - b.mtime_ns) / 1e9 % ZONE_STEP_S
    return a.size == b.size and min(shift_s, ZONE_STEP_S - shift_s) <= FAT_STEP_S


@dataclass(frozen=True)
class Planned:
    """A file that is meant to be in a bag.

    Attributes
    ----------
    path : str
        In the bag.
    original : str
        On the card; bytes that are no UTF-8 as %XX.
    size : int
        Bytes.
    mtime_ns : int
        Time of modification on the card, ns since 1970.
    """

    path: str
    original: str
    size: int
    mtime_ns: int

    @classmethod
    def of(cls, record: Record) -> Planned:
        """Return the plan of a file that is there."""
        return cls(record.path, record.original, record.size, record.mtime_ns)


@dataclass
class Plan:
    """The plan of one card.

    Attributes
    ----------
    folder : str
        Of the card below ``data/``.
    files : list of Planned
    unlisted : list of str
        Folders of the card that could not be listed: what is in them is not known.
    damaged : bool
        Whether the plan cannot be read whole, so that more may have been meant.
    """

    folder: str
    files: list[Planned] = field(default_factory=list)
    unlisted: list[str] = field(default_factory=list)
    damaged: bool = False

    @property
    def name(self) -> str:
        """Path of the plan in the bag."""
        name = self.folder
        if len(name.encode()) > LONGEST_NAME:
            name = sha256(name.encode()).hexdigest()[:16]
        return f"{PLANS}/{name}.jsonl"


def read_plans(bag: Path) -> dict[str, Plan]:
    """Return the plans in a bag by `names.key` of their folder, none if there are none.

    Raises
    ------
    OSError
        If one cannot be read.
    """
    plans: dict[str, Plan] = {}
    for path in sorted((bag / PLANS).glob("*.jsonl")):
        with open_regular(path) as file:
            plan = _parsed(path, file.read())
        plans[key(plan.folder)] = plan
    return plans


def _parsed(path: Path, content: bytes) -> Plan:
    head, *lines = content.split(b"\n")
    first = _object(head)
    folder, unlisted, count = (first.get(n) for n in ("folder", "unlisted", "files"))
    plan = Plan(folder if isinstance(folder, str) else path.stem)
    plan.damaged = not isinstance(folder, str) or not isinstance(unlisted, list)
    plan.unlisted = [str(u) for u in unlisted] if isinstance(unlisted, list) else []
    for line in lines:
        entry = _object(line)
        try:
            planned = Planned(**entry)
        except TypeError:
            continue  # the count tells
        if [type(v) for v in asdict(planned).values()] == [str, str, int, int]:
            plan.files.append(planned)
    plan.damaged |= count != len(plan.files) or path.name != Path(plan.name).name
    return plan


def _object(line: bytes) -> dict[str, Any]:
    try:
        found = json.loads(line)
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def write_plan(bag: Path, plan: Plan) -> None:
    """Write a plan, which is on the device when this returns."""
    head = {"folder": plan.folder, "files": len(plan.files), "unlisted": plan.unlisted}
    entries = sorted(plan.files, key=lambda planned: (planned.path, planned.size, planned.mtime_ns))
    lines = [json.dumps(e, ensure_ascii=False) for e in (head, *map(asdict, entries))]
    make_folders(bag / PLANS)
    write_flushed(bag / plan.name, "\n".join(lines) + "\n")


def is_there(planned: Planned, records: Records, bag: Path) -> bool:
    """Return whether a planned file was copied and still lies in the bag, by size and time."""
    record = records.get(key(planned.path))
    if record is None or not alike(planned, record):
        return False
    try:
        return (bag / record.path).lstat().st_size == record.size
    except OSError:
        return False


def renewed(
    plan: Plan | None, folder: str, found: Iterable[Planned], records: Records, bag: Path
) -> Plan:
    """Return the plan of a card that is seen once more, with what is on it now.

    What was meant and is neither in the bag nor on the card any more stays in the plan: a card that
    shows only half of its files must not make half of them enough.
    """
    now = list(found)
    shown = {key(planned.path) for planned in now}
    kept = [
        planned
        for planned in (plan.files if plan else ())
        if is_there(planned, records, bag) or key(planned.path) not in shown
    ]
    by_original: dict[str, list[Planned]] = {}
    for planned in kept:
        by_original.setdefault(planned.original, []).append(planned)
    for planned in now:
        if not any(alike(planned, other) for other in by_original.get(planned.original, ())):
            kept.append(planned)
    return Plan(folder, kept)


def settle(plan: Plan, settled: Sequence[tuple[str, Record]], records: Records, bag: Path) -> None:
    """Take files of the card, by their path on it, as those of records, wherever they were planned.

    A file whose place was taken lies beside it, and one that was there already may have another
    time of modification.
    """
    by_path = {key(record.path): record for _, record in settled}
    originals = {original for original, _ in settled}
    plan.files = [
        planned
        for planned in plan.files
        if key(planned.path) not in by_path
        and (planned.original not in originals or is_there(planned, records, bag))
    ]
    plan.files += [Planned.of(record) for record in by_path.values()]
