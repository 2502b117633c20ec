"""Simulate, run and score many cards, and say what statistics say of them.

    python -m tests.apart.many FOLDER usual:1-20 hard:1-20 one-frame:21 [--megapixels M]
    python -m tests.apart.many FOLDER usual:1-30 hard:1-30 --clocks
    python -m tests.apart.many FOLDER site-off:1 --set site_error_km=100
    python -m tests.apart.many FOLDER

Of every card the composite, ``run.log`` and ``score.json`` stay, the card itself goes; a card that
has a score is not made again, so that a stopped trial goes on. Without cards: the summary alone.
With ``--clocks`` totality is four frames and the run ends when the clock is known.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

from .card import simulate
from .cases import changes
from .score import score

KEPT = ("composite.png", "corona.fits", "clock.json", "pointing.json", "frames.ecsv", "report.html")


def cards(text: str) -> list[tuple[str, int]]:
    """``usual:1-3`` as cases and seeds."""
    case, _, seeds = text.partition(":")
    first, _, last = (seeds or "1").partition("-")
    return [(case, seed) for seed in range(int(first), int(last or first) + 1)]


def run_card(
    case: str, seed: int, megapixels: float, folder: Path, keep: bool, clocks: bool, changed: dict
) -> dict:
    """Simulate a card, run the pipeline on it in a process of its own and score it."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    few = {"totality_frames": 4, "bursts": False, "darks": 0, "flats": 0} if clocks else {}
    simulate(case, folder, megapixels, seed, **few | changed)
    until = ["--until", "timing"] if clocks else []
    began = time.monotonic()
    with (folder / "run.log").open("w") as log:
        status = subprocess.run(
            [sys.executable, "-m", "limbward", "run", str(folder / "limbward.yaml"), *until],
            stdout=log, stderr=log, check=False,
        ).returncode  # fmt: skip
    found = {**score(folder), "exit": status, "seconds": round(time.monotonic() - began, 1)}
    workspace = folder / "workspace"
    found["picture"] = any(workspace.rglob("composite.png"))
    found["report"] = any(workspace.rglob("report.html"))
    if not keep:
        for path in folder.iterdir():
            if path.name not in ("workspace", "run.log", "truth.json"):
                shutil.rmtree(path) if path.is_dir() else path.unlink()
        for path in workspace.rglob("*"):
            if path.is_file() and path.name not in KEPT:
                path.unlink()
    (folder / "score.json").write_text(json.dumps(found))
    return found


def summary(scores: list[dict]) -> str:
    """Clock, frames, merges and noise of all cards together."""
    rows, off, sigmas, far = [], [], [], 0
    for s in scores:
        clock = next(iter(s.get("clock") or []), {})
        corona = (s.get("corona") or {}).get("G") or {}
        rings = [abs(b) for b in corona.get("bias") or [] if b is not None]
        far += (s.get("time") or {}).get("beyond_5_sigma") or 0
        if clock.get("known") and clock.get("error_s") is not None:
            off.append(clock["error_s"])
            sigmas.append(clock["error_sigmas"])
        rows.append(
            f"{s['case']:>16} {s['seed']:>3}  exit {s['exit']} {'picture' if s['picture'] else '-'}"
            f"  clock {clock.get('error_s')} +- {clock.get('sigma_s')}"
            f"  used {s.get('good_used')} of {s.get('good')}, {s.get('bad_used_frames')} bad"
            f"  px {(s.get('registration_px') or {}).get('rms')}"
            f" / {(s.get('registration_relative_px') or {}).get('rms')}"
            f"  bias {max(rings) if rings else None}  pull {corona.get('pull_spread')}"
        )
    pulls = np.abs(np.array([p for p in sigmas if p is not None], float))
    if len(pulls):
        rows.append(
            f"{len(scores)} cards, {len(off)} clocks: "
            f"rms {np.sqrt(np.mean(np.square(off))):.3f} s, "
            f"median {np.median(np.abs(off)):.3f} s, worst {np.abs(off).max():.3f} s; "
            f"{100 * np.mean(pulls <= 2):.0f} % within two stated sigmas, worst {pulls.max():.1f}; "
            f"{far} times beyond five"
        )
    return "\n".join(rows)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("cards", nargs="*", metavar="CASE:FIRST-LAST")
    parser.add_argument("--megapixels", type=float, default=0.4)
    parser.add_argument("--clocks", action="store_true", help="as far as the clock only")
    parser.add_argument("--keep", action="store_true", help="keep the cards too")
    parser.add_argument(
        "--set", action="append", default=[], metavar="KEY=JSON", help="a setting of all cases"
    )
    given = parser.parse_args()
    for case, seed in (card for text in given.cards for card in cards(text)):
        folder = given.folder / "-".join([case, str(seed), *given.set])
        if not (folder / "score.json").exists():
            made = run_card(
                case, seed, given.megapixels, folder, given.keep, given.clocks, changes(given.set)
            )
            print(summary([made]), flush=True)
    print(summary([json.loads(p.read_text()) for p in sorted(given.folder.glob("*/score.json"))]))


if __name__ == "__main__":
    main()
