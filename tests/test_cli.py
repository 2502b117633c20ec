"""Commands: what they print where, and the exit status that scripts rely on."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from datetime import datetime
from pathlib import Path

import pytest

from limbward import __version__
from limbward.cli import main
from limbward.clock.wording import audit_lines, clock_verdict
from limbward.errors import LimbwardError
from limbward.sky.wording import contacts_heading
from limbward.stages import runner
from limbward.stages.stage import Stage
from limbward.workspace import Workspace

CONFIG = """\
site: {latitude: 65.0, longitude: -23.4, height: 40}
eclipse: 2026-08-12
input: {cards: [card]}
"""
CLOCK = {
    "camera": "Example One",
    "serial": "12",
    "utc_offset_hours": 3.0,
    "offset_s": -58.31,
    "offset_sigma_s": 0.12,
    "drift_s_per_hour": 2.4,
    "drift_sigma_s_per_hour": 0.3,
    "epoch_utc": "2026-08-12T17:46:50.800Z",
    "frames_used": 24,
    "residual_rms_s": 0.4,
    "sources": ["crescents"],
    "warnings": ["The clock was set during the eclipse."],
}


@pytest.fixture
def limbward(capsys):
    """Run the command line in this process: returns exit status, standard output and error."""

    def call(*arguments: str | Path) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as left:
            main([str(a) for a in arguments])
        captured = capsys.readouterr()
        return int(left.value.code or 0), captured.out, captured.err

    return call


@pytest.fixture
def config(tmp_path):
    path = tmp_path / "limbward.yaml"
    path.write_text(CONFIG)
    (tmp_path / "card").mkdir()
    return path


@pytest.fixture
def two_stages(monkeypatch):
    """Replace the pipeline by two stages that write clock.json and a report."""

    def timing(settings, workspace, reporter):
        with reporter.progress(2, "cameras") as advance:
            advance(2)
        reporter.warn("clouds")
        workspace.write_json(Workspace.clock, {"cameras": [CLOCK]})

    def report(settings, workspace, reporter):
        workspace.write_json(Workspace.report, {})

    stages = (
        Stage("timing", timing, writes=(Workspace.clock,)),
        Stage("report", report, reads=(Workspace.clock,), writes=(Workspace.report,)),
    )
    monkeypatch.setattr(runner, "load_stages", lambda: stages)


def failing(monkeypatch, error: Exception) -> None:
    def fail(*_):
        raise error

    monkeypatch.setattr(runner, "load_stages", lambda: (Stage("timing", fail),))


def test_run_prints_what_to_look_at(limbward, config, two_stages):
    status, out, err = limbward("run", config)
    workspace = config.parent / "workspace"
    assert status == 0
    assert out.splitlines() == [
        f"report: {workspace / 'report.html'}",
        "clock: Example One (12): 58.31 ± 0.12 s slow, gaining 2.4 ± 0.3 s an hour; zone UTC+3 h",
    ]
    assert "timing:" in err
    assert "warning: clouds" in err
    status, _, err = limbward("run", config)
    assert status == 0
    assert "timing: up to date" in err


def test_run_takes_stages_and_a_workspace(limbward, config, two_stages, tmp_path):
    elsewhere = tmp_path / "else where"
    assert limbward("run", config, "--workspace", elsewhere, "--until", "timing")[0] == 0
    assert (elsewhere / "clock.json").exists()
    assert not (elsewhere / "report.html").exists()
    assert not (config.parent / "workspace").exists()
    status, _, err = limbward("run", config, "--from", "reprot")
    assert status == 2
    assert "did you mean 'report'?" in err
    _, _, err = limbward("run", config, "--workspace", elsewhere, "--force")
    assert "up to date" not in err


def test_quiet_prints_warnings_only(limbward, config, two_stages):
    _, out, err = limbward("run", config, "--quiet")
    assert err == "warning: clouds\n"
    assert "report.html" in out


def test_audit(limbward, config, two_stages):
    status, out, err = limbward("audit", config, "--json")
    assert status == 0
    assert json.loads(out) == {"cameras": [CLOCK]}
    assert "warning: clouds" in err
    assert not (config.parent / "workspace" / "report.html").exists()
    _, out, _ = limbward("audit", config)
    assert out.splitlines() == [
        "Example One (12)",
        "  clock   58.31 ± 0.12 s slow",
        "  zone    UTC+3 h",
        "  drift   gaining 2.4 ± 0.3 s an hour",
        "  frames  24 used",
        "  warning: The clock was set during the eclipse.",
    ]


def test_audit_lines_tell_what_clock_json_holds():
    told = {
        "evidence": [
            {"source": "crescents", "frames": 24, "used": 12, "scatter_s": 0.29},
            {"source": "GPS tags", "frames": 0, "used": 0},
        ],
        "step": {"seconds": -3600.0, "sigma_s": 0.14, "after_file": "a", "before_file": "b"},
        "disagreeing": [{"file": f"f{i}", "by_s": 7.04} for i in range(12)],
    }
    lines = audit_lines(CLOCK | told)
    assert "  crescents: 12 of 24 used, scatter 0.29 s" in lines
    assert not any("GPS" in line for line in lines)
    assert "  the clock was set by -3600.0 ± 0.1 s between a and b" in lines
    assert "  f0 disagrees by +7.0 s and was not used" in lines
    assert "  2 more disagree; see clock.json" in lines
    assert max(map(len, lines)) <= 80
    unknown = CLOCK | {"offset_s": None, "drift_s_per_hour": None, "frames_used": 0}
    limb = {"decision": "real", "amplitude": 0.984, "amplitude_sigma": 0.03}
    seen = "  limb: the Moon's real one, seen at 0.98 ± 0.03 of its height"
    assert seen in audit_lines(CLOCK | told | {"lunar_limb": limb})
    none = {"decision": "undetermined", "amplitude": None, "amplitude_sigma": None}
    doubted = "  limb: the Moon's real one, in doubt: not compared"
    assert doubted in audit_lines(CLOCK | told | {"lunar_limb": none})
    assert audit_lines(unknown)[1:3] == ["  clock   not known", "  zone    UTC+3 h, not checked"]
    unknown["utc_offset_hours"] = None
    assert audit_lines(unknown)[1:-1] == ["  clock   not known"]


def test_contacts_as_json(limbward):
    status, out, err = limbward(
        "contacts", "--lat", "65", "--lon", "-23.4", "--date", "2026-08-12", "--json"
    )
    assert status == 0
    assert err == ""
    found = json.loads(out)
    assert {"date", "site", "kind", "magnitude", "obscuration", "delta_t", "contacts"} <= set(found)
    assert found["kind"] == "total"
    assert list(found["contacts"]) == ["C1", "C2", "greatest", "C3", "C4"]
    for contact in found["contacts"].values():
        assert contact["utc"].endswith("Z")
        keys = {"utc", "altitude", "azimuth", "position_angle", "vertex_angle"}
        assert keys <= set(contact)


def test_contacts_for_people_carry_the_caution(limbward):
    where = ("--lat", "65", "--lon", "-23.4", "--date", "2026-08-12")
    _, out, _ = limbward("contacts", *where)
    found = json.loads(limbward("contacts", *where, "--json")[1])
    assert found["caution"] in " ".join(out.split())
    exact = found["contacts"]
    for name, contact in exact.items():
        # The table of the smooth Moon has dates and altitudes; that of the real limb comes first.
        stamp = re.compile(rf"^{name} +(\d{{4}}-\d\d-\d\d \d\d:\d\d:\d\d\.\d)", re.MULTILINE)
        (shown,) = stamp.finditer(out)
        difference = datetime.fromisoformat(shown[1] + "Z") - datetime.fromisoformat(contact["utc"])
        assert abs(difference.total_seconds()) <= 0.05


def test_contacts_take_radii(limbward):
    where = ("contacts", "--lat", "65", "--lon", "-23.4", "--date", "2026-08-12", "--json")
    mean = json.loads(limbward(*where)[1])
    valley = json.loads(limbward(*where, "--k-umbra", "0.272281")[1])
    larger = json.loads(limbward(*where, "--solar-radius-km", "696500")[1])
    assert valley["duration_s"] < mean["duration_s"]
    assert valley["contacts"]["C1"] == mean["contacts"]["C1"]
    assert larger["duration_s"] < mean["duration_s"]
    assert larger["contacts"]["C1"]["utc"] < mean["contacts"]["C1"]["utc"]


def test_no_eclipse_is_an_answer(limbward):
    status, out, _ = limbward("contacts", "--lat", "-65", "--lon", "3", "--date", "2026-08-12")
    assert status == 0
    assert out.startswith("No eclipse of the Sun on 2026-08-12 at 65.0000° S 3.0000° E.")


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
        ["simulate", "x", "--scenario", "annular"],
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


def test_check(limbward, config):
    status, out, _ = limbward("check", config)
    assert status == 0
    assert f"{config}: valid." in out
    assert "Total eclipse of 2026-08-12" in out


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("2026-08-12", "2026-08-22", "2: eclipse: there is no solar eclipse on 2026-08-22"),
        ("2026-08-12", "2026-08-13", "2: eclipse: there is no solar eclipse on 2026-08-13, but"),
        ("65.0", "-65.0", "2: eclipse: there is no solar eclipse on 2026-08-12"),
        ("-23.4", "100", "2: eclipse: the Sun is down during the eclipse"),
        ("2026-08-12", "1715-05-03", "2: eclipse: The date lies outside the ephemeris"),
        ("[card]", "[card, crad]", "3: input.cards[1]: there is no folder"),
        ("site", "sight", "1: sight: unknown key; did you mean 'site'?"),
    ],
)
@pytest.mark.parametrize("command", ["check", "run"])
def test_check_and_run_say_what_is_wrong_and_where(limbward, config, command, old, new, expected):
    config.write_text(CONFIG.replace(old, new))
    status, out, err = limbward(command, config)
    assert status == 2
    assert out == ""
    assert f"{config}:{expected}" in err
    if "ephemeris" in expected:
        assert "which covers 1899-07-29 to 2053-10-09" in err  # JPL IOM 343R-08-003, DE421
        assert "pip install 'limbward[de440]'" in err


def test_check_says_everything_that_is_wrong_at_once(limbward, config):
    config.write_text(CONFIG.replace("65.0", "-65.0").replace("[card]", "[one, two]"))
    _, _, err = limbward("check", config)
    assert [line.split(": ")[1] for line in err.splitlines()] == [
        "eclipse",
        "input.cards[0]",
        "input.cards[1]",
    ]


def test_check_warns_where_the_eclipse_is_only_partial(limbward, config):
    config.write_text(CONFIG.replace("-23.4", "23.4"))  # the sign of a longitude
    status, out, err = limbward("check", config)
    assert status == 0
    assert "Partial eclipse of 2026-08-12" in out
    assert "valid." in out
    assert err.startswith("warning: The eclipse is only partial at the site")
    assert "check the site's coordinates" in err


def test_check_takes_a_single_file_for_a_card(limbward, config):
    (config.parent / "one.dng").touch()
    config.write_text(CONFIG.replace("[card]", "[one.dng]"))
    assert limbward("check", config)[0] == 0


@pytest.mark.parametrize(
    ("error", "message"),
    [
        (LimbwardError("No photographs in card."), "No photographs in card.\n"),
        (OSError(28, "No space left on device", "w/a"), "w/a: No space left on device.\n"),
        (
            ZeroDivisionError("by zero"),
            "Unexpected ZeroDivisionError: by zero. "
            "Run again with --verbose to see where it arose.\n",
        ),
    ],
)
def test_failures_are_a_sentence_and_exit_with_1(limbward, config, monkeypatch, error, message):
    failing(monkeypatch, error)
    status, out, err = limbward("run", config, "-q")
    assert (status, out, err) == (1, "", message)
    status, out, err = limbward("run", config, "-q", "-v")
    assert status == 1
    assert err.startswith("Traceback")
    assert err.endswith(message)
    # The next call in the same process is not verbose any more.
    assert limbward("run", config, "-q")[2] == message


def test_a_locked_workspace_exits_with_1(limbward, config, two_stages):
    with Workspace(config.parent / "workspace").locked():
        status, _, err = limbward("run", config)
    assert status == 1
    assert "Another run is at work" in err


def test_schema_is_json(limbward):
    status, out, _ = limbward("schema")
    assert status == 0
    assert set(json.loads(out)["required"]) == {"site", "eclipse", "input"}


def test_simulate_then_check_then_refuse_to_overwrite(limbward, tmp_path):
    directory = tmp_path / "sim"
    small = ("--megapixels", "0.05", "--jobs", "1", "-q")
    status, out, _ = limbward("simulate", directory, "--scenario", "partial", *small)
    assert status == 0
    assert out == f"config: {directory / 'limbward.yaml'}\n"
    assert limbward("check", directory / "limbward.yaml")[0] == 0
    before = sorted((p, p.stat().st_mtime_ns) for p in directory.rglob("*"))
    for command in (("simulate", directory, *small), ("demo", directory, *small)):
        status, _, err = limbward(*command)
        assert status == 1
        assert "choose another folder" in err
    assert sorted((p, p.stat().st_mtime_ns) for p in directory.rglob("*")) == before


def test_conditions_are_chosen_by_name(limbward, tmp_path):
    small = ("--scenario", "partial", "--megapixels", "0.05", "--jobs", "1", "-q")
    made = {}
    for name, options in {
        "default": (),
        "calm": ("--conditions", "calm"),
        "one": ("--conditions", "calm", "--effect", "ghost", "--effect", "focal-length"),
    }.items():
        assert limbward("simulate", tmp_path / name, *options, *small)[0] == 0
        made[name] = json.loads((tmp_path / name / "truth.json").read_text())
    assert [m["conditions"] for m in made.values()] == ["usual", "calm", "calm+ghost+focal-length"]
    assert made["default"]["weather"]["aureole"] > 0.0 == made["calm"]["weather"]["aureole"]
    assert made["one"]["cameras"][0]["optics"]["ghost"] > 0.0
    assert made["one"]["weather"] == made["calm"]["weather"]


@pytest.mark.parametrize(
    ("command", "options", "message"),
    [
        ("simulate", ("--conditions", "fine"), "they are calm, usual, hard"),
        ("demo", ("--conditions", "fine"), "they are calm, usual, hard"),
        ("simulate", ("--effect", "dust"), "No effect is called 'dust'; there are aureole, "),
    ],
)
def test_conditions_that_are_unknown(limbward, tmp_path, command, options, message):
    status, _, err = limbward(command, tmp_path / "new", *options)
    assert status == 2
    assert message in err
    assert not (tmp_path / "new").exists()


def test_demo_under_other_conditions_is_another_demo(limbward, tmp_path):
    (tmp_path / "limbward.yaml").write_text(CONFIG)
    truth = {"seed": 1, "name": "Demo 2026", "conditions": "calm"}
    (tmp_path / "truth.json").write_text(
        json.dumps({**truth, "cameras": [{"height": 182, "width": 274}]})
    )
    small = ("--megapixels", "0.05", "-q")
    status, _, err = limbward("demo", tmp_path, "--conditions", "usual", *small)
    assert status == 1
    assert "made with other options" in err


def test_simulate_somewhere_else(limbward, tmp_path):
    where = ("--lat", "-60", "--lon", "0", "--megapixels", "0.05", "--jobs", "1", "-q")
    status, _, err = limbward("simulate", tmp_path / "x", "--date", "2026-08-12", *where)
    assert status == 1
    assert "No solar eclipse is seen from the site on 2026-08-12" in err


def test_demo_leaves_a_folder_of_something_else_alone(limbward, tmp_path):
    (tmp_path / "thesis.txt").write_text("years of work")
    status, _, err = limbward("demo", tmp_path)
    assert status == 1
    assert "holds something other than a whole demo" in err
    assert [p.name for p in tmp_path.iterdir()] == ["thesis.txt"]


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


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, "Example One (12): 58.31 ± 0.12 s slow, gaining 2.4 ± 0.3 s an hour; zone UTC+3 h"),
        (
            {"offset_s": 4.0, "utc_offset_hours": 0.0, "drift_s_per_hour": -0.5, "serial": ""},
            "Example One: 4.00 ± 0.12 s fast, losing 0.5 ± 0.3 s an hour; zone UTC",
        ),
        (
            {"utc_offset_hours": -3.5, "drift_s_per_hour": None, "offset_sigma_s": 21.0},
            "Example One (12): 58 ± 21 s slow, drift not measured; zone UTC-3.5 h",
        ),
        (
            {"drift_s_per_hour": 0.2, "drift_sigma_s_per_hour": 20.0},
            "Example One (12): 58.31 ± 0.12 s slow, drift not measured; zone UTC+3 h",
        ),
        (
            {"offset_s": None, "offset_sigma_s": None, "drift_s_per_hour": None},
            "Example One (12): not known",
        ),
    ],
)
def test_clock_verdicts(changes, expected):
    assert clock_verdict(CLOCK | changes) == expected


def test_heading_says_when_the_sun_is_down():
    circumstances = {
        "date": "2026-08-12",
        "site": {"name": "Camp", "latitude": 1.0, "longitude": -2.0, "height": 3.0},
        "kind": "partial",
        "visible": False,
        "magnitude": 0.5,
        "obscuration": 0.4,
        "duration_s": None,
        "contacts": {},
    }
    assert contacts_heading(circumstances) == (
        "Partial eclipse of 2026-08-12 at Camp (1.0000° N 2.0000° W), 3 m: magnitude 0.500, "
        "40.0 % of the Sun covered; the Sun is below the horizon throughout."
    )
