"""A campaign from its file to its report; merges are painted, so no card is read."""

import json

import numpy as np
import pytest
from astropy.table import Table
from astropy.time import Time, TimeDelta

from limbward.stations import campaign as whole
from limbward.stations.facts import facts_of
from limbward.stations.far import MARK
from limbward.stations.work import Outcome, Plan
from limbward.workspace import Workspace
from limbward.workspace.journal import (
    PARTS,
    earlier_rows,
    end_journal,
    files_digest,
    part_begun,
    part_journals,
)

from ..campaign.paint import SUN_ARCSEC, Station
from .test_join import write

C2, C3 = Time("2026-08-12T17:45:00", scale="utc"), Time("2026-08-12T17:46:40", scale="utc")


def told(root, *, clock_off=0.0, length=100.0):
    """What a run leaves beside its merge: totality photographed every second."""
    workspace = Workspace(root)
    late = np.arange(-20.0, 121.0, 1.0)
    total = (late >= 0.2) & (late <= length - 0.2)
    phase = np.where(
        total, "totality", np.where((late < -0.5) | (late > length), "partial", "other")
    )
    times = C2 + TimeDelta(late + clock_off, format="sec")
    table = Table(
        {
            "file": [f"{k}.dng" for k in range(len(late))],
            "phase": phase,
            "time_utc": [f"{t}Z" for t in times.isot],
            "time_utc_sigma": np.full(len(late), 0.2),
            "exposure": np.full(len(late), 0.01),
            "used": total,
        }
    )
    workspace.write_table(Workspace.frames, table)
    contacts = {n: {"utc": f"{t.isot}Z"} for n, t in (("C2", C2), ("C3", C3))}
    workspace.write_json(Workspace.contacts, {"kind": "total", "contacts": contacts})
    clock = {"offset_s": 3.0, "offset_sigma_s": 0.2, "frames_used": 9}
    workspace.write_json(Workspace.clock, {"cameras": [clock]})


@pytest.fixture
def folder(tmp_path, monkeypatch):
    Workspace(tmp_path / "out").claim()
    rows = ["name,cards,latitude,longitude"]
    for k, name in enumerate(["a", "b", "c", "late", "elsewhere", "cloud"]):
        rows.append(f"{name},none,{60 + k},{-20 - k}")
        root = tmp_path / "out" / "stations" / name
        told(
            root,
            clock_off=15.0 if name == "late" else 0.0,
            length=70.0 if name == "elsewhere" else 100.0,
        )
        if name != "cloud":
            station = Station(
                side=151, scale_arcsec=36.0, up_deg=40.0 * k, seconds=500.0 * k, seed=k,
                turn_deg=0.1 * k, gain=(1.0 + k,) * 3, west=5 * k / SUN_ARCSEC,
            )  # fmt: skip
            write(tmp_path, name, station).rename(root / "corona.fits")
    (tmp_path / "t.csv").write_text("\n".join(rows))
    (tmp_path / "c.yaml").write_text("eclipse: 2026-08-12\ntable: t.csv\noutput: out\n")

    def run(stations, until, jobs, tally, reporter):
        return {
            s.name: (
                Plan(10, 1000),
                Outcome(corona=True) if s.name != "cloud" else Outcome(fault="Nothing but cloud."),
            )
            for s in stations
        }

    monkeypatch.setattr(whole, "run_here", run)
    return tmp_path


def test_a_campaign(folder, limbward):
    status, out, err = limbward("campaign", folder / "c.yaml", "--json")
    assert status == 0, err
    found = json.loads(out)
    rows = {r["station"]: r for r in found["stations"]}
    assert {n: r["status"] for n, r in rows.items()} == {
        **dict.fromkeys(("a", "b", "c", "late", "elsewhere"), "joined"),
        "cloud": "no corona",
    }
    assert rows["cloud"]["reason"] == "Nothing but cloud."
    # The clock is 15 s fast against what the others saw; a site is told by the length alone.
    assert "C2 1" in rows["late"]["warning"]
    assert "clock or its site" in rows["late"]["warning"]
    assert "the site is wrong. Its times" in rows["elsewhere"]["warning"]
    assert "left out of what moved" not in rows["late"]["warning"]
    assert all("warning" not in rows[n] for n in "abc")
    turns = np.array([rows[n]["turn"] for n in ("a", "b", "c", "late", "elsewhere")])
    assert turns - turns[2] == pytest.approx([-0.2, -0.1, 0.0, 0.1, 0.2], abs=0.02)
    assert found["tracks"] == []
    out_folder = folder / "out"
    report = (out_folder / "campaign.html").read_text()
    assert report.count("<tr class=") == 6
    assert "Nothing but cloud." in report
    for name in found["files"]:
        assert (out_folder / name).stat().st_size > 0, name
    assert {"changes.mp4", "map.png", "stations.ecsv", "campaign.ecsv"} <= set(found["files"])
    assert not (out_folder / "joining").exists()

    made = {n: (out_folder / n).stat().st_mtime_ns for n in found["files"]}
    status, again, err = limbward("campaign", folder / "c.yaml", "--json")
    assert (status, again) == (0, out)
    assert "up to date" in err
    assert {n: (out_folder / n).stat().st_mtime_ns for n in found["files"]} == made

    (out_folder / "stations" / "b" / "corona.fits").write_bytes(b"spoilt")
    (out_folder / "stations" / "c" / "frames.ecsv").write_text("spoilt")
    status, again, err = limbward("campaign", folder / "c.yaml", "--json")
    rows = {r["station"]: r for r in json.loads(again)["stations"]}
    assert rows["b"]["status"] == "not joined"
    assert "cannot be read" in rows["b"]["reason"]
    assert "frames.ecsv" in rows["c"]["warning"]


