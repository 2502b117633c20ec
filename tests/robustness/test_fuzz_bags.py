"""Bags and headers broken at random; `fuzz_bags` and `fuzz_headers` are the long versions."""

import os

import pytest

from tests.robustness import fuzz_bags, fuzz_headers

BAGS, HEADERS = 40, 400


@pytest.mark.skipif(os.name != "posix", reason="links of POSIX")
def test_no_broken_bag_is_called_good(tmp_path):
    tally = fuzz_bags.fuzz(tmp_path, BAGS, seed=3)
    assert tally.faults == []
    assert tally.tried["of these incomplete"] >= 5
    assert tally.tried["tampered"] >= 5
    assert tally.tried["sound"] >= 2


def test_no_header_upsets_the_parsers(tmp_path):
    tally = fuzz_headers.fuzz(tmp_path, HEADERS, seed=3)
    assert tally.faults == []
    assert tally.noted >= HEADERS // 10  # some of them are damaged enough
