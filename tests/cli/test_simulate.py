"""`simulate` and `demo`: cards, conditions, and folders that they leave alone."""

from __future__ import annotations

import json

import pytest

from tests.cli.conftest import CONFIG


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
        ("simulate", ("--conditions", "fine"), "choose one of calm, usual, hard"),
        ("demo", ("--conditions", "fine"), "choose one of calm, usual, hard"),
        ("simulate", ("--effect", "dust"), "There is no effect 'dust'; choose one of aureole, "),
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
    assert "holds something other than a complete demo" in err
    assert [p.name for p in tmp_path.iterdir()] == ["thesis.txt"]
