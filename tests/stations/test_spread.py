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
from limbward.stations.spread import cluster, run_here, run_spread
from limbward.stations.tally import Tally
from limbward.work.reporting import SilentReporter
from limbward.workspace.journal import PARTS

from ..apart.card import simulate

pytestmark = pytest.mark.card

# What a run makes of a card; the rest says when and how long it ran.
MADE = ("*.ecsv", "*.json", "tables/*", "reduced/*", "previews/*")
NOT_MADE = ("provenance.json",)
FEW = {"totality_frames": 4, "bursts": False, "darks": 0, "flats": 0, "partials": "none"}


def contents(root):
    found = {}
    for pattern in MADE:
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
    return run_here(stations, "timing", 1, Tally(lambda line: None), SilentReporter())


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
    reporter = SilentReporter()
    run = CampaignRun(executor="dask", workers=2, frames_per_task=1)
    with cluster(run, reporter) as client:
        tally = Killing(client)
        first = run_spread(client, mine, "timing", 1, tally)
        second = run_spread(client, mine, "timing", 1, Tally(lambda line: None))
    assert tally.killed
    return mine, first, second, tally


def test_the_same_bytes_as_alone_though_a_worker_was_killed(stations, alone, spread):
    mine, first, _, _ = spread
    for one, other in zip(stations[:2], mine[:2], strict=True):
        assert not alone[one.name][1].failed
        assert not first[one.name][1].failed, first[one.name][1].fault
        made = contents(one.root)
        assert len(made) >= 10
        assert made == contents(other.root)


def test_no_journal_of_parts_is_left(spread):
    for station in spread[0][:2]:
        assert not (station.root / PARTS).exists()


def test_a_bad_station_is_a_row_with_its_reason(alone, spread):
    for found in (alone, spread[1]):
        assert found["gone"][1].failed
        assert "there is no folder" in found["gone"][1].fault
        assert found["wrong"][1].fault == "limbward.yaml:3: is wrong."


def test_a_second_call_runs_nothing(spread):
    _, first, second, _ = spread
    for name in "ab":
        assert first[name][1].ran == ("ingest", "timing")
        assert second[name][1].ran == ()
        assert second[name][0].parts == 0


def test_all_is_counted(spread):
    tally = spread[3]
    assert (tally.stations_done, tally.frames_done) == (tally.stations, tally.frames) == (4, 8)
    assert tally.size_done == tally.size > 0
    assert Path("/proc").exists() is False or not Path(f"/proc/{tally.killed}").exists()
