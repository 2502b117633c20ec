"""Two tiny stations run on a cluster of this machine, one of whose workers is killed meanwhile."""

import hashlib
import os
import signal
from dataclasses import replace
from pathlib import Path

import pytest

from limbward.config.campaign import CampaignRun
from limbward.config.loading import load_config
from limbward.config.stations import Station
from limbward.stages.merge_ahead import Ahead
from limbward.stations import spread as spread_module
from limbward.stations.far import Far, bring_results
from limbward.stations.spread import cluster, run_here, run_spread
from limbward.stations.tally import Tally
from limbward.stations.work import Cut, Outcome, Plan
from limbward.work.reporting import SilentReporter
from limbward.workspace.journal import PARTS

from ..apart.card import simulate

pytestmark = pytest.mark.card

# What a run makes of a card; the rest says when and how long it ran.
MADE = ("*.ecsv", "*.json", "tables/*", "reduced/*", "previews/*")
NOT_MADE = ("provenance.json",)
FEW = {"totality_frames": 4, "bursts": False, "darks": 0, "flats": 0, "partials": "none"}


def contents(root, patterns=MADE):
    found = {}
    for pattern in patterns:
        for path in sorted(root.glob(pattern)):
            if path.is_file() and path.name not in NOT_MADE:
                name = path.relative_to(root).as_posix()
                found[name] = hashlib.sha256(path.read_bytes()).hexdigest()
    return found


@pytest.fixture(scope="module")
def stations(tmp_path_factory):
    folder = tmp_path_factory.mktemp("campaign")
    out = []
    for k, name in enumerate("ab"):
        (folder / name).mkdir()
        simulate("calm", folder / name, 0.05, k + 1, dates=("2026-08-12",), **FEW)
        config = load_config(folder / name / "limbward.yaml")
        out.append(Station(name, config, folder / name / "alone"))
    gone = load_config(folder / "b" / "limbward.yaml")
    gone = gone.model_copy(update={"input": gone.input.model_copy(update={"cards": ["not-there"]})})
    out.append(Station("gone", gone, folder / "gone"))
    out.append(Station("wrong", None, folder, "limbward.yaml:3: is wrong."))
    return out


@pytest.fixture(scope="module")
def alone(stations):
    """All in this process; the card of the first is behind an address."""
    fsspec = pytest.importorskip("fsspec")
    card = stations[0].config.base_dir / "card"
    fsspec.filesystem("memory").put(str(card), "/cards/a/card", recursive=True)
    mine = [replace(stations[0], urls=("memory://cards/a/card",)), *stations[1:]]

    def run():
        return run_here(mine, "timing", 1, Tally(lambda line: None), SilentReporter())

    return run(), run()


def plan_made_up(station, per_task):
    station.root.mkdir()
    return Plan(5, 500, 2, 1.04)


def settle_made_up(station, until, per_task, *parts):
    assert parts == ("", "")
    return Cut((Ahead("one", 2, 3), Ahead("other", 1, 1)), ("ingest",))


def decode_made_up(station, of, part):
    (station.root / f"{of.name}-frames-{part}").touch()
    return ""


def merge_made_up(station, of, band, *decoded):
    assert len(list(station.root.glob(f"{of.name}-frames-*"))) == of.decodings == len(decoded)
    (station.root / f"{of.name}-band-{band}").touch()
    return ""


def finish_made_up(station, until, jobs, *bands):
    return Outcome(("merge",), len(list(station.root.glob("*-band-*"))) == len(bands))


MADE_UP = {
    "plan_station": plan_made_up,
    "measure_frames": lambda station, part, parts, ratio: "",
    "settle_station": settle_made_up,
    "decode_frames": decode_made_up,
    "merge_rows": merge_made_up,
    "finish_station": finish_made_up,
}


class Killing(Tally):
    """Kills one of the workers when the first frames have been measured."""

    def __init__(self, client):
        super().__init__(lambda line: None)
        self.client, self.killed = client, 0

    def done(self, stations=0, frames=0, size=0):
        super().done(stations, frames, size)
        if frames and not self.killed:
            self.killed = next(iter(self.client.run(os.getpid).values()))
            os.kill(self.killed, signal.SIGKILL)


