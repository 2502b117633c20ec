"""The reference in the documentation holds all that there is to refer to."""

import importlib.util
import json
import re
from pathlib import Path

import pytest
from typer.main import get_command

from limbward import filters
from limbward.cli.app import app
from limbward.config.loading import json_schema

ROOT = Path(__file__).parent.parent
NOTEBOOKS = ROOT / "notebooks"


@pytest.fixture(scope="module")
def tables():
    spec = importlib.util.spec_from_file_location("docs_tables", NOTEBOOKS / "docs_tables.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_every_command_and_its_example(tables):
    text = tables.commands()
    told = [command.epilog or "" for command in get_command(app).commands.values()]
    examples = {line for epilog in told for line in re.findall(r"Example: (limbward .+)", epilog)}
    assert len(examples) == len(told)
    assert len(examples) >= 10
    assert {f"$ {example}" for example in examples} <= set(text.splitlines())
    headings = re.findall(r"^## `limbward (\S+)`$", text, re.MULTILINE)
    assert {e.split()[1] for e in examples} == set(headings)


def test_every_key_of_the_config(tables):
    text = tables.config()
    schema = json_schema()
    keys = set(schema["properties"])
    for model in schema["$defs"].values():
        keys |= set(model.get("properties", {}))
    shown = set(re.findall(r"`([\w.]+)` \|", text)) | set(re.findall(r"^#+ `(\w+)", text, re.M))
    assert keys - shown == set()
    rows = [line for line in text.splitlines() if line.startswith("| ")]
    assert all(len(re.findall(r"(?<!\\)\|", row)) == 5 for row in rows)


def test_every_filter_and_its_parameters(tables):
    text = tables.filters()
    for name in filters.names():
        assert f"## `{name}`" in text
        for key in filters.load(name).Params.model_fields:
            assert f"| `{key}` |" in text.partition(f"## `{name}`")[2]


def test_pages_are_what_the_program_says_now(tables):
    """``python notebooks/docs_tables.py`` writes them."""
    for name, text in tables.pages().items():
        assert (NOTEBOOKS / name).read_text(encoding="utf-8") == text, name


def test_pages_lead_to_files_that_exist():
    for page in (ROOT / "README.md", *NOTEBOOKS.glob("*.md")):
        for target in re.findall(r"\]\((\w[\w./-]*)\)", page.read_text(encoding="utf-8")):
            assert (page.parent / target).exists(), (page.name, target)
    toctree = (NOTEBOOKS / "index.md").read_text(encoding="utf-8")
    for notebook in NOTEBOOKS.glob("*.ipynb"):
        assert f"\n{notebook.stem}\n" in toctree
        cells = json.loads(notebook.read_text(encoding="utf-8"))["cells"]
        assert "".join(cells[0]["source"]).startswith("# ")  # its title in the contents
