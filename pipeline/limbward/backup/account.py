"""One destination of a backup: what was meant to be in it, what is, and its marks of the two."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from limbward.backup.bag import Info, is_sealed, seal, unseal
from limbward.backup.copy import make_folders
from limbward.backup.intent import (
    INCOMING,
    Plan,
    Planned,
    is_there,
    read_plans,
    renewed,
    settle,
    write_plan,
)
from limbward.backup.inventory import Record, write_inventory
from limbward.backup.names import key, printable, utf8_text
from limbward.backup.plan import PAYLOAD, Card, Place

__all__ = ["INCOMING", "Account", "begin", "close", "open_bag"]


@dataclass
class Account:
    """What happened to one destination.

    Attributes
    ----------
    place : Place
    copied, bytes_copied, already_there : int
    mended : list of str
        Copies that had gone bad, by their path in the bag.
    renamed : list of (str, str)
        Path on the card and in the bag.
    lacking : list of str
        What was meant to be in the bag, by this backup or an earlier one, and is not.
    problem : str
        A sentence, if the destination failed.
    plans : dict
        Of every card in the bag, by `names.key` of its folder.
    meant : set of str
        Paths that stand in the plans.
    settled : dict
        By card, the files of this backup that are there: path on the card and record.
    is_open : bool
        Whether the bag is marked as unfinished, so that it may be added to.
    """

    place: Place
    copied: int = 0
    bytes_copied: int = 0
    already_there: int = 0
    mended: list[str] = field(default_factory=list)
    renamed: list[tuple[str, str]] = field(default_factory=list)
    lacking: list[str] = field(default_factory=list)
    problem: str = ""
    plans: dict[str, Plan] = field(default_factory=dict)
    meant: set[str] = field(default_factory=set)
    settled: dict[int, list[tuple[str, Record]]] = field(default_factory=dict)
    is_open: bool = False

    @property
    def done(self) -> bool:
        """Whether all that was ever meant to be in the bag is there."""
        return not (self.problem or self.lacking)

    def to_json_dict(self) -> dict[str, Any]:
        """Return the account for JSON."""
        return {
            "path": utf8_text(str(self.place.root)),
            "done": self.done,
            "problem": utf8_text(self.problem) or None,
            "lacking": [utf8_text(path) for path in self.lacking],
            "files": len(self.place.records),
            "copied": self.copied,
            "bytes_copied": self.bytes_copied,
            "already_there": self.already_there,
            "mended": self.mended,
            "renamed": [{"original": a, "stored": b} for a, b in self.renamed],
        }


def begin(account: Account, cards: Sequence[Card]) -> None:
    """Plan what is meant to be in a bag, and mark it as unfinished if not all of it is there."""
    root, records = account.place.root, account.place.records
    make_folders(root)
    account.plans = read_plans(root)
    sealed = is_sealed(root)
    for card, folder, paths in zip(cards, account.place.folders, account.place.paths, strict=True):
        found = [
            Planned(path, printable(f.relative), f.size, f.mtime_ns)
            for f, path in zip(card.files, paths, strict=True)
        ]
        earlier = account.plans.get(key(folder))
        plan = renewed(earlier, folder, found, records, root)
        if earlier is None or not sealed:  # else a whole listing is known from before
            plan.unlisted = [printable(path) for path, _ in card.unreadable]
        account.plans[key(folder)] = plan
    for folder in {record.path.split("/")[1] for record in records.values()}:
        if key(folder) not in account.plans:
            # Of a bag that was finished, the plan is what is in it; of another it is not known.
            there = [r for r in records.values() if r.path.startswith(f"{PAYLOAD}/{folder}/")]
            entries = [Planned.of(record) for record in there]
            account.plans[key(folder)] = Plan(folder, entries, damaged=not sealed)
    account.meant = {p.path for plan in account.plans.values() for p in plan.files}
    if not sealed or _lacking(account):
        open_bag(account)


def open_bag(account: Account) -> None:
    """Mark a bag as unfinished before anything is added: no manifests any more, then the plans."""
    if account.is_open:
        return
    root = account.place.root
    shutil.rmtree(root / INCOMING, ignore_errors=True)  # files cut off half-way
    (root / INCOMING).mkdir(exist_ok=True)
    unseal(root)
    for plan in account.plans.values():
        if not plan.damaged:  # what is left of one that is damaged is not made to look whole
            write_plan(root, plan)
    write_inventory(root, account.place.records)
    account.is_open = True


def _lacking(account: Account) -> list[str]:
    """Return what was meant to be in a bag and is not."""
    root, records = account.place.root, account.place.records
    lacking = []
    for plan in account.plans.values():
        lacking += [p.path for p in plan.files if not is_there(p, records, root)]
        lacking += [f"{PAYLOAD}/{plan.folder}: {folder}" for folder in plan.unlisted]
        if plan.damaged:
            lacking.append(f"{PAYLOAD}/{plan.folder}: what its plan held")
    return sorted(lacking)


def close(account: Account, describe: Callable[[Path, Sequence[Record]], Info]) -> None:
    """Seal a bag in which all is that was meant to be; leave another marked as unfinished."""
    root, records = account.place.root, account.place.records
    for number, settled in account.settled.items():
        settle(account.plans[key(account.place.folders[number])], settled, records, root)
    account.lacking = _lacking(account)
    if account.lacking:
        if account.is_open:
            account.is_open = False
            open_bag(account)  # with the plans as they are now
        return
    open_bag(account)
    for plan in account.plans.values():
        write_plan(root, plan)
    write_inventory(root, records)
    info = describe(root, list(records.values()))
    shutil.rmtree(root / INCOMING)
    seal(root, records, info)
