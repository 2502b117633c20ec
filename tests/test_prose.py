"""All that a user reads passes a linter of prose and a list of phrases that are not idiomatic."""

import ast
from pathlib import Path

import pytest

import limbward
from tests import prose


@pytest.fixture(scope="module")
def texts():
    return list(prose.read())


def test_no_phrase_of_the_list(texts):
    assert len(texts) > 3000  # pages, help, messages, report and page are among them
    assert [f"{where}: {note} [{t}]" for where, t in texts for note in prose.marked(t)] == []


def test_the_linter_has_nothing_to_say(texts):
    pytest.importorskip("proselint")
    assert prose.linted(texts) == []


@pytest.mark.parametrize(
    "wrong",
    [
        "A scale of 1.5 arcsec a pixel.",
        "The sky is taken off before.",
        "How late the clock read.",
        "It is 1 days old.",
        "This is is wrong.",
    ],
)
def test_the_list_finds(wrong):
    assert prose.marked(wrong)


def test_the_linter_finds():
    pytest.importorskip("proselint")
    found = prose.linted(
        [("a page", "It goes without saying, in the nick of time."), ("b", "A b.")]
    )
    assert found
    assert all(line.startswith("a page: ") for line in found)


def _loose_strings(source):
    """Return strings in functions that go nowhere, docstrings aside: lost ends of sentences."""
    tree = ast.walk(ast.parse(source))
    bodies = [f.body[1:] for f in tree if isinstance(f, ast.FunctionDef)]
    inside = [n for body in bodies for n in body]
    values = [n.value for n in inside if isinstance(n, ast.Expr)]
    return [v.value for v in values if isinstance(v, ast.Constant) and isinstance(v.value, str)]


def test_no_sentence_loses_its_end():
    files = sorted(Path(limbward.__file__).parent.rglob("*.py"))
    assert [(f.name, s) for f in files for s in _loose_strings(f.read_text("utf-8"))] == []
    assert _loose_strings("def f():\n 'doc'\n a = 'Positive is '\n 'fast.'\n") == ["fast."]


def test_what_is_read_and_what_is_not():
    source = "def f(x):\n    '''Not the words of this.'''\n    g(f'The {x} of {x} is read.')\n"
    assert list(prose.strings(source)) == ["The n1 of n3 is read."]
    script = 'say("Point at a mark.", `${a} of ${b} are shown`)'
    assert list(prose.script_strings(script)) == ["Point at a mark.", "n0 of n1 are shown"]
    assert prose.template_text("<p>Read {{ this }}</p>").split() == ["Read", "n0"]
    page = "# A heading\n\nText with `code`.\n\n```\nnot this\n```\n"
    assert list(prose.paragraphs(page)) == ["A heading", "Text with name1."]
