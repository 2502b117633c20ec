"""What a bag is meant to hold: one line a file, written before the file takes its place.

The manifests of a bag are written at the end. Until then, and for a bag that gets a second card,
the inventory is what tells a damaged copy from a different file of the same name.
"""

from __future__ import annotations

import json
import re
from dataclasses import asdict, dataclass
from pathlib import Path

from limbward.backup.copy import Digest, write_flushed
from limbward.backup.names import key
from limbward.regular import flush_to_device, open_regular

INVENTORY = "payload.jsonl"
PATH = re.compile(r"data/[^/]+/.+", re.DOTALL)
KINDS = {"path": str, "sha256": str, "sha512": str, "original": str, "size": int, "mtime_ns": int}


@dataclass(frozen=True)
class Record:
    """One file of a bag.

    Attributes
    ----------
    path : str
        In the bag, with forward slashes: ``data/CARD/DCIM/...``.
    size : int
        Bytes.
    sha256, sha512 : str
        Of what was read from the card.
    mtime_ns : int
        Time of modification on the card, ns since 1970.
    card : str
        Name of the folder that was backed up.
    original : str
        Path on the card; bytes that are no UTF-8 as %XX.
    """

    path: str
    size: int
    sha256: str
    sha512: str
    mtime_ns: int
    card: str
    original: str

    @property
    def digest(self) -> Digest:
        """What the content is known by."""
        return Digest(self.size, self.sha256, self.sha512)


Records = dict[str, Record]
"""Records by `names.key` of their path."""


def read_inventory(bag: Path) -> Records:
    """Return the records of a bag, none if it has no inventory.

    A line that is damaged (the last, of a backup that was cut off) is left out: its file is then
    compared with the card's once more.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    records: Records = {}
    try:
        with open_regular(bag / INVENTORY) as file:
            lines = file.read().split(b"\n")
    except FileNotFoundError:
        return records
    for line in lines:
        try:
            record = Record(**json.loads(line))
        except (ValueError, TypeError, RecursionError):
            continue
        typed = all(isinstance(getattr(record, name), kind) for name, kind in KINDS.items())
        if (
            typed
            and re.fullmatch(r"data/[^/]+/.+", record.path)
            and ".." not in record.path.split("/")
        ):
            records[key(record.path)] = record
    return records


def write_inventory(bag: Path, records: Records) -> None:
    """Write all records, in the order of their paths."""
    ordered = sorted(records.values(), key=lambda record: record.path)
    write_flushed(bag / INVENTORY, "".join(_line(record) for record in ordered))


def append_record(bag: Path, record: Record) -> None:
    """Add a record, which is on the device when this returns."""
    with (bag / INVENTORY).open("ab") as file:
        file.write(_line(record).encode("utf-8"))
        file.flush()
        flush_to_device(file.fileno())


def _line(record: Record) -> str:
    return json.dumps(asdict(record), ensure_ascii=False) + "\n"
