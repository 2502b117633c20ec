"""One backup from beginning to end: cards to bags, and an account of every file."""

from __future__ import annotations

import os
import stat
import tempfile
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from limbward.backup.account import INCOMING, Account, begin, close, open_bag
from limbward.backup.bag import Info
from limbward.backup.copy import (
    Digest,
    SourceError,
    flush_file,
    flush_folder,
    make_folders,
    read_digest,
    stream,
)
from limbward.backup.intent import Planned
from limbward.backup.inventory import Record, append_record
from limbward.backup.names import beside, key, printable, utf8_text
from limbward.backup.plan import Card, Found, originals, plan, read_card
from limbward.errors import LimbwardError
from limbward.regular import take_place

Progress = Callable[[int, int], None]


@dataclass
class Outcome:
    """What a backup did.

    Attributes
    ----------
    cards : list of Card
    accounts : list of Account
        One a destination.
    failed : list of (str, str)
        Files that could not be read, and why.
    duplicates : list of list of str
        Files of the cards with the same content; every one of them was copied.
    """

    cards: list[Card]
    accounts: list[Account]
    failed: list[tuple[str, str]] = field(default_factory=list)
    duplicates: list[list[str]] = field(default_factory=list)

    @property
    def ok(self) -> bool:
        """Whether every file is in every destination."""
        return not self.failed and all(a.done for a in self.accounts)

    def to_json_dict(self) -> dict[str, Any]:
        """Return the outcome for JSON."""
        return {
            "ok": self.ok,
            "sources": [utf8_text(str(card.root)) for card in self.cards],
            "files": sum(len(card.files) for card in self.cards),
            "bytes": sum(found.size for card in self.cards for found in card.files),
            "destinations": [account.to_json_dict() for account in self.accounts],
            "failed": [{"file": utf8_text(f), "reason": why} for f, why in self.failed],
            "duplicates": self.duplicates,
            "passed_over": [utf8_text(note) for card in self.cards for note in card.notes],
        }


def back_up(
    sources: Sequence[Path],
    destinations: Sequence[Path],
    describe: Callable[[Path, Sequence[Record]], Info],
    progress: Progress | None = None,
) -> Outcome:
    """Copy cards to bags, flush them to the disks, read them back and compare.

    What is in a destination already, from a backup that was cut off or of another card, is kept:
    a file counts as there when its content, read again from both sides, is the same.

    Parameters
    ----------
    sources : sequence of Path
        Folders; only ever read.
    destinations : sequence of Path
        Each becomes a bag of all sources. The sources are read once for all of them.
    describe : callable
        Takes a bag and its records and returns fields for its bag-info.txt.
    progress : callable, optional
        Called with the number of files done and their total.

    Returns
    -------
    Outcome
        Problems of single files and destinations included: the others go on.

    Raises
    ------
    ConfigError
        If a destination lies inside a card, or the other way round.
    LimbwardError
        If there is nothing to copy, too little room, or a destination holds something else.
    """
    cards = [read_card(source) for source in sources]
    if not any(card.files for card in cards):
        raise LimbwardError(f"There are no files in {', '.join(str(c.root) for c in cards)}.")
    with ExitStack() as stack:
        for destination in destinations:
            _lock(destination, stack)
        outcome = Outcome(cards, [Account(place) for place in plan(cards, destinations)])
        outcome.failed += [missed for card in cards for missed in card.unreadable]
        for account in outcome.accounts:
            account.renamed += originals(cards, account.place)
            _guarded(account, lambda a: begin(a, cards))
        _copy_all(cards, outcome, progress)
        outcome.duplicates += _duplicates(outcome)
        for account in outcome.accounts:
            _guarded(account, lambda a: close(a, describe))
    return outcome


def _lock(destination: Path, stack: ExitStack) -> None:
    """Keep other backups out of a destination; nothing of this stays in it."""
    name = sha256(os.fsencode(destination.resolve())).hexdigest()[:16]
    folder = os.environ.get("TMPDIR") or "for temporary files"
    try:
        folder = tempfile.gettempdir()
        lock = FileLock(Path(folder) / f"limbward-backup-{name}.lock")
        lock.acquire(timeout=0)
    except Timeout:
        raise LimbwardError(
            f"Another backup to {destination} is running; wait for it to end. "
        ) from None
    except OSError as error:
        raise LimbwardError(
            f"The folder {folder} cannot be written to ({error.strerror or error}); a backup "
            "needs a lock file there. Make room in it, or set TMPDIR to another folder."
        ) from error
    stack.callback(lock.release)


@contextmanager
def _charged_to(account: Account) -> Iterator[None]:
    """Take a failure as that of one destination: the others go on."""
    try:
        yield
    except OSError as error:
        account.problem = f"{account.place.root}: {error.strerror or error}."
    except LimbwardError as error:
        account.problem = str(error)


def _guarded(account: Account, work: Callable[[Account], None]) -> None:
    """Do something for a destination, unless it has failed already."""
    if not account.problem:
        with _charged_to(account):
            work(account)


def _copy_all(cards: Sequence[Card], outcome: Outcome, progress: Progress | None) -> None:
    total, done = sum(len(card.files) for card in cards), 0
    with ThreadPoolExecutor(len(outcome.accounts)) as pool:
        for number, card in enumerate(cards):
            for index, found in enumerate(card.files):
                wanted = [(a, a.place.paths[number][index]) for a in outcome.accounts]
                try:
                    for account, record in _copy_one(card, found, wanted, pool):
                        there = account.settled.setdefault(number, [])
                        there.append((printable(found.relative), record))
                except SourceError as error:
                    outcome.failed.append((str(found.path), str(error)))
                done += 1
                if progress is not None:
                    progress(done, total)


