"""Size of the report of a large card, and the time that it takes.

    python tests/benchmarks/report_size.py WORKSPACE [FRAMES]

Takes the workspace of a finished run (``limbward demo`` leaves one) and repeats the rows of its
tables in a copy until there are 500 files, with previews and reduced frames as often. Corona and
pictures are those of the run, so their size is the run's.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from limbward.config.loading import load_config
from limbward.stages import report
from limbward.work.reporting import SilentReporter
from limbward.workspace import Workspace
from limbward.workspace.frames import assemble_frames

ASKED_MB, ASKED_S = 15.0, 20.0


def enlarged(workspace: Workspace, root: Path, files: int) -> Workspace:
    """Return a workspace of as many files, whose pictures are those of the one given."""
    copy = Workspace(root)
    for path in workspace.root.iterdir():
        if path.name not in ("tables", "frames.ecsv", "report.html", "state"):
            (root / path.name).symlink_to(path.resolve())
    for path in (workspace.root / "tables").glob("*.ecsv"):
        table = workspace.read_table(f"tables/{path.name}")
        table = table[np.resize(np.arange(len(table)), files)]
        table["file"] = [
            f"card/DCIM/{100 + k // 100}BENCH/BNCH{k % 9999 + 1:04d}.DNG" for k in range(files)
        ]
        copy.write_table(f"tables/{path.name}", table)
    assemble_frames(copy)
    return copy


def main() -> None:
    """Print size and time beside what is asked."""
    workspace = Workspace(Path(sys.argv[1]))
    files = int(sys.argv[2]) if len(sys.argv) > 2 else 500
    config = load_config(workspace.root.parent / "limbward.yaml")
    with tempfile.TemporaryDirectory() as folder:
        large = enlarged(workspace, Path(folder), files)
        begun = time.perf_counter()
        report.run(config, large, SilentReporter())
        seconds = time.perf_counter() - begun
        megabytes = large.path(Workspace.report).stat().st_size / 1e6
    print(f"{files} files: {megabytes:.2f} MB (asked: {ASKED_MB:g}), {seconds:.1f} s ({ASKED_S:g})")


if __name__ == "__main__":
    main()
