"""The catalogue of hostile inputs, in one table: what is there, what is said, what is left."""

import sys

import pytest

from tests.robustness import cases_backup, cases_decode, cases_loss
from tests.robustness.case import Case, faults

pytestmark = pytest.mark.card

# Each area adds its cases in a module of its own, as a tuple named CASES.
CATALOGUE: tuple[Case, ...] = (*cases_backup.CASES, *cases_decode.CASES, *cases_loss.CASES)


@pytest.mark.skipif(sys.platform != "linux", reason="links and pipes of Linux")
@pytest.mark.parametrize("case", CATALOGUE, ids=lambda case: case.name.replace(" ", "-"))
def test_a_hostile_input_is_told_and_nothing_is_lost(case, tmp_path):
    assert not faults(case, tmp_path)