def _copy_one(
    card: Card, found: Found, wanted: Sequence[tuple[Account, str]], pool: ThreadPoolExecutor
) -> list[tuple[Account, Record]]:
    """Bring one file to every destination that does not have it; return where it is now."""
    todo: list[tuple[Account, str]] = []
    there: list[tuple[Account, Record]] = []
    known: Digest | None = None
    for account, path in wanted:
        if account.problem:
            continue
        place = account.place
        if key(path) in place.records or os.path.lexists(place.root / path):
            if known is None:
                known = _source_digest(found)
            with _charged_to(account):
                settled = _settle(account, card, found, path, known)
                if isinstance(settled, Record):
                    there.append((account, settled))
                else:
                    todo.append((account, settled))
        else:
            todo.append((account, path))
    for account, path in todo:
        _guarded(account, _Opening(card, found, path))
    todo = [(account, path) for account, path in todo if not account.problem]
    if not todo:
        return there
    parts = {a.place.root / INCOMING / "file": (a, path) for a, path in todo}
    digest, failed = stream(found.path, list(parts))
    if known is not None and digest != known:
        raise SourceError("it gives different bytes each time it is read")
    for part, error in failed.items():
        parts[part][0].problem = f"{parts[part][0].place.root}: {error.strerror or error}."
    jobs = [
        pool.submit(_guarded, account, _Arrival(card, found, part, path, digest))
        for part, (account, path) in parts.items()
        if part not in failed
    ]
    for job in jobs:
        job.result()
    there += [(a, a.place.records[key(path)]) for a, path in todo if not a.problem]
    return there


@dataclass(frozen=True)
class _Opening:
    """Marking a bag as unfinished for a file that is about to come, as its plan says."""

    card: Card
    found: Found
    path: str

    def __call__(self, account: Account) -> None:
        plan = account.plans[key(self.path.split("/")[1])]
        found = self.found
        planned = Planned(self.path, printable(found.relative), found.size, found.mtime_ns)
        if self.path not in account.meant:  # its place was taken
            plan.files.append(planned)
            account.meant.add(self.path)
            account.is_open = False
        open_bag(account)


def _source_digest(found: Found) -> Digest:
    try:
        return read_digest(found.path)
    except OSError as error:
        raise SourceError(error.strerror or str(error)) from error


def _settle(account: Account, card: Card, found: Found, path: str, digest: Digest) -> str | Record:
    """Return where a file goes whose place is taken, or its record if it is there already.

    Nothing is overwritten but a copy of this very content that has gone bad.

    Raises
    ------
    LimbwardError
        If something that no backup recorded is in the way.
    OSError
        If what is there cannot be read.
    """
    place = account.place
    for candidate in (path, beside(path, digest.sha256[:12])):
        record = place.records.get(key(candidate))
        target = place.root / (record.path if record else candidate)
        there = os.path.lexists(target)
        if there and _is_copy(target, found) and read_digest(target) == digest:
            if record is None:
                open_bag(account)
                record = place.records[key(candidate)] = _record(card, found, candidate, digest)
                append_record(place.root, record)
            account.already_there += 1
            return record
        if record is not None and record.digest == digest:
            account.mended.append(record.path)
            return record.path
        if record is None and not there:
            account.renamed.append((printable(found.relative), candidate))
            return candidate
    raise LimbwardError(f"{place.root / path} is in the way of {found.path}; move it elsewhere.")


def _is_copy(target: Path, found: Found) -> bool:
    """Return whether what is in a place is a file of its own, not the card's by another name."""
    status = target.lstat()
    return stat.S_ISREG(status.st_mode) and (status.st_dev, status.st_ino) != found.identity


def _record(card: Card, found: Found, path: str, digest: Digest) -> Record:
    return Record(
        path=path,
        size=digest.size,
        sha256=digest.sha256,
        sha512=digest.sha512,
        mtime_ns=found.mtime_ns,
        card=printable(card.root.name),
        original=printable(found.relative),
    )


@dataclass(frozen=True)
class _Arrival:
    """The last steps of a copy in one destination: flush, read back, compare, put in place."""

    card: Card
    found: Found
    part: Path
    path: str
    digest: Digest

    def __call__(self, account: Account) -> None:
        place = account.place
        flush_file(self.part, self.found.mtime_ns)
        if read_digest(self.part) != self.digest:
            raise LimbwardError(
                f"{place.root} returned other bytes than were written for {self.found.path}; do "
                "not trust this disk or its cable."
            )
        record = _record(self.card, self.found, self.path, self.digest)
        if place.records.get(key(self.path)) != record:
            append_record(place.root, record)
            place.records[key(self.path)] = record
        target = place.root / self.path
        make_folders(target.parent)
        take_place(self.part, target)
        flush_folder(target.parent)
        account.copied += 1
        account.bytes_copied += self.digest.size


def _duplicates(outcome: Outcome) -> list[list[str]]:
    """Return groups of files of the bags with the same content, empty files left out."""
    groups: dict[str, set[str]] = defaultdict(set)
    for account in outcome.accounts:
        for record in account.place.records.values():
            if record.size:
                groups[record.sha256].add(record.path)
    return sorted(sorted(paths) for paths in groups.values() if len(paths) > 1)
