"""What all tests share."""

from pathlib import Path

import pytest
from astropy.utils import iers
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
