"""Help, completion, versions, warnings, and command lines that are wrong."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys

import pytest

from limbward import __version__


@pytest.mark.parametrize(
    "arguments",
    [
        ["contacts", "--lat", "95", "--lon", "0", "--date", "2026-08-12"],
        ["contacts", "--lat", "65", "--lon", "0", "--date", "12.8.2026"],
        ["contacts", "--lat", "65"],
        ["contacts", "--lat", "nan", "--lon", "0", "--date", "2026-08-12"],
        ["contacts", "--lat", "65", "--lon", "0", "--date", "1715-05-03"],
        ["contacts", "--lat", "65", "--lon", "0", "--date", "2026-08-12", "--ephemeris", "de1"],
        ["simulate", "x", "--seed", "-1"],
        ["simulate", "x", "--jobs", "many"],
        ["run"],
        ["run", "no-such-file.yaml"],
        ["check", "no-such-file.yaml"],
        ["simulate", "x", "--scenario", "hybrid"],
        ["simulate", "x", "--lat", "3"],
        ["no-such-command"],
        ["run", "x.yaml", "--no-such-option"],
        [],
    ],
)
def test_wrong_command_lines_exit_with_2(limbward, arguments, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    status, _, err = limbward(*arguments)
    assert status == 2
    assert "Traceback" not in err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("--lat", "65N", "'65N' is not a number of decimal degrees, south and west negative"),
        ("--lon", "23W", "'23W' is not a number of decimal degrees, south and west negative"),
        ("--lat", "95", "95 is not between -90 and 90"),
        ("--height", "5m", "'5m' is not a number of metres, without the unit"),
        ("--date", "12.08.2026", "'12.08.2026' is not a date of the form YYYY-MM-DD"),
    ],
)
def test_values_that_will_not_do_are_explained(limbward, name, value, said):
    where = {"--lat": "65", "--lon": "-23.4", "--date": "2026-08-12"} | {name: value}
    status, _, err = limbward("contacts", *(part for pair in where.items() for part in pair))
    assert status == 2
    assert f"'{name}': {said}" in err


def test_warnings_of_libraries_are_one_plain_line():
    # In a process of its own: pytest has its own way with warnings.
    code = "from limbward.cli import main; main()"
    where = ("--lat", "65", "--lon", "3", "--date", "2045-08-12")
    done = subprocess.run(
        [sys.executable, "-c", code, "contacts", *where],
        capture_output=True,
        text=True,
        check=True,
    )
    (line,) = done.stderr.splitlines()
    assert line.startswith("warning: The Earth's rotation (UT1) is tabulated from 1973")
    assert ".py" not in line


def test_every_command_has_help_that_fits_and_an_example(limbward):
    _, out, _ = limbward("--help")
    commands = re.findall(r"^  (\w+)  ", out.split("Commands:")[1], re.MULTILINE)
    assert {"demo", "run", "audit", "contacts", "check", "backup", "enhance"} <= set(commands)
    for command in commands:
        status, out, _ = limbward(command, "--help")
        assert status == 0
        assert f"Example: limbward {command} " in out
        assert max(map(len, out.splitlines())) <= 80
        for odd in ("[[", "{", " range", "<=", "<int>", "<float>"):
            assert odd not in out.replace("'[{filter", "")


@pytest.mark.parametrize(
    ("shell", "typed"),
    [
        ("bash", {"COMP_WORDS": "limbward ru", "COMP_CWORD": "1"}),
        ("zsh", {"_TYPER_COMPLETE_ARGS": "limbward ru"}),
        (
            "fish",
            {"_TYPER_COMPLETE_FISH_ACTION": "get-args", "_TYPER_COMPLETE_ARGS": "limbward ru"},
        ),
    ],
)
def test_shells_complete_commands(shell, typed):
    """Ask as the line that --install-completion adds does."""
    done = subprocess.run(
        [sys.executable, "-c", "import sys; sys.argv[0] = 'limbward';"
         "from limbward.cli import main; main()"],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "_LIMBWARD_COMPLETE": f"complete_{shell}", **typed},
    )  # fmt: skip
    assert "run" in done.stdout
    assert "demo" not in done.stdout


def test_schema_is_json(limbward):
    status, out, _ = limbward("schema")
    assert status == 0
    assert set(json.loads(out)["required"]) == {"site", "eclipse", "input"}


def test_version_and_module_entry():
    shown = subprocess.run(
        [sys.executable, "-m", "limbward", "--version"], capture_output=True, text=True, check=True
    )
    assert shown.stdout == f"limbward {__version__}\n"
    assert shown.stderr == ""


def test_help_does_not_load_the_numerics():
    code = (
        "import sys\n"
        "from limbward.cli import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit:\n    pass\n"
        "heavy = {'numpy', 'numba', 'scipy', 'astropy', 'pydantic', 'matplotlib'}\n"
        "sys.stderr.write(' '.join(heavy & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.stderr == ""
    assert done.returncode == 0
    for command in ("demo", "simulate", "run", "audit", "contacts", "check", "schema"):
        assert command in done.stdout
