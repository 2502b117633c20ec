"""Changing keys of a config file: everything else stays as it is, to the letter."""

from __future__ import annotations

import difflib
from pathlib import Path

import pytest

from limbward.config.edit import REMOVE, edited
from limbward.config.loading import read_config
from limbward.errors import ConfigError
from tests.review.made import CONFIG

# A campaign has a config of its own, which no page edits.
EXAMPLES = [
    path
    for path in sorted(Path(__file__).parents[2].glob("configs/*.yaml"))
    if path.stem != "campaign"
]


def differing(before: str, after: str) -> list[str]:
    lines = difflib.ndiff(before.splitlines(), after.splitlines())
    return [line for line in lines if line[0] in "+-"]


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.stem)
def test_one_key_is_one_line(path):
    before = path.read_text()
    after = edited(before, {("report", "author"): "A. Nonym"})
    changed = differing(before, after)
    assert len(changed) <= 2
    assert any("A. Nonym" in line for line in changed)
    assert read_config(after, "x", path.parent).report.author == "A. Nonym"


def test_comments_order_and_quotes_stay():
    changes = {("compose", "detail_strength"): 0.2, ("compose", "up"): "zenith"}
    assert differing(CONFIG, edited(CONFIG, changes)) == [
        "-   detail_strength: 0.16  # not more",
        "+   detail_strength: 0.2   # not more",
        "+   up: zenith",
    ]


def test_a_key_that_is_set_back_gives_the_file_back():
    once = edited(CONFIG, {("compose", "up"): "zenith"})
    assert edited(once, {("compose", "up"): REMOVE}) == CONFIG


def test_line_ends_stay():
    windows = CONFIG.replace("\n", "\r\n")
    after = edited(windows, {("compose", "saturation"): 1.0})
    assert after.replace("\r\n", "").count("\n") == 0
    assert "saturation: 1.0" in after


def test_list_items_are_taken_out_and_put_in():
    text = (
        "frames:\n  - files: [a]  # bird\n    use: drop\n  - files: [b]  # plane\n    use: drop\n"
    )
    assert (
        edited(text, {("frames", 0): REMOVE}) == "frames:\n  - files: [b]  # plane\n    use: drop\n"
    )
    more = edited(text, {("frames", 2): {"files": ["c"], "use": "keep"}})
    assert more.startswith(text)
    assert more[len(text) :] == "  - files: [c]\n    use: keep\n"


def test_a_value_used_twice_is_not_changed_behind_the_users_back():
    text = "compose: &look {up: zenith}\nvariants: [{name: a, compose: *look}]\n"
    with pytest.raises(ConfigError, match="in an editor"):
        edited(text, {("compose", "up"): "camera"})


def test_the_empty_line_between_sections_stays_between_them():
    text = "enhance:\n  - name: a\n    steps:\n      - filter: nrgf\n\ncompose: {up: zenith}\n"
    after = edited(text, {("enhance", 0, "steps", 1): {"filter": "mgn", "widths_px": [2.0, 4.0]}})
    assert after.splitlines()[4].strip() == "- filter: mgn"
    assert after.endswith("\n\ncompose: {up: zenith}\n")
