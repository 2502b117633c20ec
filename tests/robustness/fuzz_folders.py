"""Random folders as workspaces, and random damage to a finished one.

    python -m tests.robustness.fuzz_folders --trees 500
    python -m tests.robustness.fuzz_folders --artefacts 2000

The first gives a run folders with somebody's files in them, some with tampered records of a run; it
ends with status 1 if any of those files is gone or changed. The second damages artefacts of a small
finished workspace and begins runs with each stage; it ends with status 1 if one ends with anything
but a sentence.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import random
import shutil
import sys
import tempfile
import time
import warnings
from collections import Counter
from contextlib import suppress
from pathlib import Path
from typing import Any

from limbward.config import Config
from limbward.config.loading import load_config
from limbward.errors import LimbwardError
from limbward.runs.runner import run_stages
from limbward.runs.stage import ORDER, Stage
from limbward.stages.ingest import _remove_stale
from limbward.work.reporting import Reporter, SilentReporter
from limbward.workspace import Workspace
from tests.robustness.kill_points import small_card

NAMES = (
    *("composite.png", "corona.fits", "frames.ecsv", "report.html", "provenance.json"),
    *("previews/a.jpg", "previews/wedding.jpg", "reduced/thesis.npz", "enhanced/x.fits"),
    *("state/lock", "state/hashes.json", "state/merge.json", "state/written.jsonl"),
    *(".writing-novel.txt", "tables/.writing-0123abcd-x", "tables/ingest.jsonl", "notes.txt"),
    *("DCIM/100/IMG_0001.DNG", "darks/d.dng", "mine/.writing-0123abcd-book", "tables/merge.ecsv"),
)
PLACES = (".", "card", "card/w", "w", "w/deep", "darks", "link", "out")


def _stages(rng: random.Random) -> list[Stage]:
    """Return two small stages that write and clear as a run's do; which files is random."""
    made = rng.sample([n for n in NAMES if not n.startswith(("state/", "mine/", "."))], 6)

    def ingest(config: Config, space: Workspace, reporter: Reporter) -> None:
        space.write_text("tables/ingest.jsonl", "{}\n", grows=True)
        for name in made[:4]:
            space.write_text(name, f"made {rng.random()}")
        _remove_stale(space, [])

    def merge(config: Config, space: Workspace, reporter: Reporter) -> None:
        if rng.random() < 0.5:
            space.write_text(made[4], "made")
        if rng.random() < 0.2:
            raise LimbwardError("cut off")

    return [
        Stage("ingest", ingest, writes=tuple(made[:4])),
        Stage("merge", merge, writes=(made[4], made[5])),
    ]


def _tampered(rng: random.Random, root: Path) -> str:
    """Return a record or list of written files that claims what is not so."""
    names = [*NAMES, "../victim.txt", "../card/a.dng", "/etc/hostname", "link/x", str(root / "b")]
    digest = rng.choice(["", "0" * 64, hashlib.sha256(b"").hexdigest()])
    if rng.random() < 0.3:
        return "".join(
            json.dumps({"file": rng.choice(names), "sha256": digest, "bytes": rng.choice([0, 9])})
            + "\n"
            for _ in range(5)
        )
    writes: Any = dict.fromkeys(rng.sample(names, 4), digest)
    return json.dumps({"causes": {}, "reads": {}, "writes": writes, "seconds": 1.0})


def _contents(root: Path, skip: set[Path]) -> Counter[tuple[str, str]]:
    """Return folder and digest of each file: one that is kept under another name is not lost."""
    return Counter(
        (str(p.parent), hashlib.sha256(p.read_bytes()).hexdigest())
        for p in root.rglob("*")
        if p.is_file() and not p.is_symlink() and p not in skip
    )


def one_tree(root: Path, rng: random.Random) -> tuple[list[str], str]:
    """Run stages in a random tree; return what was lost, and how it ended."""
    for folder in ("card", "darks", "w", "out"):
        (root / folder).mkdir(parents=True)
    (root / "link").symlink_to(root / rng.choice(["card", "out", "w"]))
    place = rng.choice(PLACES)
    sections = {"site": {"latitude": 65.0, "longitude": -23.4}, "eclipse": "2026-08-12"}
    settings = Config.model_validate(
        sections | {"input": {"cards": ["card"], "darks": ["darks"]}, "workspace": place}
    )
    settings._base_dir = root
    space, stages = Workspace(root / place), _stages(rng)
    ended = "refused"
    if rng.random() < 0.6:  # a workspace of an earlier run
        with suppress(LimbwardError):
            run_stages(settings, space, SilentReporter(), stages=stages)
    own = {p for p in root.rglob("*") if p.is_file()}  # what the program has made itself
    for at in (root, root / "card", root / "darks", root / place, root / "out"):
        for name in rng.sample(NAMES, rng.randrange(6)):
            path = at / name
            if path.is_symlink() or (path in own and name.startswith("state/")):
                continue
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(b"mine " + rng.randbytes(8))  # an artefact of the run is edited
            own.discard(path)
    (root / "victim.txt").write_text("mine")
    state = root / place / "state"
    if state.is_dir() and rng.random() < 0.7:
        for name in rng.sample(["merge.json", "ingest.json", "hashes.json", "written.jsonl"], 2):
            (state / name).write_text(_tampered(rng, root))
            own.add(state / name)
    if (state / "workspace.json").is_file():  # the program's notes in its own folder are its own
        own |= {p for p in state.glob("*") if p.name not in ("mine",)}
    before = _contents(root, own)
    for _ in range(2):
        try:
            how: dict[str, Any] = {"force": rng.random() < 0.5}
            run_stages(settings, space, SilentReporter(), stages=stages, **how)
            ended = "run"
        except LimbwardError:
            pass
    lost = before - _contents(root, set())
    return [f"{place}: {folder} {digest[:8]}" for folder, digest in lost], ended