def test_results_behind_an_address_are_brought_and_sent(tmp_path, limbward, monkeypatch):
    fsspec = pytest.importorskip("fsspec")
    (tmp_path / "c.yaml").write_text(
        "eclipse: 2026-08-12\noutput: memory://bucket/out\nuntil: timing\nstations:\n"
        "  - {name: a, cards: ['memory://bucket/a'], site: {latitude: 64.0, longitude: -22.0}}\n"
        "  - {name: b, cards: ['memory://bucket/b'], site: {latitude: 65.0, longitude: -22.0}}\n"
    )
    asked = []

    def run(stations, until, jobs, tally, reporter):
        asked.extend(stations)
        return {s.name: (Plan(141, 1000), Outcome()) for s in stations}

    monkeypatch.setattr(whole, "run_here", run)
    store = fsspec.filesystem("memory")
    told(tmp_path / "made")
    Workspace(tmp_path / "made").write_json(MARK, {"made_from": "1"})
    store.put(str(tmp_path / "made"), "/bucket/out/stations/a", recursive=True)
    status, out, err = limbward("campaign", tmp_path / "c.yaml", "--json")
    assert status == 0, err
    assert [(s.urls, s.out) for s in asked] == [
        ((f"memory://bucket/{n}",), f"memory://bucket/out/stations/{n}") for n in "ab"
    ]
    rows = {r["station"]: r for r in json.loads(out)["stations"]}
    assert (rows["a"]["frames"], rows["a"]["totality"]) == (141, 99)
    assert (rows["b"]["status"], "no files in" in rows["b"]["reason"]) == ("failed", True)
    for name in json.loads(out)["files"]:
        assert store.cat(f"/bucket/out/{name}") == (tmp_path / "campaign" / name).read_bytes()
    store.rm("/bucket/out/campaign.html")
    limbward("campaign", tmp_path / "c.yaml")
    assert not store.exists("/bucket/out/campaign.html")  # nothing new, nothing sent
    store.rm("/bucket", recursive=True)


def test_stations_without_a_card_are_rows(tmp_path, limbward):
    (tmp_path / "c.yaml").write_text(
        "eclipse: 2026-08-12\nstations:\n"
        "  - {name: a, cards: [none], site: {latitude: 64.0, longitude: -22.0}}\n"
    )
    status, out, err = limbward("campaign", tmp_path / "c.yaml")
    assert status == 0
    assert "joined: 0 of 1 stations" in out
    assert "there is no folder" in err
    assert "there is no folder" in (tmp_path / "campaign" / "campaign.html").read_text()
    status, _, err = limbward("campaign", tmp_path / "none.yaml")
    assert (status, "there is no such file" in err) == (2, True)


def test_a_station_that_has_not_run_has_no_facts(tmp_path):
    from limbward.config.stations import Station as RunStation

    assert facts_of(RunStation("a", None, tmp_path, "wrong")).frames == 0


@pytest.mark.parametrize("name", [Workspace.frames, Workspace.contacts, Workspace.clock])
def test_a_station_whose_files_are_damaged_says_so(tmp_path, name):
    from limbward.config.stations import Station as RunStation

    told(tmp_path)
    station = RunStation("a", None, tmp_path)
    assert (facts_of(station).frames, facts_of(station).fault) == (141, "")
    path = tmp_path / name
    for text in ("{", "[1]"):
        path.write_text(text)
        fault = facts_of(station).fault
        assert name in fault or "damaged" in fault, text


def test_rows_of_parts_are_found_by_the_run(tmp_path):
    """Also by one that measures all anew, since they were measured for it; then they go."""
    workspace = Workspace(tmp_path / "w")
    asked = files_digest(["k1", "k2"])
    end_journal(workspace, [("k1", {"file": "old"}), ("k2", {"file": "old"})], asked)
    assert earlier_rows(workspace, asked) == {}
    with part_begun(workspace) as add:
        add("k1", {"file": "new"})
        with part_begun(workspace) as other:
            other("k2", {"file": "other"})
    assert earlier_rows(workspace, asked) == {"k1": {"file": "new"}, "k2": {"file": "other"}}
    assert earlier_rows(workspace, "others")["k1"] == {"file": "new"}
    assert len(part_journals(workspace)) == 2
    end_journal(workspace, [], asked)
    assert not (workspace.root / PARTS).exists()
