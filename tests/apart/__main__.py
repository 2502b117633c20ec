"""``python -m tests.apart CASE DIR [--megapixels M] [--seed N]``: write a card and its truth."""

from __future__ import annotations

import argparse
import dataclasses
import time
from pathlib import Path

from .card import simulate
from .cases import CASES, Case, changes


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, epilog="cases: " + ", ".join(CASES))
    parser.add_argument("case", choices=list(CASES), metavar="CASE")
    parser.add_argument("folder", type=Path, metavar="DIR")
    parser.add_argument("--megapixels", type=float, default=1.0)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument(
        "--set", action="append", default=[], metavar="KEY=JSON",
        help="change a setting of the case, for instance aureole=0.03; keys: "
        + ", ".join(f.name for f in dataclasses.fields(Case)),
    )  # fmt: skip
    given = parser.parse_args()
    began = time.monotonic()
    given.folder.mkdir(parents=True, exist_ok=True)
    truth = simulate(given.case, given.folder, given.megapixels, given.seed, **changes(given.set))
    phases: dict[str, int] = {}
    for row in truth["frames"]:
        phases[row["phase"]] = phases.get(row["phase"], 0) + 1
    print(
        f"{given.folder}: {truth['eclipse']} at {truth['site']}, {phases}, "
        f"{sum(r['good'] for r in truth['frames'])} good, {time.monotonic() - began:.1f} s"
    )


if __name__ == "__main__":
    main()
