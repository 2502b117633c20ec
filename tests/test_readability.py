"""The pages that people read first are read without stumbling: sentences short, words common."""

from pathlib import Path

import pytest

from tests.readability import grade, sentences, syllables_of

ROOT = Path(__file__).parent.parent

# Counted by hand, as a dictionary divides them.
SYLLABLES = {
    "corona": 3, "limb": 1, "totality": 4, "exposure": 3, "the": 1, "brightness": 2, "frames": 1,
    "eclipse": 2, "camera": 3, "measured": 2, "Sun's": 1, "position": 3, "idea": 3,
}  # fmt: skip


def test_syllables():
    assert {word: syllables_of(word) for word in SYLLABLES} == SYLLABLES
    assert syllables_of("2026") == 4


def test_grade_by_hand():
    # 6 words and 6 syllables in one sentence; 10 words and 19 syllables in two.
    assert grade("The cat sat on the mat.") == pytest.approx(0.39 * 6 + 11.8 - 15.59)
    two = "The camera measured a corona. The frames show totality today."
    assert grade(two) == pytest.approx(0.39 * 5 + 11.8 * 19 / 10 - 15.59)


def test_running_text_only():
    page = (
        "# Not this heading\n\nOne sentence with `a.name` in it. Another:\n\n"
        "```\nno code at all\n```\n\n| no | table |\n| --- | --- |\n| no | cell |\n\n- an item\n"
    )
    assert sentences(page) == [
        ["One", "sentence", "with", "command", "in", "it"],
        ["Another"],
        ["an", "item"],
    ]


@pytest.mark.parametrize("page", ["README.md", "notebooks/howto.md"])
def test_first_pages_read_at_grade_nine_or_below(page):
    assert grade((ROOT / page).read_text(encoding="utf-8")) <= 9.0


def test_readme_is_one_page():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert sum(map(len, sentences(text))) <= 900
    before, picture, after = text.partition("![")
    assert picture
    assert len(before.split()) < 120
    assert "limbward demo" in after[:1500]
