"""Films of a simulated device: what they say, what they show, and their clock."""

from dataclasses import replace
from datetime import datetime, timedelta

import av
import numpy as np
import pytest
from PIL import Image

from limbward.clips.catalogue import UnreadableClip, read_clip
from limbward.clips.pictures import WHITE, pictures_at
from limbward.clips.sampling import sample
from limbward.config.loading import load_config
from limbward.errors import LimbwardError
from limbward.products import clips
from limbward.simulate.clip import Filming, write_clip
from limbward.simulate.plan import eclipse_of
from limbward.simulate.scenario import demo_scenario
from limbward.work.executors import local_crew
from limbward.work.map import FileMap, Task
from limbward.work.reporting import SilentReporter
from limbward.workspace import Workspace

# A smooth Moon: what mountains do to a clock is asked where clocks are tested.
SCENARIO = replace(demo_scenario(0.4), limb="smooth")
SMALL = Filming(0.0, 1.0, rate=2.0, width=320, height=240, scale_arcsec=9.0, clock_fast_s=7.4)
SMALLEST = (
    "site: {latitude: 65.0, longitude: -23.4, height: 40}\neclipse: 2026-08-12\n"
    "input: {cards: [card]}\nclips: {samples: 60}\n"
)


@pytest.fixture(scope="module")
def device(tmp_path_factory):
    """A card with a film of crescents and one of the beginning of totality."""
    root = tmp_path_factory.mktemp("device")
    _, contacts = eclipse_of(SCENARIO)
    second = (contacts["C2"] - contacts["greatest"]).total_seconds()
    began = {
        "CRES.MP4": write_clip(
            root / "card" / "CRES.MP4", SCENARIO, replace(SMALL, start_s=-900.0, seconds=60.0), 1
        ),
        "DARK.MOV": write_clip(
            root / "card" / "DARK.MOV",
            SCENARIO,
            replace(SMALL, start_s=second - 6.0, seconds=16.0, gain=1e5),
            1,
        ),
    }
    (root / "card" / "CUT.MP4").write_bytes((root / "card" / "CRES.MP4").read_bytes()[:5000])
    (root / "limbward.yaml").write_text(SMALLEST)
    config = load_config(root / "limbward.yaml")
    workspace, reporter = Workspace(root / "workspace"), SilentReporter()
    clips.run(config, workspace, reporter)
    told = workspace.read_json("sequences/clips.json")
    return began, contacts, workspace, told, reporter


def entry(told, name):
    return next(e for e in told["details"]["clips"] if e["file"].endswith(name))


def seconds_off(text, true):
    return (datetime.fromisoformat(text.rstrip("Z")) - true).total_seconds()


def test_a_clip_is_catalogued_with_its_own_clock(device):
    began, _, workspace, told, _ = device
    found = entry(told, "CRES.MP4")
    fast = began["CRES.MP4"] + timedelta(seconds=7.4)
    assert found["created"] == fast.replace(microsecond=0).isoformat()
    assert (found["duration_s"], found["rate"], found["pictures"]) == (60.0, 2.0, 120)
    assert (found["width"], found["height"], found["codec"]) == (320, 240, "h264")
    assert found["device"] == "Meridian V2"
    table = workspace.read_table("tables/clips.ecsv")
    assert len(table) >= 60
    assert list(np.unique(table["clip"])) == ["card/CRES.MP4", "card/DARK.MOV"]


def test_the_timeline_has_the_discs_as_they_were_measured(device):
    """The Sun of the simulated film is in its middle and 0.02 px further right each second."""
    _, _, workspace, _, _ = device
    table = workspace.read_table("tables/clips.ecsv")
    rows = table[table["clip"] == "card/CRES.MP4"]
    x, y, t = (np.asarray(rows[name], float) for name in ("sun_x", "sun_y", "clip_s"))
    slope, middle = np.polyfit(t - 30.0, x, 1)
    assert slope == pytest.approx(SMALL.drift_px_per_s, abs=0.005)
    assert (middle, np.median(y)) == pytest.approx((160.0, 120.0), abs=0.2)


def test_the_clips_clock_comes_out_within_one_frame_interval(device):
    """One every half second; the creation time alone is wrong by 7 s and cut to a second."""
    began, _, _, told, _ = device
    found = entry(told, "CRES.MP4")
    off = seconds_off(found["start_utc"], began["CRES.MP4"])
    assert abs(off) < 1.0 / found["rate"]
    assert abs(off) < 4 * found["start_sigma_s"]
    assert found["clock"]["sources"] == ["crescents"]
    assert found["samples_measured"] == 60


