"""Kill runs at random moments, run them again, and compare every byte with an undisturbed run.

    python -m tests.robustness.kill_points --points 30

prints a line for each moment and ends with status 1 if any run came out different.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from limbward.simulate.card import simulate_card
from limbward.simulate.scenario import adapt, demo_scenario, shorten

# Not compared: they hold the time of day, how long things took, or the dates of files.
TIMED = ("provenance.json", "state/")
# Whole but not yet final in a run that was killed: rewritten after each stage, or appended to.
GROWING = ("frames.ecsv", "tables/ingest.jsonl", *TIMED)

# After a file was written; the longest that a run of the small card computes between two of them is
# some 5 s.
LONGEST_S = 4.0


def small_card(root: Path, megapixels: float = 0.1) -> Path:
    """Simulate a card of a dozen frames and return its config."""
    scenario = shorten(demo_scenario(megapixels), partial_frames=4, brackets=1)
    few = {"bracket_s": (1 / 500, 1 / 30, 1 / 2), "darks": 0, "flats": 0, "contact_frames": 1}
    return simulate_card(root, adapt(scenario, plan=few), seed=3)


def command(config: Path, workspace: Path, *options: str) -> list[str]:
    """Return the command line of a run."""
    run = ["run", str(config), "--workspace", str(workspace), "--jobs", "2", *options]
    return [sys.executable, "-m", "limbward", *run]


def checksums(workspace: Path, leave_out: tuple[str, ...] = TIMED) -> dict[str, str]:
    """Return the SHA-256 of every file of a workspace by its name there."""
    found = {}
    for path in sorted(p for p in workspace.rglob("*") if p.is_file()):
        name = path.relative_to(workspace).as_posix()
        if not name.startswith(leave_out):
            found[name] = hashlib.sha256(path.read_bytes()).hexdigest()
    return found


def records(workspace: Path) -> dict[str, Any]:
    """Return what the stages' records say, but for how long they took."""
    found = {}
    for path in sorted((workspace / "state").glob("*.json")):
        if path.name not in ("hashes.json", "workspace.json"):  # dates of files, a mark by chance
            found[path.name] = json.loads(path.read_text())
            found[path.name].pop("seconds")
    return found


def left_running(group: int) -> list[int]:
    """Return the processes of a group that are still alive (where there is /proc)."""
    alive = []
    for status in Path("/proc").glob("[0-9]*/stat"):
        try:
            state, _, of_group = status.read_text().rpartition(")")[2].split()[:3]
        except (OSError, ValueError):
            continue  # it ended meanwhile
        if int(of_group) == group and state != "Z":
            alive.append(int(status.parent.name))
    return alive


def files_in(workspace: Path) -> int:
    """Return how many files a workspace has, by which a run's progress is told."""
    return sum(1 for path in workspace.rglob("*") if path.is_file())


def kill_after(
    files: int, delay_s: float, workspace: Path, arguments: list[str], whole_group: bool
) -> tuple[bool, list[int]]:
    """Start a run; kill it a while after it has written so many files, alone or with its workers.

    Returns
    -------
    killed : bool
        False if it had ended before.
    left : list of int
        Its workers that were alive 5 s later; they end by themselves when they are well made.
    """
    process = subprocess.Popen(
        arguments, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
    )
    while process.poll() is None and files_in(workspace) < files:
        time.sleep(0.01)
    try:
        if process.wait(delay_s) != 0:
            raise RuntimeError(f"the run failed by itself: {' '.join(arguments)}")
        return False, []
    except subprocess.TimeoutExpired:
        pass
    if whole_group:
        os.killpg(process.pid, signal.SIGKILL)
    else:
        process.kill()
    process.wait()
    give_up = time.monotonic() + 5.0
    while (left := left_running(process.pid)) and time.monotonic() < give_up:
        time.sleep(0.05)
    for pid in left:
        os.kill(pid, signal.SIGKILL)
    return True, left


def differences(workspace: Path, reference: Path) -> list[str]:
    """Return the names of files that are not the same in two workspaces."""
    mine, right = checksums(workspace), checksums(reference)
    wrong = [
        name for name in sorted(mine.keys() | right.keys()) if mine.get(name) != right.get(name)
    ]
    return wrong + (["state/"] if records(workspace) != records(reference) else [])


def not_whole(workspace: Path, reference: Path) -> list[str]:
    """Return the artefacts of a killed run that are neither absent nor final."""
    right = checksums(reference)
    mine = checksums(workspace, GROWING)
    return [n for n, d in mine.items() if right.get(n) != d and ".writing-" not in n]


def try_points(
    root: Path, config: Path, reference: Path, longest_s: float, points: int, seed: int
) -> list[str]:
    """Kill and repeat runs; return a sentence for each that did not come out right.

    Each is killed up to ``longest_s`` after it has written a number of files.
    """
    rng = random.Random(seed)
    faults: list[str] = []
    all_files = files_in(reference)
    for number in range(points):
        # One a stratum, so that a few points reach the late stages as well.
        files = int((number + rng.random()) / points * all_files)
        delay_s = rng.random() * longest_s
        workspace = root / f"killed-{number}"
        arguments = command(config, workspace)
        while True:
            killed, left = kill_after(files, delay_s, workspace, arguments, number % 2 == 0)
            if killed:
                break
            delay_s /= 2.0  # it had ended by then
            shutil.rmtree(workspace)
        where = f"point {number + 1} of {points}, {files} files and {delay_s:.2f} s"
        found = [f"worker {pid} lives on" for pid in left]
        found += [f"{name} is half done" for name in not_whole(workspace, reference)]
        again = subprocess.run(arguments, capture_output=True, text=True, check=False)
        if again.returncode != 0:
            found.append(f"the next run failed: {again.stderr.strip()[-300:]}")
        found += [f"{name} differs" for name in differences(workspace, reference)]
        print(f"{where}: {found or 'same bytes'}", flush=True)
        faults += [f"{where}: {fault}" for fault in found]
    return faults


def main() -> int:
    """Run the trial from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--points", type=int, default=30)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--megapixels", type=float, default=0.3)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        config = small_card(root / "demo", options.megapixels)
        reference = root / "reference"
        subprocess.run(command(config, reference), check=True, capture_output=True)
        faults = try_points(root, config, reference, LONGEST_S, options.points, options.seed)
    print("\n".join([f"{len(faults)} faults at {options.points} points", *faults]))
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
