"""`run` and `audit`: what they print where, and the exit status that scripts rely on."""

from __future__ import annotations

import json

import pytest

from limbward.clock.wording import audit_lines, clock_verdict
from limbward.errors import LimbwardError
from limbward.runs import runner
from limbward.runs.stage import Stage
from limbward.workspace import Workspace
from tests.cli.conftest import CLOCK


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
        "clock: Example One (12): 58.31 ± 0.12 s slow, gaining 2.4 ± 0.3 s per hour; zone UTC+3 h",
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
        "  drift   gaining 2.4 ± 0.3 s per hour",
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
    beads = {"frames": 9, "used": 9, "scatter_s": 0.3, "sigma_s": 0.062, "why_not": None}
    by_beads = "  beads alone give the clock to 0.06 s, apart from the site's error"
    assert by_beads in audit_lines(CLOCK | {"beads": beads})
    unused = audit_lines(CLOCK | {"beads": beads | {"used": 0, "why_not": "of no use"}})
    assert "  beads: of no use" in unused
    unknown = CLOCK | {"offset_s": None, "drift_s_per_hour": None, "frames_used": 0}
    limb = {"decision": "real", "amplitude": 0.984, "amplitude_sigma": 0.03}
    seen = "  limb: the Moon's real one, seen at 0.98 ± 0.03 of its height"
    assert seen in audit_lines(CLOCK | told | {"lunar_limb": limb})
    none = {"decision": "undetermined", "used": True, "amplitude": None, "amplitude_sigma": None}
    doubted = "  limb: the Moon's real one, in doubt: not compared"
    assert doubted in audit_lines(CLOCK | told | {"lunar_limb": none})
    assert audit_lines(unknown)[1:3] == ["  clock   not known", "  zone    UTC+3 h, not checked"]
    unknown["utc_offset_hours"] = None
    assert audit_lines(unknown)[1:-1] == ["  clock   not known"]


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
    assert "Another run is using" in err


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, "Example One (12): 58.31 ± 0.12 s slow, gaining 2.4 ± 0.3 s per hour; zone UTC+3 h"),
        (
            {"offset_s": 4.0, "utc_offset_hours": 0.0, "drift_s_per_hour": -0.5, "serial": ""},
            "Example One: 4.00 ± 0.12 s fast, losing 0.5 ± 0.3 s per hour; zone UTC",
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
