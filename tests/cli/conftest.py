"""The command line in this process, a config, and a pipeline of two stages."""

from __future__ import annotations

import pytest

from limbward.runs import runner
from limbward.runs.stage import Stage
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