def fuzz_trees(count: int, seed: int) -> tuple[list[str], Counter[str]]:
    """Return what was lost in many random trees, and how the runs ended."""
    lost, ends = [], Counter[str]()
    for number in range(count):
        with tempfile.TemporaryDirectory() as folder:
            gone, ended = one_tree(Path(folder), random.Random(seed * 1_000_003 + number))
        lost += [f"tree {number}: {g}" for g in gone]
        ends[ended] += 1
    return lost, ends


def damage(path: Path, rng: random.Random) -> str:
    """Damage a file and say how."""
    data = path.read_bytes()
    kind = rng.choice(["flip", "cut", "value", "drop"])
    if kind in ("value", "drop") and path.suffix == ".json":
        told = json.loads(data)
        at, key = _place(told, rng)
        if kind == "drop" and isinstance(at, dict):
            del at[key]
        elif at is None:
            told = rng.choice([[], 3, "x", None])
        else:
            at[key] = rng.choice([None, "x", -1, [], {}, 1e30, True, [1, "a"], {"a": 1}])
        path.write_text(json.dumps(told), encoding="utf-8")
    elif kind in ("value", "drop") and path.suffix == ".ecsv":
        lines = data.decode().splitlines()
        if kind == "drop":
            del lines[rng.randrange(len(lines))]
        else:
            at = rng.randrange(len(lines))
            words = lines[at].split(" ")
            words[rng.randrange(len(words))] = rng.choice(["", "x", "-1", "nan", "1e99", "float64"])
            lines[at] = " ".join(words)
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    elif kind == "cut" or not data:
        path.write_bytes(data[: rng.randrange(len(data) + 1)])
    else:
        changed = bytearray(data)
        for _ in range(rng.choice([1, 1, 3, 300])):
            reach = min(3000, len(data)) if rng.random() < 0.5 else len(data)
            changed[rng.randrange(reach)] ^= 1 << rng.randrange(8)
        path.write_bytes(changed)
    return kind


def _place(told: Any, rng: random.Random) -> tuple[Any, Any]:
    """Return a random container in a JSON value and a key of it; None for the value itself."""
    found: list[tuple[Any, Any]] = [(None, None)]
    todo = [told]
    while todo:
        at = todo.pop()
        pairs = at.items() if isinstance(at, dict) else enumerate(at)
        for key, value in list(pairs):
            found.append((at, key))
            if isinstance(value, dict | list):
                todo.append(value)
    return rng.choice(found)


def fuzz_artefacts(
    config: Config, finished: Path, count: int, seed: int, limit_s: float = 1e9
) -> tuple[list[str], Counter[str]]:
    """Return the runs that ended without a sentence, and how all of them ended."""
    wrong, ends = [], Counter[str]()
    begun = time.monotonic()
    names = [
        p.relative_to(finished).as_posix()
        for p in sorted(finished.rglob("*"))
        if p.suffix in (".json", ".ecsv", ".fits", ".npz", ".jsonl") and p.name != "workspace.json"
    ]
    for number in range(count):
        if time.monotonic() - begun > limit_s:
            break
        rng = random.Random(seed * 1_000_003 + number)
        with tempfile.TemporaryDirectory() as folder:
            root = Path(folder) / "workspace"
            shutil.copytree(finished, root)
            name, stage = rng.choice(names), rng.choice(ORDER[1:])
            kind = damage(root / name, rng)
            try:
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore")
                    space = Workspace(root)
                    run_stages(config, space, SilentReporter(), first=stage, last=stage)
                ends["done"] += 1
            except LimbwardError:
                ends["a sentence"] += 1
            except Exception as error:
                text = f"{number}: {kind} of {name}, --from {stage}: {type(error).__name__} {error}"
                wrong.append(text)
    return wrong, ends


def main() -> int:
    """Run the trials from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trees", type=int, default=0)
    parser.add_argument("--artefacts", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=1e9, help="End the second trial then.")
    parser.add_argument("--finished", type=Path, help="Config with a finished `workspace` beside.")
    options = parser.parse_args()
    lost, ends = fuzz_trees(options.trees, options.seed)
    print(f"{options.trees} trees, {len(lost)} files lost, {dict(ends)}")
    wrong: list[str] = []
    if options.artefacts:
        with tempfile.TemporaryDirectory() as folder:
            path = options.finished or small_card(Path(folder))
            config, space = load_config(path), Workspace(path.parent / "workspace")
            run_stages(config, space, SilentReporter())
            wrong, ends = fuzz_artefacts(
                config, space.root, options.artefacts, options.seed, options.seconds
            )
        tried = len(wrong) + sum(ends.values())
        print(f"{tried} damaged artefacts, {len(wrong)} without a sentence, {dict(ends)}")
    print("\n".join([*lost, *wrong]))
    return 1 if lost or wrong else 0


if __name__ == "__main__":
    sys.exit(main())
