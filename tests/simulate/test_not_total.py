"""Simulated sessions of eclipses that are not total: nothing is taken without a filter."""

from dataclasses import replace

import numpy as np
import pytest

from limbward.simulate.frames import camera_frames
from limbward.simulate.plan import eclipse_of
from limbward.simulate.scenario import adapt, annular_scenario, demo_scenario
from limbward.sky.ephemeris import Site


def session(scenario):
    circumstances, contacts = eclipse_of(scenario)
    total = circumstances.kind == "total"
    frames = camera_frames(scenario, 0, contacts, 1, total=total)
    lit = [f for f in frames if f.place is not None]
    return circumstances, contacts, lit


PARTIAL = Site(51.5, -1.0, 60.0, "Chalk ridge")
CASES = {
    "annular": annular_scenario(0.1),
    "partial": replace(annular_scenario(0.1), site=PARTIAL, date="2026-08-12"),
    # A session planned for totality, moved to a place that sees a ring.
    "moved": replace(demo_scenario(0.1), site=annular_scenario().site, date="2023-10-14"),
}


@pytest.mark.parametrize("name", CASES)
def test_the_filter_stays_on(name):
    circumstances, _, lit = session(CASES[name])
    assert circumstances.kind == ("partial" if name == "partial" else "annular")
    assert {f.shot.kind for f in lit} == {"partial"}
    assert all(f.shot.filter_density == 5.0 for f in lit)


def test_the_ring_is_taken_in_brackets_from_its_first_to_its_last_light():
    _, contacts, lit = session(CASES["annular"])
    place = [f.place for f in lit]
    gap = np.array(
        [
            (p.sun_radius_arcsec - p.moon_radius_arcsec) / p.pixel_scale_arcsec
            - np.hypot(p.moon_x - p.sun_x, p.moon_y - p.sun_y)
            for p in place
        ]
    )
    start = [f.shot.start for f in lit]
    inside = np.array([contacts["C2"] < t < contacts["C3"] for t in start])
    assert ((gap > 0) == inside).mean() > 0.95  # refraction moves the smooth contacts by a second
    assert inside.sum() >= 24
    exposures = {f.shot.nominal_s for f, ring in zip(lit, inside, strict=True) if ring}
    assert exposures == {1 / 1000, 1 / 500, 1 / 250}
    for name in ("C2", "C3"):
        near = [t for t in start if abs((t - contacts[name]).total_seconds()) < 7]
        assert len(near) >= 8


def test_a_total_eclipse_is_taken_as_before():
    scenario = demo_scenario(0.1)
    _, contacts = eclipse_of(scenario)
    frames = camera_frames(scenario, 0, contacts, 1)
    kinds = {f.shot.kind for f in frames}
    assert kinds == {"partial", "contact", "totality", "dark", "flat"}
    changed = adapt(scenario, plan={"ring_frames": 9})
    assert len(camera_frames(changed, 0, contacts, 1)) == len(frames)