@pytest.fixture(scope="module")
def spread(stations):
    pytest.importorskip("distributed")
    mine = [replace(s, root=s.root.with_name("spread")) if s.config else s for s in stations]
    there = f"file://{mine[1].config.base_dir}"
    mine[1] = replace(mine[1], urls=(f"{there}/card",), out=f"{there}/sent")
    reporter = SilentReporter()
    run = CampaignRun(executor="dask", workers=2, frames_per_task=1)
    with cluster(run, reporter) as client:
        tally = Killing(client)
        first = run_spread(client, mine, "timing", 1, tally)
        second = run_spread(client, mine, "timing", 1, Tally(lambda line: None))
        with pytest.MonkeyPatch.context() as patch:
            for name, work in MADE_UP.items():
                patch.setattr(spread_module, name, work)
            counted = Tally(lambda line: None)
            cut = [replace(mine[0], root=mine[0].root.with_name("cut"))]
            third = run_spread(client, cut, "merge", 1, counted), counted, cut[0].root
    assert tally.killed
    return mine, first, second, tally, third


def test_the_same_bytes_as_alone_though_a_worker_was_killed(stations, alone, spread):
    mine, first, *_ = spread
    for one, other in zip(stations[:2], mine[:2], strict=True):
        assert not alone[0][one.name][1].failed, alone[0][one.name][1].fault
        assert not first[one.name][1].failed, first[one.name][1].fault
        made = contents(one.root)
        theirs = contents(other.root.with_name("sent") if other.out else other.root)
        assert len(made) >= 10
        for found in (made, theirs):
            del found["tables/ingest.jsonl"]  # holds when a copy of a photograph was written
        assert made == theirs


def test_no_journal_of_parts_is_left(spread):
    for station in spread[0][:1]:
        assert not (station.root / PARTS).exists()


def test_a_bad_station_is_a_row_with_its_reason(alone, spread):
    for found in (alone[0], spread[1]):
        assert found["gone"][1].failed
        assert "there is no folder" in found["gone"][1].fault
        assert found["wrong"][1].fault == "limbward.yaml:3: is wrong."


def test_a_second_call_runs_nothing(spread, alone):
    _, first, second, *_ = spread
    for name in "ab":
        for before, after in ((first, second), alone):
            assert before[name][1].ran == ("ingest", "timing")
            assert after[name][1].ran == ()
            assert after[name][0].parts == 0


def test_a_merge_in_pieces_waits_for_its_frames_and_the_end_for_its_bands(spread):
    found, counted, root = spread[4]
    assert found["a"] == (Plan(5, 500, 2, 1.04), Outcome(("ingest", "merge"), True))
    assert {p.name for p in root.iterdir()} == {
        "one-frames-0", "one-frames-1", "other-frames-0",
        "one-band-0", "one-band-1", "one-band-2", "other-band-0",
    }  # fmt: skip
    assert (counted.stations_done, counted.frames_done, counted.size_done) == (1, 5, 500)


def test_all_is_counted(spread):
    tally = spread[3]
    assert (tally.stations_done, tally.frames_done) == (tally.stations, tally.frames) == (4, 8)
    assert tally.size_done == tally.size > 0
    assert Path("/proc").exists() is False or not Path(f"/proc/{tally.killed}").exists()


def test_results_that_were_sent_are_brought_for_joining(spread):
    station = spread[0][1]
    bring_results(station)
    sent = station.root.with_name("sent")
    for name in ("frames.ecsv", "contacts.json", "clock.json"):
        assert (station.root / name).read_bytes() == (sent / name).read_bytes()
    times = {p: p.stat().st_mtime_ns for p in station.root.glob("*")}
    bring_results(station)
    assert {p: p.stat().st_mtime_ns for p in station.root.glob("*")} == times


def test_a_station_behind_an_address_is_done_again_if_its_card_changes(spread):
    station = spread[0][1]
    assert Far(station, "timing").earlier() is not None
    assert Far(station, "merge").earlier() is None
    extra = station.config.base_dir / "card" / "more.txt"
    extra.write_text("more")
    assert Far(station, "timing").earlier() is None
    extra.unlink()
    assert Far(station, "timing").earlier() is not None
