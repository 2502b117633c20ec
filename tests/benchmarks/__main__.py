"""All figures of speed and memory in one table, and in a file to compare commits by.

    python -m tests.benchmarks [GROUP ...] [--json FILE] [--against FILE] [--folder DIR]

README.md beside this file says what the groups and figures mean. The file has the layout of
pytest-benchmark, so that `pytest-benchmark compare OLD NEW` reads it; its times are of the
processor, since other work on the machine disturbs the clock's more. Needs the packages of the
extra `benchmarks`.
"""

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from pytest_benchmark.stats import Stats

from tests.benchmarks import merge_speed
from tests.benchmarks.measuring import Cost, timed

GIGA = 1e9
ROUNDS = 3
PLACE = ("--lat", "64.8", "--lon", "-23.7", "--date", "2026-08-12")
SMALLEST = "site: {latitude: 64.8, longitude: -23.7}\neclipse: 2026-08-12\ninput: {cards: [card]}\n"
ALLOWED = {24.0: 1.2, 61.0: 1.5, 100.0: 1.7}  # gigabytes of run.memory, by megapixels
Found = dict[str, list[Cost]]


def limbward(*arguments: str | Path, **environment: str) -> Cost:
    """Return what a command of the program costs."""
    command = [sys.executable, "-m", "limbward", *map(str, arguments)]
    return timed(command, environment=environment)


def commands(folder: Path) -> Found:
    """Time the short commands, the first of each left out."""
    (folder / "card").mkdir(exist_ok=True)
    config = folder / "limbward.yaml"
    config.write_text(SMALLEST)
    lines = {"--help": ["--help"], "contacts": ["contacts", *PLACE], "check": ["check", config]}
    return {name: [limbward(*line) for _ in range(ROUNDS + 1)][1:] for name, line in lines.items()}


def demo(folder: Path) -> Found:
    """Time the demo of a fresh installation, nothing compiled or kept, and the next one."""
    caches = {"NUMBA_CACHE_DIR": str(folder / "numba"), "XDG_CACHE_HOME": str(folder / "cache")}
    return {
        name: [limbward("demo", folder / name, **caches)] for name in ("first-demo", "second-demo")
    }


def frames(folder: Path) -> Found:
    """Time runs on frames of 24 megapixels beside LibRaw and a plain script."""
    return {name: [cost] for name, cost in merge_speed.costs(folder, 24.0).items()}


def memory(folder: Path) -> Found:
    """Return the memory of measuring and merging six frames, and of their pictures and report."""
    found: Found = {}
    for megapixels, allowed in ALLOWED.items():
        own = folder / f"{megapixels:g}"
        own.mkdir(exist_ok=True)
        shots = merge_speed.simulate(own, megapixels, 1, brackets=1)
        config, _ = merge_speed.session(own, shots, len(shots))
        with config.open("a") as file:
            file.write(f"run: {{memory: {allowed}}}\n")
        found[f"measuring-{megapixels:g}"] = [merge_speed.run(config, "--until", "align")]
        cost = limbward("run", config, "--from", "merge", "--until", "merge")
        found[f"memory-{megapixels:g}"] = [cost]
        cost = limbward("run", config, "--from", "enhance")
        found[f"pictures-{megapixels:g}"] = [cost]
    return found


def sequences(folder: Path) -> Found:
    """Return the cost of a film and of sheets of the demo's card at 3840 pixels."""
    limbward("demo", folder / "demo")
    found: Found = {}
    for name, command, keys in (
        ("film-3840", "film", "film: {size_px: 3840}"),
        ("sheet-3840", "sheet", "sheet: {cell_px: 330}"),  # 13 crescents' room, and no less
        ("grid-4800", "sheet", "sheet: {cell_px: 960, layout: grid, count: 14}"),
    ):
        config = folder / "demo" / f"{name}.yaml"
        config.write_text((folder / "demo" / "limbward.yaml").read_text() + f"{keys}\n")
        found[name] = [limbward(command, config)]
    return found


GROUPS: dict[str, Callable[[Path], Found]] = {
    "commands": commands,
    "demo": demo,
    "frames": frames,
    "memory": memory,
    "sequences": sequences,
}


def as_json(found: Found) -> dict[str, object]:
    """Return what was found in the layout of pytest-benchmark."""
    made = []
    for name, costs in found.items():
        stats = Stats()
        for cost in costs:
            stats.update(cost.cpu_s)
        made.append(
            {
                "group": None,
                "name": name,
                "fullname": name,
                "params": None,
                "param": None,
                "extra_info": {
                    "wall_s": min(c.wall_s for c in costs),
                    "peak_bytes": max(c.peak for c in costs),
                },
                "options": {"timer": "processor"},
                "stats": stats.as_dict() | {"iterations": 1},
            }
        )
    commit = subprocess.run(["git", "rev-parse", "HEAD"], capture_output=True, text=True)
    return {
        "machine_info": {
            "node": platform.node(),
            "machine": platform.machine(),
            "python_version": platform.python_version(),
            "cores": len(os.sched_getaffinity(0)),
        },
        "commit_info": {"id": commit.stdout.strip()},
        "benchmarks": made,
        "datetime": datetime.now(UTC).isoformat(),
        "version": "5",
    }


def table(new: dict, old: dict | None) -> str:
    """Return the figures as lines, with what they are to those of another file."""
    before = {b["name"]: b for b in (old or {"benchmarks": []})["benchmarks"]}
    lines = [f"{'':<18}{'processor':>12}{'clock':>10}{'memory':>10}{'against':>10}"]
    for one in new["benchmarks"]:
        own, extra = one["stats"]["min"], one["extra_info"]
        line = f"{one['name']:<18}{own:>10.2f} s{extra['wall_s']:>8.2f} s"
        peak = extra["peak_bytes"]
        line += f"{peak / GIGA:>7.2f} GB" if peak else " " * 10
        if one["name"] in before:
            line += f"{own / before[one['name']]['stats']['min']:>10.2f}"
        lines.append(line)
    return "\n".join(lines)


def main() -> None:
    """Measure, print, write and compare."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("groups", nargs="*", choices=[*GROUPS, []], default=list(GROUPS))
    parser.add_argument("--json", type=Path, help="file to write")
    parser.add_argument("--against", type=Path, help="file of another commit")
    parser.add_argument("--folder", type=Path, help="where simulated cards are kept")
    arguments = parser.parse_args()
    folder = arguments.folder or Path(tempfile.mkdtemp(prefix="limbward-benchmarks-"))
    found: Found = {}
    for name in arguments.groups or GROUPS:
        own = folder / name
        own.mkdir(parents=True, exist_ok=True)
        found |= GROUPS[name](own)
    new = as_json(found)
    old = json.loads(arguments.against.read_text()) if arguments.against else None
    print(table(new, old))
    if "libraw-24" in found:
        for name, ratio in merge_speed.ratios({k: v[0] for k, v in found.items()}).items():
            print(f"{name}: {ratio:.2f}")
    if arguments.json:
        arguments.json.write_text(json.dumps(new, indent=1))


if __name__ == "__main__":
    main()
