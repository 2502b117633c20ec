"""Break bags at random: no bag that is not as its card was may be called good.

    python -m tests.robustness.fuzz_bags --bags 500

makes so many backups, most of them cut off by failures or kills at a random moment or changed
afterwards, and ends with status 1 if one was called good whose payload is not that of the cards,
or that was changed in any other way; or if a sound or resumed one was not called good.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import bagit

from limbward.backup import copy, job
from limbward.backup.describe import describe
from limbward.backup.intent import INCOMING, PLANS
from limbward.backup.inventory import INVENTORY
from limbward.backup.verify import verify_bag
from limbward.errors import LimbwardError
from tests.robustness.case import state

SYNCS = 60  # calls that a small backup makes, about: a kill falls at any of them


class Killed(BaseException):
    """The end of a process, as far as nothing after it runs."""


@dataclass
class Tally:
    """What became of the bags."""

    tried: Counter[str] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)


def a_card(root: Path, rng: random.Random, count: int) -> Path:
    """Write small files, some of one length, some empty."""
    for number in range(count):
        path = root / f"DCIM/10{rng.randrange(2)}TESTA/TST_{number:04d}.DNG"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(rng.randbytes(rng.choice([0, 40, 40, 700])))
        os.utime(path, (1.7e9 + number, 1.7e9 + number))
    return root


def is_good(bag: Path) -> bool:
    """Return whether a bag is called good, which what is no bag is not."""
    try:
        return verify_bag(bag).ok
    except LimbwardError:
        return False


def payload(root: Path) -> dict[str, bytes]:
    """Return the content of every file below a folder that is no link."""
    paths = (p for p in sorted(root.rglob("*")) if p.is_file() and not p.is_symlink())
    return {p.relative_to(root).as_posix(): p.read_bytes() for p in paths}


@contextmanager
def failing(rng: random.Random, bag: Path) -> Iterator[None]:
    """Let a backup fail at a random moment: of the card, of the disk, of the process."""
    kind = rng.choice(["card", "full", "killed", "killed", "lies"])
    left = [rng.randrange(SYNCS) if kind in ("full", "killed") else rng.randrange(8)]
    genuine: dict[str, Callable[..., object]] = {
        "fsync": os.fsync,
        "stream": job.stream,
        "read_digest": job.read_digest,
    }

    def fsync(number: int) -> object:
        left[0] -= 1
        if left[0] < 0 and kind == "killed":
            raise Killed
        if left[0] < 0:
            raise OSError(28, "No space left on device")
        return genuine["fsync"](number)

    def stream(*args: object) -> object:
        left[0] -= 1
        if left[0] < 0:
            raise copy.SourceError("Input/output error")
        return genuine["stream"](*args)

    def read_digest(path: Path) -> object:
        left[0] -= bag in path.parents
        found = genuine["read_digest"](path)
        return copy.Digest(0, "", "") if left[0] == 0 and bag in path.parents else found

    where = {"card": (job, stream), "full": (os, fsync), "killed": (os, fsync)}
    module, function = where.get(kind, (job, read_digest))
    setattr(module, function.__name__, function)
    try:
        yield
    finally:
        setattr(module, function.__name__, genuine[function.__name__])


def one_line(path: Path, rng: random.Random, change: Callable[[str], str]) -> None:
    """Change one line of a text file that has any."""
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    if lines:
        at = rng.randrange(len(lines))
        lines[at] = change(lines[at])
        path.write_text("".join(lines), encoding="utf-8")


def files_of(bag: Path) -> list[Path]:
    """Return the payload, links left out."""
    return [p for p in sorted((bag / "data").rglob("*")) if p.is_file() and not p.is_symlink()]


def fit_manifests(bag: Path) -> None:
    """Make manifests and Payload-Oxum fit what is in a bag; plan and inventory stay."""
    for path in [*bag.glob("manifest-*"), *bag.glob("tagmanifest-*")]:
        lines = path.read_text().splitlines(keepends=True)
        kept = [line for line in lines if (bag / line.split(None, 1)[1].strip()).is_file()]
        path.write_text("".join(kept))
    bagit.Bag(str(bag)).save(manifests=True)


def flip(bag: Path, rng: random.Random) -> None:
    """Flip a bit of the payload."""
    path = rng.choice([p for p in files_of(bag) if p.stat().st_size])
    content = bytearray(path.read_bytes())
    content[rng.randrange(len(content))] ^= 1 << rng.randrange(8)
    path.write_bytes(content)


def swap(bag: Path, rng: random.Random) -> None:
    """Swap the names of two files of different content."""
    one = rng.choice(files_of(bag))
    other = rng.choice([p for p in files_of(bag) if p.read_bytes() != one.read_bytes()])
    first, second = one.read_bytes(), other.read_bytes()
    one.write_bytes(second)
    other.write_bytes(first)


def link(bag: Path, rng: random.Random) -> None:
    """Put a link in a file's place, to the same content elsewhere."""
    path = rng.choice(files_of(bag))
    aside = bag.parent / f"aside-{rng.random()}"
    path.rename(aside)
    path.symlink_to(aside)


def add(bag: Path, rng: random.Random) -> None:
    """Add a file that nobody meant to be there."""
    (files_of(bag)[0].parent / f"added-{rng.random()}").write_bytes(rng.randbytes(9))


