"""Stills of videos as files: dated by the stamps, read like any frame, memory flat."""

import tracemalloc
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest

from limbward.camera.exif import read_exif
from limbward.camera.raw import read_raw
from limbward.camera.ser import read_ser
from limbward.clips.parts import split, stack_part
from limbward.config.loading import load_config
from limbward.simulate.clip import Filming, write_clip
from limbward.simulate.scenario import demo_scenario
from limbward.stages import ingest, timing
from limbward.work.reporting import SilentReporter
from limbward.workspace import Workspace

from ..camera.ser_files import write_ser
from ..radiance.seeing import contrast_kept, exposures, sharp

BEGUN = datetime(2026, 8, 12, 17, 45, 0, 123456)
RATE = 100.0
SKY = np.s_[10:38, 10:150]


def stamps(count):
    return [BEGUN + timedelta(seconds=k / RATE) for k in range(count)]


def test_stretches_are_of_equal_length_and_leave_nothing_out(tmp_path):
    path = tmp_path / "a.ser"
    pictures = (np.full((8, 8), 7) for _ in range(1200))
    write_ser(path, pictures, 8, stamps=stamps(1200))
    parts = split(path, 5.0).parts
    assert [(p.first, p.last) for p in parts] == [(0, 400), (400, 800), (800, 1200)]


def test_a_video_that_is_encoded_for_a_display_is_not_stacked(tmp_path):
    filming = Filming(-900.0, 1.0, rate=4.0, width=64, height=48, scale_arcsec=50.0)
    write_clip(tmp_path / "a.mp4", demo_scenario(0.4), filming, 1)
    assert split(tmp_path / "a.mp4", 5.0).parts == ()


COUNT = 1000


@pytest.fixture(scope="module")
def still(tmp_path_factory):
    """Stack a thousand pictures with seeing of 2 arcsec at an arcsecond a pixel; see `seeing`.

    Returns the still, what is told of it, and of the sharpest pictures the contrast that they keep
    and their noise.
    """
    scene, folder, blurs = sharp(), tmp_path_factory.mktemp("film"), []
    path = folder / "a.ser"
    pictures = exposures(COUNT, scene, blurs=blurs)
    write_ser(path, pictures, 12, stamps=stamps(COUNT), instrument="Meridian P1")
    least = [f.data.astype(float) for f in read_ser(path).frames(np.argsort(blurs)[:60])]
    kept = max(contrast_kept((p - 100.0) / 3000.0, scene) for p in least)
    noise = np.median([p[SKY].std() for p in least])
    (part,) = split(path, 30.0).parts
    told = stack_part(part, 0.02, 0.004, folder / "still.fits")
    return folder / "still.fits", told, kept, noise


@pytest.mark.card
def test_a_thousand_pictures_make_a_still_with_their_noise_averaged(still):
    path, told, _, noise = still
    assert np.nan_to_num(read_raw(path).data)[SKY].std() < noise
    exif = read_exif(path)
    # The mean time of those pictures that make the reference, somewhere within the film.
    assert BEGUN + timedelta(seconds=2.5) < exif.time_camera < BEGUN + timedelta(seconds=7.5)
    assert exif.gps_utc == exif.time_camera
    assert (exif.exposure_s, exif.camera) == (0.004, "Meridian P1")
    assert told["pictures"] == COUNT


@pytest.mark.card
def test_a_thousand_pictures_make_a_still_sharper_than_the_luckiest_of_them(still):
    path, _, kept, _ = still
    shown = np.nan_to_num(read_raw(path).data)
    assert contrast_kept((shown - 100.0) / 3000.0, sharp()) > kept


def test_four_times_as_many_pictures_take_no_more_memory(tmp_path):
    """By what Python allocates: to follow that doubles the time, so few pictures must do."""
    pictures, peaks = list(exposures(120, sharp())), []
    for count in (30, 30, 120):  # the first time loads what is imported late
        path = tmp_path / f"{count}.ser"
        write_ser(path, iter(pictures[:count]), 12, stamps=stamps(count))
        (part,) = split(path, 30.0).parts
        tracemalloc.start()
        stack_part(part, 0.02, 0.004, tmp_path / "still.fits")
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[2] - peaks[1] < 0.1 * 90 * pictures[0].nbytes


@pytest.mark.card
def test_a_film_on_a_card_becomes_frames_that_are_measured_and_dated(tmp_path):
    """The Sun of the simulated film is in its middle; the computer's clock is 0.02 s fast."""
    scenario = replace(demo_scenario(0.4), limb="smooth")
    filming = Filming(
        -900.0, 30.0, rate=4.0, width=320, height=240, scale_arcsec=9.0, clock_fast_s=0.02
    )
    began = write_clip(tmp_path / "card" / "a.ser", scenario, filming, 1)
    (tmp_path / "limbward.yaml").write_text(
        "site: {latitude: 65.0, longitude: -23.4, height: 40}\neclipse: 2026-08-12\n"
        "input: {cards: [card]}\nvideo: {exposure_s: 0.01}\nrun: {jobs: 1}\n"
    )
    config = load_config(tmp_path / "limbward.yaml")
    workspace, reporter = Workspace(tmp_path / "workspace"), SilentReporter()
    ingest.run(config, workspace, reporter)
    table = workspace.read_table("tables/ingest.ecsv")
    stills = table[table["kind"] == "fits"]
    assert len(stills) == 6
    assert set(stills["looks_like"]) == {"partial"}
    assert np.allclose(stills["measured_sun_x"], 160.0, atol=0.4)  # it drifts by 0.3 px
    assert np.allclose(stills["measured_sun_y"], 120.0, atol=0.1)
    assert "Stacked from" in stills["note"][0]
    assert "Stacked into 6 stills" in table[table["kind"] == "video"]["note"][0]
    timing.run(config, workspace, reporter)
    (clock,) = workspace.read_json("clock.json")["cameras"]
    assert abs(clock["offset_s"] - 0.02) < 0.05
    assert set(clock["sources"]) == {"crescents", "direct"}
    # A second run has nothing to stack, nor to measure.
    before = {p: p.stat().st_mtime_ns for p in workspace.path("stacked").iterdir()}
    ingest.run(config, workspace, reporter)
    assert {p: p.stat().st_mtime_ns for p in workspace.path("stacked").iterdir()} == before
    dated = workspace.read_table("tables/timing.ecsv")
    times = [datetime.fromisoformat(t.rstrip("Z")) for t in dated["time_utc"] if t]
    assert all(began <= t <= began + timedelta(seconds=30) for t in times)
