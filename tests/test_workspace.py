"""Artefacts are whole or not there, come back as they were, and one run writes at a time."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
import time
from pathlib import Path

import astropy.units as u
import numpy as np
import pytest
from astropy.table import MaskedColumn, QTable, Table
from hypothesis import given
from hypothesis import strategies as st

from limbward import regular
from limbward.errors import LimbwardError
from limbward.workspace import (
    TEMPORARY,
    Workspace,
    atomic_path,
    ledger,
    to_json,
    write_text,
)


@pytest.fixture
def workspace(tmp_path):
    return Workspace(tmp_path / "workspace")


def test_a_failing_writer_leaves_the_old_file_and_nothing_else(tmp_path):
    path = tmp_path / "a.txt"
    write_text(path, "old")

    def fail(part: Path) -> None:
        part.write_text("ne", encoding="utf-8")
        raise RuntimeError("half way")

    with pytest.raises(RuntimeError, match="half way"), atomic_path(path) as part:
        fail(part)
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]


def test_the_old_file_is_seen_until_the_new_one_is_whole(tmp_path):
    path = tmp_path / "deep" / "a.fits.gz"
    with atomic_path(path) as part:
        assert part.parent == path.parent
        assert part.suffixes == [".fits", ".gz"]
        part.write_text("first")
        assert not path.exists()
    with atomic_path(path) as part:
        part.write_text("second")
        assert path.read_text() == "first"
    assert path.read_text() == "second"


def test_a_writer_that_writes_nothing_is_an_error(tmp_path):
    path = tmp_path / "a.txt"
    write_text(path, "old")
    with pytest.raises(LimbwardError, match="cannot be written"), atomic_path(path):
        pass
    assert path.read_text() == "old"


def test_json_takes_numpy_and_refuses_nan(workspace):
    value = {"a": np.float32(0.5), "b": np.arange(3), "c": None, "name": "Île"}
    workspace.write_json("x.json", value)
    assert workspace.read_json("x.json") == {"a": 0.5, "b": [0, 1, 2], "c": None, "name": "Île"}
    before = workspace.path("x.json").read_bytes()
    with pytest.raises(ValueError, match="JSON compliant"):
        workspace.write_json("x.json", {"a": float("nan")})
    with pytest.raises(TypeError, match="set is not written"):
        workspace.write_json("x.json", {"a": {1}})
    assert workspace.path("x.json").read_bytes() == before


def test_missing_and_damaged_artefacts_are_sentences(workspace):
    for read in (workspace.read_json, workspace.read_table):
        with pytest.raises(LimbwardError, match="is not there; run the stages that make it"):
            read("x")
    write_text(workspace.path("x"), "{")
    for read in (workspace.read_json, workspace.read_table):
        with pytest.raises(LimbwardError, match=r"is damaged \(.*delete it and run again"):
            read("x")


def test_blank_text_comes_back_masked(workspace):
    """The reader of ECSV takes a field of blanks for an empty one, and that for a masked one."""
    table = Table({"t": ["", " ", "a b"]})
    workspace.write_table("t.ecsv", table)
    assert [v is np.ma.masked for v in workspace.read_table("t.ecsv")["t"]] == [True, True, False]


@given(
    st.lists(
        st.tuples(
            st.none() | st.floats(allow_nan=False),
            st.none() | st.integers(-(2**63), 2**63 - 1),
            st.text(st.characters(exclude_categories=["Cs", "Cc", "Zl", "Zp"]), min_size=1).filter(
                str.strip
            ),
            st.booleans(),
        ),
        min_size=1,
        max_size=5,
    )
)
def test_tables_come_back_as_they_were(tmp_path_factory, rows):
    floats, integers, texts, flags = zip(*rows, strict=True)

    def column(values: tuple, fill: float, dtype: type, unit: u.UnitBase | None) -> MaskedColumn:
        filled = [fill if v is None else v for v in values]
        return MaskedColumn(np.array(filled, dtype), mask=[v is None for v in values], unit=unit)

    table = Table()
    table["x"] = column(floats, 0.0, np.float64, u.arcsec)
    table["n"] = column(integers, 0, np.int64, u.byte)
    table["t"] = list(texts)
    table["f"] = list(flags)
    workspace = Workspace(tmp_path_factory.getbasetemp() / "tables")
    workspace.write_table("t.ecsv", table)
    first = workspace.path("t.ecsv").read_bytes()
    back = workspace.read_table("t.ecsv")
    assert back["x"].unit == u.arcsec
    for name, values in (("x", floats), ("n", integers), ("t", texts), ("f", flags)):
        got = [None if v is np.ma.masked else v for v in back[name]]
        assert got == list(values)
    workspace.write_table("t.ecsv", back)
    assert workspace.path("t.ecsv").read_bytes() == first


def test_a_qtable_is_written_with_its_units(workspace):
    workspace.write_table("t.ecsv", QTable({"x": [1.5, 2.5] * u.pix}))
    assert workspace.read_table("t.ecsv")["x"].unit == u.pix


HOLD = """
import sys, time
from pathlib import Path
from limbward.workspace import Workspace
with Workspace(Path(sys.argv[1])).locked():
    print("held", flush=True)
    time.sleep(60)
