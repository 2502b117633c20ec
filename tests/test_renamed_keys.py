"""A config of before a key was renamed is told the new name."""

import re

import pytest

from limbward import filters
from limbward.config import Config
from limbward.config.loading import _all_keys, load_config
from limbward.config.renamed import FILTERS, KEYS, MOVED, PARAMETERS
from limbward.errors import ConfigError

SMALLEST = "site: {latitude: 64.8, longitude: -23.7}\neclipse: 2026-08-12\n"


def refusal(folder, text):
    path = folder / "limbward.yaml"
    path.write_text(SMALLEST + text)
    with pytest.raises(ConfigError) as raised:
        load_config(path)
    return str(raised.value).removeprefix(f"{path}:")


@pytest.mark.parametrize(("old", "new"), KEYS.items())
def test_the_new_key_is_named(tmp_path, old, new):
    section, key = old.split(".")
    known = set(_all_keys(Config))
    assert old not in known
    assert f"{section}.{new}" in known
    cards = "" if section == "input" else "input: {cards: [card]}\n"
    own = "  cards: [card]\n" if section == "input" else ""
    said = refusal(tmp_path, f"{cards}{section}:\n{own}  {key}: 1\n")
    assert said == f"5: {old}: was renamed; write {new!r}."


@pytest.mark.parametrize(("old", "sentence"), MOVED.items())
def test_where_a_key_has_gone_is_told(tmp_path, old, sentence):
    section, key = old.split(".")
    known = set(_all_keys(Config))
    new, there = re.findall(r"'(.+?)'", sentence)
    assert old not in known
    assert f"{there}.{new}" in known
    said = refusal(tmp_path, f"input: {{cards: [card]}}\n{section}:\n  {key}: 1\n")
    assert said == f"5: {old}: {sentence}"


@pytest.mark.parametrize(("old", "new"), FILTERS.items())
def test_the_new_filter_is_named(tmp_path, old, new):
    assert old not in filters.names()
    assert new in filters.names()
    text = f"input: {{cards: [card]}}\nenhance: [{{name: a, steps: [{{filter: {old}}}]}}]\n"
    said = refusal(tmp_path, text)
    assert said == f"4: enhance[0].steps[0].filter: was renamed; write {new!r}."


@pytest.mark.parametrize(("old", "sentence"), PARAMETERS.items())
def test_an_old_parameter_of_a_filter_is_answered(tmp_path, old, sentence):
    name, key = old.split(".")
    known = filters.load(name).Params.model_fields
    (new,) = re.findall(r"'(.+?)'", sentence)
    assert key not in known
    assert new in known
    step = f"{{filter: {name}, {key}: 3}}"
    said = refusal(tmp_path, f"input: {{cards: [card]}}\nenhance: [{{name: a, steps: [{step}]}}]\n")
    assert said == f"4: enhance[0].steps[0].{key}: {sentence}"