def test_a_still_is_taken_at_the_contact(device):
    began, contacts, workspace, told, _ = device
    found = entry(told, "DARK.MOV")
    assert found["clock"]["sources"] == ["other clips"]
    still = found["stills"]["C2"]
    true = began["DARK.MOV"] + timedelta(seconds=still["clip_s"])
    assert list(found["stills"]) == ["C2"]
    assert abs((true - contacts["C2"]).total_seconds()) < 0.25 + 3 * found["start_sigma_s"]
    with Image.open(workspace.path(still["picture"])) as image:
        assert image.size == (320, 240)
        assert np.asarray(image).std() > 5
    assert told["picture"] == "sequences/clips.png"


def test_a_damaged_clip_is_a_sentence_beside_the_others(device):
    _, _, _, told, reporter = device
    assert any("CUT.MP4" in warning for warning in reporter.warnings)
    assert "CUT.MP4" in entry(told, "CUT.MP4")["note"]


def test_without_clips_there_is_a_sentence_and_no_file(tmp_path):
    (tmp_path / "card").mkdir()
    (tmp_path / "limbward.yaml").write_text(SMALLEST)
    with pytest.raises(LimbwardError, match="no videos"):
        clips.run(
            load_config(tmp_path / "limbward.yaml"), Workspace(tmp_path / "w"), SilentReporter()
        )
    assert not (tmp_path / "w").exists()


def ramp_film(path, count=50, rate=10):
    """Write a film whose picture n is grey 5 n modulo 256, with a key picture every 25."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=rate, options={"crf": "5", "g": "25"})
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        for n in range(count):
            grey = np.full((48, 64), 5 * n % 256, np.uint8)
            frame = av.VideoFrame.from_ndarray(grey, format="gray").reformat(format="yuv420p")
            frame.pts = n
            for packet in stream.encode(frame):
                container.mux(packet)
        for packet in stream.encode(None):
            container.mux(packet)


@pytest.mark.parametrize("suffix", ["mp4", "mov", "mkv"])
def test_pictures_are_those_of_the_instants_asked_for(tmp_path, suffix):
    path = tmp_path / f"ramp.{suffix}"
    ramp_film(path, count=150)
    clip = read_clip(path)
    assert clip.created is None
    assert clip.rate == pytest.approx(10.0)
    wanted = [0.0, 0.3, 4.5, 4.52, 14.0, 99.0]  # near ones, a far one, one twice, one beyond
    got = list(pictures_at(clip, wanted))
    assert [p.at_s for p in got] == pytest.approx([0.0, 0.3, 4.5, 14.0], abs=0.051)
    for picture in got:
        plane, _ = picture.luminance()
        signal = (5 * round(10 * picture.at_s) % 256) / 255
        linear = signal / 4.5 if signal < 0.081 else ((signal + 0.099) / 1.099) ** (1 / 0.45)
        assert float(plane.mean()) == pytest.approx(linear * WHITE, abs=0.02 * WHITE)


@pytest.mark.parametrize("content", [b"", b"no film at all" * 50])
def test_what_is_no_film_is_refused_with_its_name(tmp_path, content):
    path = tmp_path / "fake.mp4"
    path.write_bytes(content)
    with pytest.raises(UnreadableClip, match=r"fake\.mp4"):
        read_clip(path)


def stuck(path):
    """Do what a decoder does that runs in a circle, under the limit of a worker."""
    from limbward.work import worker

    with worker.limited(0.5):
        while True:
            pass


def test_a_film_on_which_the_decoder_does_not_end_is_named_and_the_next_is_read(tmp_path):
    path = tmp_path / "ramp.mp4"
    ramp_film(path)
    with FileMap(local_crew(1), origin="device") as films:
        failed = films.one(stuck, Task(0, path, (path,)))
        assert failed.kind == "crash"
        assert "crashed on ramp.mp4 or did not finish; copy the file from the device" in (
            failed.sentence
        )
        assert len(films.one(sample, Task(1, path, (path, 8, 1.04))).found) == 8


@pytest.mark.parametrize(("width", "height"), [(30000, 30000), (0, 10), (9000, 5000)])
def test_pictures_of_an_impossible_size_are_told(tmp_path, width, height):
    from limbward.clips.catalogue import _check

    with pytest.raises(UnreadableClip, match=r"a\.mp4"):
        _check(tmp_path / "a.mp4", width, height, 10.0, 25.0)
    _check(tmp_path / "a.mp4", 7680, 4320, 10.0, 25.0)