def edit_manifest(bag: Path, rng: random.Random) -> None:
    """Change or drop a line of a manifest."""
    path = rng.choice(sorted(bag.glob("*manifest-*.txt")))
    one_line(path, rng, lambda x: rng.choice(["", x[1:2] + x[:1] + x[2:] if x[0] != x[1] else ""]))


def edit_plan(bag: Path, rng: random.Random) -> None:
    """Drop a file from a plan and make its count fit."""
    path = rng.choice(sorted((bag / PLANS).iterdir()))
    head, *lines = path.read_text().splitlines()
    del lines[rng.randrange(len(lines))]
    first = json.loads(head) | {"files": len(lines)}
    path.write_text("\n".join([json.dumps(first), *lines]) + "\n")


def edit_oxum(bag: Path, rng: random.Random) -> None:
    """State another size of the payload."""
    path = bag / "bag-info.txt"
    path.write_text(
        path.read_text().replace("Payload-Oxum: ", f"Payload-Oxum: {rng.choice('123')}")
    )


def shrink_consistently(bag: Path, rng: random.Random) -> None:
    """Remove a file and make all manifests fit."""
    rng.choice(files_of(bag)).unlink()
    fit_manifests(bag)


def change_consistently(bag: Path, rng: random.Random) -> None:
    """Change a file and make all manifests fit."""
    flip(bag, rng)
    fit_manifests(bag)


def remove_plans_consistently(bag: Path, rng: random.Random) -> None:
    """Remove the plans and make all manifests fit."""
    shutil.rmtree(bag / PLANS)
    fit_manifests(bag)


TAMPERS: tuple[Callable[[Path, random.Random], None], ...] = (
    *(flip, swap, link, add, edit_manifest, edit_plan, edit_oxum),
    *(shrink_consistently, change_consistently, remove_plans_consistently),
    lambda bag, rng: rng.choice(files_of(bag)).unlink(),
    lambda bag, rng: shutil.rmtree(bag / PLANS),
    lambda bag, rng: (bag / INVENTORY).unlink(),
    lambda bag, rng: rng.choice(sorted(bag.glob("tagmanifest-*"))).unlink(),
    lambda bag, rng: rng.choice(sorted(bag.glob("manifest-*"))).unlink(),
)


def unmark(bag: Path, rng: random.Random) -> None:
    """Remove or shorten some of what says that a bag is not finished."""
    if (bag / PLANS).is_dir() and rng.random() < 0.6:
        if rng.random() < 0.5 and any((bag / PLANS).iterdir()):
            edit_plan(bag, rng)
        else:
            shutil.rmtree(bag / PLANS)
    if rng.random() < 0.6:
        shutil.rmtree(bag / INCOMING, ignore_errors=True)
    if rng.random() < 0.3:
        (bag / INVENTORY).unlink(missing_ok=True)


def try_one(root: Path, rng: random.Random, tally: Tally) -> None:
    """Make one bag, break it or not, and compare what is said of it with the truth."""
    cards = [a_card(root / name, rng, rng.randint(3, 8)) for name in ("one", "two")]
    cards = cards[: rng.choice([1, 1, 2])]
    bag = root / "bag"
    right = {f"{c.name}/{name}": data for c in cards for name, data in payload(c).items()}
    kind = rng.choice(["unfinished", "unmarked", "tampered", "tampered", "sound"])
    tally.tried[kind] += 1
    if len(cards) == 2 and rng.random() < 0.5:
        job.back_up(cards[:1], [bag], describe)
    if kind in ("unfinished", "unmarked"):
        try:
            with failing(rng, bag):
                job.back_up(cards, [bag], describe)
        except (Killed, LimbwardError):
            pass  # what is left of the bag is what counts
        whole = payload(bag / "data") == right
        tally.tried["of these incomplete"] += not whole
        if kind == "unmarked":
            unmark(bag, rng)
        if is_good(bag) and not whole:
            tally.faults.append(f"an incomplete bag is called good ({kind})")
        if kind == "unmarked":
            return
    outcome = job.back_up(cards, [bag], describe)
    if not (outcome.ok and is_good(bag) and payload(bag / "data") == right):
        tally.faults.append(f"a sound bag is not called good ({kind})")
    if kind == "tampered":
        before = state(bag)
        for _ in range(rng.choice([1, 1, 1, 2])):
            tamper = rng.choice(TAMPERS)
            try:
                tamper(bag, rng)
            except (OSError, ValueError, IndexError, bagit.BagError):
                break  # the first one left nothing that this one could change
        if state(bag) != before and is_good(bag):
            tally.faults.append(f"a changed bag is called good ({tamper})")


def fuzz(root: Path, bags: int, seed: int) -> Tally:
    """Try so many bags below an empty folder."""
    rng, tally = random.Random(seed), Tally()
    for number in range(bags):
        here = root / f"{number:05d}"
        before = len(tally.faults)
        try_one(here, rng, tally)
        tally.faults[before:] = [f"bag {number}: {fault}" for fault in tally.faults[before:]]
        shutil.rmtree(here)
    return tally


def main() -> int:
    """Run the trial from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bags", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        tally = fuzz(Path(folder), options.bags, options.seed)
    print("\n".join([f"{options.bags} bags, {dict(tally.tried)}: {len(tally.faults)} faults"]))
    print("\n".join(tally.faults))
    return 1 if tally.faults else 0


if __name__ == "__main__":
    sys.exit(main())
