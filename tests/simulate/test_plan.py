from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise

import numpy as np
import pytest

from limbward.errors import LimbwardError
from limbward.simulate.plan import clock_reading, eclipse_of, shots, shutter_s
from limbward.simulate.scenario import (
    Clock,
    Scenario,
    Weather,
    adapt,
    altazimuth_scenario,
    demo_scenario,
    partial_scenario,
    tripod_scenario,
    two_camera_scenario,
)
from limbward.sky.ephemeris import Site

GREATEST = datetime(2026, 8, 12, 17, 46, 50)


def taken(scenario, index=0):
    _, contacts = eclipse_of(scenario)
    return shots(scenario, scenario.cameras[index], contacts, np.random.default_rng(1)), contacts


@pytest.mark.parametrize(
    "make", [demo_scenario, tripod_scenario, altazimuth_scenario, two_camera_scenario]
)
def test_frames_belong_to_their_phase(make):
    scenario = make(0.3)
    for index in range(len(scenario.cameras)):
        frames, contacts = taken(scenario, index)
        kinds = {f.kind for f in frames}
        assert kinds == {"partial", "contact", "totality", "dark", "flat"}
        assert [f.index for f in frames] == list(range(len(frames)))
        starts = [f.start for f in frames]
        assert starts == sorted(starts)
        for before, after in pairwise(frames):
            assert after.start >= before.start + timedelta(seconds=before.exposure_s)
        for f in frames:
            end = f.start + timedelta(seconds=f.exposure_s)
            if f.kind == "totality":
                assert contacts["C2"] < f.start
                assert end < contacts["C3"]
            if f.kind == "partial":
                assert not contacts["C2"] <= f.start <= contacts["C3"]
                assert f.filter_density == 5.0
            if f.kind == "contact":
                near = min(abs((f.start - contacts[c]).total_seconds()) for c in ("C2", "C3"))
                assert near < 7


def test_demo_site_has_a_hundred_seconds_of_totality():
    _, contacts = taken(demo_scenario())
    assert (contacts["C3"] - contacts["C2"]).total_seconds() > 100


def test_partial_session_has_no_unfiltered_frame():
    frames, contacts = taken(partial_scenario())
    assert "C2" not in contacts
    assert all(f.filter_density == 5.0 for f in frames if f.kind not in ("dark", "flat"))


def test_one_side_of_totality_only():
    scenario = adapt(demo_scenario(), plan={"totality_part": (0.0, 0.4), "contact_sides": "C2"})
    frames, contacts = taken(scenario)
    total = (contacts["C3"] - contacts["C2"]).total_seconds()
    assert any(f.kind == "totality" for f in frames)
    for f in frames:
        if f.kind in ("totality", "contact"):
            assert (f.start - contacts["C2"]).total_seconds() < 0.4 * total


def test_too_many_brackets_become_those_that_fit():
    frames, _ = taken(adapt(demo_scenario(), plan={"brackets": 500}))
    assert 100 < sum(f.kind == "totality" for f in frames) < 170


def test_clouds_absorb_as_much_as_asked():
    scenario = replace(demo_scenario(), weather=Weather(cloud_absorption=0.6))
    frames, _ = taken(scenario)
    lit = [f.transmission for f in frames if f.kind == "totality"]
    assert 0.4 <= min(lit) < max(lit) <= 1.0


def test_binary_shutter():
    # 1/500 s on the dial is 2^-9 s, 1/60 s is 2^-6 s, 1/8 s and 2 s are themselves.
    assert shutter_s(1 / 500, True) == pytest.approx(1 / 512)
    assert shutter_s(1 / 60, True) == pytest.approx(1 / 64)
    assert shutter_s(1 / 8, True) == 1 / 8
    assert shutter_s(2.0, True) == 2.0
    assert shutter_s(1 / 500, False) == 1 / 500


def test_clock_reads_zone_offset_drift_and_steps():
    clock = Clock(3.0, -58.3, 2.4, steps=((600.0, 10.0),))
    hour = timedelta(hours=1)
    assert clock_reading(clock, GREATEST, GREATEST) == GREATEST + timedelta(seconds=10800 - 58.3)
    later = clock_reading(clock, GREATEST + hour, GREATEST)
    assert (later - GREATEST - hour).total_seconds() == pytest.approx(10800 - 58.3 + 2.4 + 10)


def test_no_eclipse_is_a_sentence():
    nowhere = replace(demo_scenario(), date="2026-08-01")
    with pytest.raises(LimbwardError, match="eclipse"):
        eclipse_of(nowhere)
    far = Scenario(site=Site(-33.0, 151.0), date="2026-08-12", cameras=demo_scenario().cameras)
    with pytest.raises(LimbwardError, match="eclipse"):
        eclipse_of(far)
