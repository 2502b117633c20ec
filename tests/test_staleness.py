"""Which stages a change makes stale: those that reach the changed file, and no others."""

import ast
import shutil
from pathlib import Path

import pytest

import limbward
from limbward import imports
from limbward.runs.records import code_digest
from limbward.runs.runner import load_stages

PACKAGE = Path(limbward.__file__).parent


def modules(package):
    """Return the modules of the package by their full names."""
    found = {}
    for path in sorted(package.rglob("*.py")):
        parts = path.relative_to(package.parent).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def imported(path, known):
    """Return the modules that one imports anywhere in it, by Python's own parser."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            names |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    # Importing a module runs the packages that it lies in.
    whole = {".".join(n.split(".")[:k]) for n in names for k in range(1, n.count(".") + 2)}
    return whole & known.keys()


def reached(start, known):
    todo, seen = set(start), set()
    while todo:
        name = todo.pop()
        seen.add(name)
        parents = {name.rpartition(".")[0]} & known.keys()
        todo |= (imported(known[name], known) | parents) - seen
    return seen


@pytest.fixture
def copy(tmp_path):
    """A copy of the package, whose files may be edited."""
    ignored = shutil.ignore_patterns("__pycache__")
    yield Path(shutil.copytree(PACKAGE, tmp_path / PACKAGE.name, ignore=ignored))
    imports.forget()


def test_an_edit_of_each_module_makes_exactly_the_stages_stale_that_reach_it(copy):
    known = modules(copy)
    stages = load_stages()
    reach = {}
    for stage in stages:
        loaded = [n for n in known for f in stage.loads if n.startswith(f"limbward.{f}.")]
        reach[stage.name] = reached([stage.run.__module__, *loaded], known)
    before = {stage.name: code_digest(stage, copy) for stage in stages}
    wrong = []
    for name, path in known.items():
        text = path.read_bytes()
        path.write_bytes(text + b"# edited\n")
        # What the other files import stands as it was: all of them are read again, none is parsed.
        imports._read.cache_clear()
        imports.stamp.cache_clear()
        stale = {s.name for s in stages if code_digest(s, copy) != before[s.name]}
        path.write_bytes(text)
        if stale != {s.name for s in stages if name in reach[s.name]}:
            wrong.append(f"{name}: {sorted(stale)}")
    assert not wrong


def test_what_is_no_module_counts_where_it_is_loaded(copy):
    stages = {stage.name: stage for stage in load_stages()}
    before = {name: code_digest(stage, copy) for name, stage in stages.items()}
    template = next((copy / "report").glob("*.j2"))
    template.write_text(template.read_text() + "<!-- edited -->")
    imports.forget()
    assert [n for n, s in stages.items() if code_digest(s, copy) != before[n]] == ["report"]


@pytest.mark.parametrize(
    ("module", "stages"),
    [
        ("report/wording.py", ["report"]),
        ("filters/nrgf.py", ["enhance"]),
        ("render/compose.py", ["compose"]),
        ("cli/app.py", []),
        ("simulate/scene.py", []),
    ],
)
def test_an_edit_far_from_a_stage_leaves_it_alone(copy, module, stages):
    before = {stage.name: code_digest(stage, copy) for stage in load_stages()}
    path = copy / module
    path.write_text(path.read_text() + "# edited\n")
    imports.forget()
    assert [s.name for s in load_stages() if code_digest(s, copy) != before[s.name]] == stages