"""


@pytest.fixture
def holder(workspace):
    """Another process that holds the lock."""
    process = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(workspace.root)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    yield process
    process.kill()
    process.communicate()


def test_a_second_run_is_told_who_is_at_work(workspace, holder):
    with (
        pytest.raises(
            LimbwardError,
            match=rf"Another run is using .*\(process {holder.pid} on .*, since 20",
        ),
        workspace.locked(),
    ):
        pass
    # It did not touch what belongs to the other.
    assert json.loads(workspace.path("state/lock.json").read_text())["pid"] == holder.pid


def test_the_lock_of_a_dead_process_holds_nobody_up(workspace, holder):
    half = workspace.root / "enhanced" / f"{TEMPORARY}0123abcd-radial.fits"
    half.parent.mkdir()
    workspace.claim()
    half.write_text("half a file")
    # Listed by the writer that was killed.
    line = {"file": half.relative_to(workspace.root).as_posix(), "begun": True}
    with workspace.path("state/written.jsonl").open("a") as listed:
        listed.write(json.dumps(line) + "\n")
    holder.kill()
    holder.wait()
    assert workspace.path("state/lock.json").exists()  # it had no time to tidy up
    with workspace.locked():
        assert not half.exists()
    assert not workspace.path("state/lock.json").exists()


def test_the_lock_is_free_again_after_a_failure(workspace):
    with pytest.raises(RuntimeError), workspace.locked():
        raise RuntimeError
    with workspace.locked():
        pass


def test_a_workspace_that_cannot_be_made_is_a_sentence(tmp_path):
    (tmp_path / "file").write_text("")
    with (
        pytest.raises(LimbwardError, match="cannot be made"),
        Workspace(tmp_path / "file" / "w").locked(),
    ):
        pass


def test_names_of_artefacts():
    assert Workspace.table("ingest") == "tables/ingest.ecsv"
    assert Workspace.enhanced("radial")[0] == "enhanced/radial.fits"
    assert Workspace(Path("w")).path(Workspace.corona) == Path("w/corona.fits")
    assert to_json({}) == "{}\n"


def test_a_file_that_is_as_it_was_is_read_once_for_its_digest(tmp_path, monkeypatch):
    read = []
    monkeypatch.setattr(ledger, "sha256", lambda path: read.append(path) or regular.sha256(path))
    old, young = tmp_path / "old", tmp_path / "young"
    for path in (old, young):
        path.write_bytes(b"corona")
    long_ago = time.time_ns() - 10**9
    os.utime(old, ns=(long_ago, long_ago))
    moved = tmp_path / "moved"
    first = ledger.known_digest(old)
    old.rename(moved)
    assert ledger.known_digest(moved) == first == hashlib.sha256(b"corona").hexdigest()
    assert read == [old]
    moved.write_bytes(b"crown!")
    os.utime(moved, ns=(long_ago, long_ago + 1))
    assert ledger.known_digest(moved) == hashlib.sha256(b"crown!").hexdigest()
    # Written just now: another change might have the same time.
    ledger.known_digest(young)
    ledger.known_digest(young)
    assert read[2:] == [young, young]
