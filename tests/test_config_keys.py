"""`limbward config`: the keys that there are, with their defaults, and what to do about a typo."""

import json
import re

import pytest

from limbward import filters
from limbward.cli.app import main
from limbward.config import Config
from limbward.config.keys import filters as filter_groups
from limbward.config.keys import sections, takes


@pytest.fixture
def told(capsys):
    """Run `limbward config` in this process: returns exit status, standard output and error."""

    def call(*arguments):
        with pytest.raises(SystemExit) as left:
            main(["config", *arguments])
        captured = capsys.readouterr()
        return int(left.value.code or 0), captured.out, captured.err

    return call


def test_every_key_has_a_description_and_the_models_default():
    groups = {g.path: {k.name: k for k in g.keys} for g in sections()}
    for name, field in Config.model_fields.items():
        keys = groups.get(name)
        if keys is None:
            assert name in groups[""]
        elif not field.is_required() and hasattr(field.default, "model_fields_set"):
            for key, value in field.default.model_dump().items():
                said = keys[key].default
                if value is None:
                    assert said == "null"
                elif isinstance(value, list) and value:
                    assert said == f"[{', '.join(value)}]"
                elif not isinstance(value, dict | list):
                    assert said == (value or '""' if isinstance(value, str) else json.dumps(value))
    assert all(k.description and k.takes for keys in groups.values() for k in keys.values())
    assert groups["timing.references"]["utc"].required


def test_one_section_and_the_groups_in_it(told):
    status, out, err = told("timing")
    assert (status, err) == (0, "")
    assert re.findall(r"^(\S+): ", out, re.M) == ["timing", "timing.references"]
    assert "  mount  (auto, equatorial, altazimuth or fixed; default auto)\n" in out
    assert "  utc_offset_hours  (a number from -14 to 14 or null; default null)\n" in out


def test_without_a_section_all_are_there(told):
    _, out, _ = told()
    assert set(Config.model_fields) - {"eclipse", "workspace"} <= set(
        re.findall(r"^([a-z]+): ", out, re.M)
    )
    assert "  eclipse  (a date; must be given)\n" in out
    assert max(map(len, out.splitlines())) <= 100


def test_filters_stand_with_enhance(told):
    _, out, _ = told("enhance")
    for name in filters.names():
        assert re.search(rf"^{name}: ", out, re.M)
    assert [g.path for g in filter_groups()] == filters.names()


@pytest.mark.parametrize(
    ("given", "hint"),
    [("timng", "Did you mean timing?"), ("zzz", "There are site, input, "), ("", "There are site")],
)
def test_no_such_section(given, hint, told):
    status, out, err = told(given)
    assert (status, out) == (2, "")
    assert err.startswith(f"The config has no section {given!r}. {hint}")


def test_key_outside_the_sections(told):
    _, out, _ = told("workspace")
    assert "  workspace  (text; default workspace)\n" in out


@pytest.mark.parametrize(
    ("schema", "words"),
    [
        ({"type": "number", "exclusiveMinimum": 0, "maximum": 50}, "a number above 0, at most 50"),
        ({"anyOf": [{"enum": ["a", "b"]}, {"type": "null"}]}, "a, b or null"),
        ({"type": "integer", "minimum": 1}, "a whole number at least 1"),
    ],
)
def test_bounds_in_words(schema, words):
    assert takes(schema) == words
