"""Stages run when what they depend on changed, and only then."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pytest
from astropy.table import Table

import limbward
from limbward.config import Config
from limbward.errors import ConfigError, LimbwardError
from limbward.runs import records
from limbward.runs.runner import run_stages
from limbward.runs.stage import ORDER, Stage
from limbward.work.reporting import SilentReporter
from limbward.workspace import Workspace

BASE = {
    "site": {"latitude": 65.0, "longitude": -23.4},
    "eclipse": "2026-08-12",
    "input": {"cards": ["card"]},
}


def config(**sections) -> Config:
    return Config.model_validate(BASE | sections)


@dataclass
class Pipeline:
    """Three small stages; what each writes follows from its config, its inputs and the card.

    ingest lists the card; timing adds to it; merge makes a corona unless the size is 64.
    """

    workspace: Workspace
    card: dict[str, str] = field(default_factory=lambda: {"a": "1", "b": "2"})
    ran: list[str] = field(default_factory=list)
    broken: set[str] = field(default_factory=set)
    reporter: SilentReporter = field(default_factory=SilentReporter)

    def ingest(self, config: Config, workspace: Workspace, reporter: SilentReporter) -> None:
        self._begin("ingest")
        table = Table(
            {"file": np.array(sorted(self.card), str), "sha256": list(self.card.values())}
        )
        workspace.write_table("tables/ingest.ecsv", table)
        for name, content in self.card.items():
            workspace.write_text(f"reduced/{name}.txt", content)

    def timing(self, config: Config, workspace: Workspace, reporter: SilentReporter) -> None:
        self._begin("timing")
        table = workspace.read_table("tables/ingest.ecsv")["file",]
        table["note"] = [f"mount {config.timing.mount}"] * len(table)
        workspace.write_table("tables/timing.ecsv", table)

    def merge(self, config: Config, workspace: Workspace, reporter: SilentReporter) -> None:
        self._begin("merge")
        names = "".join(str(f) for f in workspace.read_table("tables/timing.ecsv")["file"])
        table = workspace.read_table("tables/timing.ecsv")["file",]
        table["used"] = True
        workspace.write_table("tables/merge.ecsv", table)
        if config.merge.size != 64:
            workspace.write_text("corona.fits", f"{names} {config.merge.linear_up_to}")

    def _begin(self, name: str) -> None:
        self.ran.append(name)
        if name in self.broken:
            raise LimbwardError(f"{name} is broken")

    def stages(self) -> list[Stage]:
        return [
            Stage(
                "ingest",
                self.ingest,
                sections=("input",),
                writes=("tables/ingest.ecsv", "reduced/"),
                fingerprint=lambda _: json.dumps(self.card),
            ),
            Stage(
                "timing",
                self.timing,
                sections=("site", "eclipse", "timing"),
                reads=("tables/ingest.ecsv", "reduced/"),
                writes=("tables/timing.ecsv",),
            ),
            Stage(
                "merge",
                self.merge,
                sections=("merge",),
                reads=("tables/timing.ecsv",),
                writes=("tables/merge.ecsv", "corona.fits"),
            ),
        ]

    def run(self, settings: Config | None = None, **how) -> list[str]:
        """Run, and return the names of the stages that ran."""
        self.ran.clear()
        how.setdefault("stages", self.stages())
        runs = run_stages(settings or config(), self.workspace, self.reporter, **how)
        assert [r.name for r in runs if not r.skipped] == self.ran
        return list(self.ran)

    def frames(self, column: str) -> list:
        table = self.workspace.read_table(Workspace.frames)
        return [None if v is np.ma.masked else v for v in table[column]]


@pytest.fixture
def pipeline(tmp_path):
    return Pipeline(Workspace(tmp_path / "w"))


ALL = ["ingest", "timing", "merge"]


def test_a_second_run_has_nothing_to_do(pipeline):
    assert pipeline.run() == ALL
    before = {
        p: p.stat().st_mtime_ns
        for p in pipeline.workspace.root.rglob("*")
        if p.is_file() and "state" not in p.parts
    }
    assert pipeline.run() == []
    for path, time_ns in before.items():
        if path.name not in ("provenance.json", "frames.ecsv"):
            assert path.stat().st_mtime_ns == time_ns


def test_only_the_sections_a_stage_declares_count(pipeline):
    pipeline.run()
    assert pipeline.run(config(report={"title": "Other"})) == []
    assert pipeline.run(config(run={"jobs": 3})) == []
    assert pipeline.run(config(merge={"linear_up_to": 0.8})) == ["merge"]
    assert pipeline.run(config(merge={"linear_up_to": 0.8})) == []
    assert pipeline.run() == ["merge"]


def test_a_stage_whose_result_is_the_same_stops_the_chain(pipeline):
    pipeline.run()
    # Another latitude runs timing, which here makes the same table: merge has nothing new.
    moved = {"latitude": 64.0, "longitude": -23.4}
    assert pipeline.run(config(site=moved)) == ["timing"]
    assert pipeline.run(config(site=moved, timing={"mount": "fixed"})) == ["timing", "merge"]


def test_a_change_on_the_card_is_seen(pipeline):
    pipeline.run()
    pipeline.card["c"] = "3"
    assert pipeline.run() == ALL
    assert pipeline.frames("file") == ["a", "b", "c"]
    assert pipeline.workspace.path("corona.fits").read_text() == "abc 0.9"


@pytest.mark.parametrize("artefact", ["corona.fits", "tables/merge.ecsv"])
def test_a_deleted_or_edited_artefact_is_made_again(pipeline, artefact):
    pipeline.run()
    path = pipeline.workspace.path(artefact)
    whole = path.read_bytes()
    path.unlink()
    assert pipeline.run() == ["merge"]
    assert path.read_bytes() == whole
    path.write_bytes(whole[:-1] + b"?")  # the same length
    assert pipeline.run() == ["merge"]
    assert path.read_bytes() == whole


def test_a_file_with_a_new_date_but_the_same_content_is_unchanged(pipeline):
    pipeline.run()
    os.utime(pipeline.workspace.path("tables/ingest.ecsv"), (1, 1))
    assert pipeline.run() == []


def test_a_folder_counts_with_everything_in_it(pipeline):
    pipeline.run()
    pipeline.workspace.path("reduced/a.txt").unlink()
    assert pipeline.run() == ["ingest"]
    pipeline.workspace.path("reduced/b.txt").write_text("x")
    assert pipeline.run() == ["ingest"]


def test_force_from_and_until(pipeline):
    assert pipeline.run(last="timing") == ["ingest", "timing"]
    assert not pipeline.workspace.path("corona.fits").exists()
    assert pipeline.run() == ["merge"]
    assert pipeline.run(force=True) == ALL
    assert pipeline.run(force=True, last="timing") == ["ingest", "timing"]
    assert pipeline.run() == []
    assert pipeline.run(first="timing") == ["timing", "merge"]
    assert pipeline.run(first="timing", last="timing") == ["timing"]
    with pytest.raises(ConfigError, match="merge comes after ingest"):
        pipeline.run(first="merge", last="ingest")
    with pytest.raises(ConfigError, match=r"'tming'; did you mean 'timing'\?"):
        pipeline.run(first="tming")


def test_from_needs_what_comes_before(pipeline):
    with pytest.raises(LimbwardError, match="The stage ingest has never run in"):
        pipeline.run(first="merge")
    assert pipeline.reporter.warnings == []
    pipeline.run()
    pipeline.card["c"] = "3"
    assert pipeline.run(first="merge") == ["merge"]
    assert pipeline.reporter.warnings == [
        "ingest is out of date and was not run; `limbward run CONFIG` updates it."
    ]
    pipeline.run(config(timing={"mount": "fixed"}), first="merge")
    assert pipeline.reporter.warnings[1:] == [
        "ingest and timing are out of date and were not run; `limbward run CONFIG` updates them."
    ]
    assert pipeline.frames("file") == ["a", "b"]  # what the run was built on
    assert pipeline.frames("used") == [True, True]
    pipeline.workspace.path("tables/ingest.ecsv").unlink()
    with pytest.raises(LimbwardError, match=r"needs tables/ingest\.ecsv, made by the stage ingest"):
        pipeline.run(first="timing")


def test_a_failing_stage_leaves_what_was_there_and_runs_again(pipeline):
    pipeline.run()
    pipeline.broken.add("merge")
    with pytest.raises(LimbwardError, match="merge is broken"):
        pipeline.run(config(timing={"mount": "fixed"}))
    assert pipeline.workspace.path("corona.fits").read_text() == "ab 0.9"
    assert "causes" not in pipeline.workspace.read_json("state/merge.json")
    # Nothing of the old merge is claimed of the new frames.
    assert pipeline.frames("note") == ["mount fixed"] * 2
    assert pipeline.frames("used") == [False] * 2
    outcome = pipeline.workspace.read_json(Workspace.provenance)
    assert outcome["outcome"] == "failed: merge is broken"
    assert [s["name"] for s in outcome["stages"]] == ["ingest", "timing"]
    pipeline.broken.clear()
    assert pipeline.run(config(timing={"mount": "fixed"})) == ["merge"]
    assert pipeline.frames("used") == [True] * 2


def test_an_early_stop_keeps_the_columns_that_are_still_true(pipeline):
    pipeline.run()
    pipeline.run(last="timing")
    assert pipeline.frames("used") == [True] * 2
    pipeline.run(config(timing={"mount": "fixed"}), last="timing")
    assert pipeline.frames("used") == [False] * 2
    pipeline.workspace.path(Workspace.frames).write_text("damaged")
    pipeline.run(config(timing={"mount": "fixed"}))
    assert pipeline.frames("used") == [True] * 2


def test_what_no_longer_applies_is_removed_and_that_is_up_to_date(pipeline):
    pipeline.run()
    small = config(merge={"size": 64})
    assert pipeline.run(small) == ["merge"]
    assert not pipeline.workspace.path("corona.fits").exists()
    assert pipeline.run(small) == []


def test_outputs_that_follow_from_the_config(tmp_path):
    workspace = Workspace(tmp_path)

    def names(settings: Config) -> tuple[str, ...]:
        return tuple(f"enhanced/{e.name}.fits" for e in settings.enhance)

    def run(settings: Config, space: Workspace, reporter: SilentReporter) -> None:
        for name in names(settings):
            space.write_text(name, name)

    stage = Stage("enhance", run, sections=("enhance",), writes=names)

    def enhanced(*which: str) -> list[bool]:
        steps = [{"filter": "nrgf"}]
        settings = config(enhance=[{"name": n, "steps": steps} for n in which])
        return [
            r.skipped for r in run_stages(settings, workspace, SilentReporter(), stages=[stage])
        ]

    assert enhanced("one", "two") == [False]
    assert enhanced("one", "two") == [True]
    assert enhanced("two") == [False]
    assert [p.name for p in (tmp_path / "enhanced").iterdir()] == ["two.fits"]


def test_what_a_run_that_was_cut_off_made_is_known_to_the_next(tmp_path):
    workspace, broken = Workspace(tmp_path), [True]

    def names(settings: Config) -> tuple[str, ...]:
        return tuple(f"enhanced/{e.name}.fits" for e in settings.enhance)

    def run(settings: Config, space: Workspace, reporter: SilentReporter) -> None:
        for name in names(settings):
            space.write_text(name, name)
        if broken[0]:
            raise LimbwardError("cut off")

    stage = Stage("enhance", run, sections=("enhance",), writes=names)

    def enhanced(name: str) -> None:
        settings = config(enhance=[{"name": name, "steps": [{"filter": "nrgf"}]}])
        run_stages(settings, workspace, SilentReporter(), stages=[stage])

    for name in ("one", "two"):
        with pytest.raises(LimbwardError, match="cut off"):
            enhanced(name)
    broken[0] = False
    enhanced("three")
    assert [p.name for p in (tmp_path / "enhanced").iterdir()] == ["three.fits"]


def test_a_new_version_makes_everything_stale(pipeline, monkeypatch):
    pipeline.run()
    assert pipeline.run() == []
    monkeypatch.setattr(limbward, "__version__", "999")
    assert pipeline.run() == ALL


def test_a_stage_that_depends_on_nothing_real_is_a_fault(pipeline):
    (ingest, *_) = pipeline.stages()
    with pytest.raises(ValueError, match="no such sections"):
        pipeline.run(stages=[replace(ingest, sections=("inputs",))])
    with pytest.raises(ValueError, match="'kitchen', which does not exist"):
        pipeline.run(stages=[replace(ingest, loads=("kitchen",))])


@pytest.mark.parametrize("content", ["", "{", "[]", "{}", '{"writes": {}}'])
def test_a_damaged_record_means_run_again(pipeline, content):
    pipeline.run()
    pipeline.workspace.path("state/timing.json").write_text(content)
    assert pipeline.run() == ["timing"]
    pipeline.workspace.path("state/hashes.json").write_text(content)
    assert pipeline.run() == []


def test_provenance(pipeline):
    pipeline.run()
    pipeline.run(config(merge={"linear_up_to": 0.8}))
    record = pipeline.workspace.read_json(Workspace.provenance)
    assert record["limbward"] == limbward.__version__
    assert record["outcome"] == "done"
    assert record["config"]["merge"]["linear_up_to"] == 0.8
    assert record["config"]["sky"]["ephemeris"] == "de421"
    assert [(s["name"], s["skipped"]) for s in record["stages"]] == [
        ("ingest", True),
        ("timing", True),
        ("merge", False),
    ]
    assert record["inputs"] == [
        {"file": "a", "sha256": "1", "size": None},
        {"file": "b", "sha256": "2", "size": None},
    ]
    assert record["libraries"]["numpy"] == np.__version__
    assert record["began"] <= record["ended"]


def test_the_workspace_is_locked_meanwhile(pipeline):
    stages = pipeline.stages()

    def nested(settings: Config, space: Workspace, reporter: SilentReporter) -> None:
        run_stages(settings, Workspace(Path(space.root)), reporter, stages=stages)

    with pytest.raises(LimbwardError, match="Another run is using"):
        run_stages(
            config(),
            pipeline.workspace,
            SilentReporter(),
            stages=[replace(stages[0], run=nested)],
        )


def test_the_real_stages_fit_together():
    """Every artefact is made by one stage and read after it."""
    from limbward.runs.runner import load_stages
    from limbward.workspace.reported import SEQUENCES

    stages = load_stages()
    assert tuple(stage.name for stage in stages) == ORDER
    settings = config()
    # The table is assembled from the stages', and `limbward sheet` and its like make the products.
    made: set[str] = {Workspace.frames, SEQUENCES}
    for stage in stages:
        assert set(stage.inputs(settings)) <= made, stage.name
        outputs = set(stage.outputs(settings))
        assert not outputs & made, stage.name
        made |= outputs
        assert records.code_digest(stage)
        assert set(stage.sections) <= set(Config.model_fields) - {"run", "workspace"}
    promised = {
        Workspace.contacts,
        Workspace.clock,
        Workspace.pointing,
        Workspace.corona,
        Workspace.composite_tif,
        Workspace.composite_png,
        Workspace.report,
        *Workspace.enhanced("nrgf"),
    }
    assert promised <= made
