"""What all tests share."""

import os
import shutil
from pathlib import Path

import pytest
from astropy.utils import iers
from filelock import FileLock
from hypothesis import settings

from limbward.cli import main
from limbward.work.worker import one_thread_of_blas

SLOW = {"card", "statistical"}

# The same examples every time: a failure is of the change at hand, not of the day's luck. A longer,
# random search is `pytest --hypothesis-profile=search`.
settings.register_profile("steady", derandomize=True, deadline=None)
settings.register_profile("search", max_examples=2000, deadline=None)
settings.load_profile("steady")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the files that take long, so that no process ends with one while others idle."""
    slow = {item.path for item in items if SLOW & {mark.name for mark in item.iter_markers()}}
    items.sort(key=lambda item: item.path not in slow)


# Astropy, a reference of several tests, neither fetches tables nor minds how old those are that
# come with it: UT1 drifts by milliseconds a week.
iers.conf.auto_download = False
iers.conf.auto_max_age = None

one_thread_of_blas()  # two processes of tests share two cores


@pytest.fixture
def limbward(capsys):
    """Run the command line in this process: returns exit status, standard output and error."""

    def call(*arguments: str | Path) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as left:
            main([str(a) for a in arguments])
        captured = capsys.readouterr()
        return int(left.value.code or 0), captured.out, captured.err

    return call


@pytest.fixture(scope="session")
def undisturbed(tmp_path_factory):
    """The config of a small card and the workspace of an undisturbed run, not to be changed.

    Made once, by whichever of the tests' processes needs it first.
    """
    from tests.robustness.undisturbed import make

    top = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        top = top.parent  # each process has a folder of its own in it
    root, whole = top / "undisturbed", top / "undisturbed-is-whole"
    with FileLock(top / "undisturbed.lock"):
        if not whole.exists():
            shutil.rmtree(root, ignore_errors=True)
            make(root)
            whole.touch()
    return root / "demo/limbward.yaml", root / "reference"
