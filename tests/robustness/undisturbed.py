"""A small card, its backup and a run on it that nothing disturbs, for tests of those that are."""

import subprocess
from pathlib import Path

from limbward.backup.describe import describe
from limbward.backup.job import back_up
from limbward.backup.verify import verify_bag
from tests.robustness.kill_points import command, small_card


def run(*arguments):
    """Run a command and return what it said."""
    return subprocess.run(list(arguments), capture_output=True, text=True, check=False)


def state(root: Path):
    """Return bytes, times and rights of all files of a folder."""
    return {
        p: (p.read_bytes(), p.stat().st_mtime_ns, p.stat().st_mode)
        for p in sorted(root.rglob("*"))
        if p.is_file()
    }


def make(root: Path) -> None:
    """Make ``demo`` with the card, ``reference`` with the run's workspace, and ``bag``."""
    config = small_card(root / "demo")
    card = root / "demo/card"
    before = state(card)
    shut = run("mount", "--bind", "-o", "ro", str(card), str(card)).returncode == 0
    try:
        first = run(*command(config, root / "reference"))
        saved = back_up([card], [root / "bag"], describe)
    finally:
        if shut:
            run("umount", "-l", str(card))
    assert first.returncode == 0, first.stderr
    assert saved.ok
    assert state(card) == before  # nothing is written to a card, whether or not it could be
    assert verify_bag(root / "bag").ok
