"""Sessions of the wide simulator, whose planets come from astropy, against their truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from limbward.landscape.crescent import light_left
from limbward.landscape.lens import Camera, Lens, Pose
from limbward.landscape.session import Known, solve_session
from tests.apart.wide import Session, Wide

from .sessions import EPOCH_S, over, sun_place, taken, worst_direction


def around_totality(session: Session, every: float, clock_s: float, partial_s: float) -> list:
    frames = []
    for since in np.arange(every / 2 - 360.0, 360.0, every):
        if abs(since) < 66:
            frame = taken(session, since, 1.0, filtered=False, clock_s=clock_s, iso=800, stop=2.8)
        else:
            frame = taken(session, since, partial_s, filtered=False, clock_s=clock_s)
        frames.append(frame)
    return frames


def names_of(sky, found) -> set[str]:
    return {sky.name[n.body] for names in found.names for n in names.named}


@pytest.fixture(scope="module")
def sky():
    return over(Session(Wide()))


def test_24_mm_around_totality(sky) -> None:
    """12 minutes, a rectilinear lens with 2 % of barrel distortion, the clock 37 s fast."""
    shown = ("venus", "jupiter", "mercury", "Regulus", "Denebola")
    session = Session(Wide(azimuth=232, altitude=18, roll=2.0, bend=-0.02), shown=shown)
    frames = around_totality(session, 60.0, 37.0, 1 / 100)
    found = solve_session(frames, sky, Known((410.0,), 0.05, 0.0, 900.0))
    assert found is not None
    assert found.fit.lens.projection == "rectilinear"
    # 0.05 degrees are asked for, over the whole frame.
    assert worst_direction(session, found.camera(6)) < 0.05
    named = names_of(sky, found)
    assert {"Venus", "Jupiter", "Mercury", "Regulus"} <= named
    assert named <= {name.capitalize() for name in shown}  # none wrongly, and no lamp
    assert found.fit.offset_s == pytest.approx(37.0, abs=4 * found.fit.offset_sigma_s)
    assert found.fit.offset_sigma_s < 5.0


def test_8_mm_fisheye(sky) -> None:
    """An equisolid fisheye with the horizon in its frame; its projection is found."""
    shown = ("venus", "jupiter", "mercury", "Regulus", "Arcturus", "Vega", "Capella", "Deneb",
             "Spica", "Pollux", "Alioth")  # fmt: skip
    camera = Wide(width=900, height=600, focal=200.0, azimuth=225, altitude=35, roll=1.0,
                  bend=-0.004, projection="equisolid")  # fmt: skip
    session = Session(camera, shown=shown, dusk=3e-11)
    frames = around_totality(session, 90.0, -20.0, 1 / 20)
    found = solve_session(frames, sky, Known((205.0,), 0.05, 0.0, 900.0))
    assert found is not None
    assert found.fit.lens.projection == "equisolid"
    assert worst_direction(session, found.camera(4)) < 0.1  # as asked for
    named = names_of(sky, found)
    assert {"Venus", "Jupiter", "Mercury", "Arcturus", "Capella"} <= named  # Vega is at the edge
    assert named <= {name.capitalize() for name in shown}


@pytest.fixture(scope="module")
def crescents(sky):
    session = Session(Wide(focal=583.0, azimuth=240, altitude=20, roll=-1.0, bend=-0.03), haze=0.02)
    since = np.arange(-4500.0, 4501.0, 250.0)
    frames = [taken(session, t, 1 / 500, filtered=True, clock_s=7159.0) for t in since]
    found = solve_session(frames, sky, Known((590.0,), 0.05, 7200.0, 900.0))
    assert found is not None
    return session, since, frames, found


def test_35_mm_crescents(crescents, sky) -> None:
    """2.5 hours of filtered crescents on a tripod, in haze that takes up to 2 % of the light."""
    session, since, frames, found = crescents
    assert found.fit.offset_s == pytest.approx(7159.0, abs=2.0)  # as asked for
    checked = 0
    for k, frame in enumerate(frames):
        if frame.seen.sun is None:
            continue
        # Where the Sun's centre is said to be, by the solved pose and the middle of its light.
        t = np.array(since[k])
        middle, centre = light_left(sky, t).middle, sky.vector_of(0, t)
        measured = found.camera(k).to_sky(np.array([frame.seen.sun.x, frame.seen.sun.y]))
        error = np.linalg.norm(measured + (centre - middle) - sun_place(session, since[k]))
        assert np.degrees(error) < 0.02, since[k]  # as asked for
        checked += 1
    assert checked > 30
    assert worst_direction(session, found.camera(0)) < 0.05


def test_a_tripod_that_was_moved(crescents, sky) -> None:
    """The second half of the frames, turned by six degrees, gets a pose of its own."""
    session, _, frames, _ = crescents
    other = replace(session.camera, altitude=session.camera.altitude + 6.0)
    half = len(frames) // 2
    moved = []
    for frame in frames[half:]:
        sun = frame.seen.sun
        shifted = None
        if sun is not None:
            x, y = other.pixels(session.camera.rays(np.array(sun.x), np.array(sun.y)))
            shifted = replace(sun, x=float(x), y=float(y))
        moved.append(replace(frame, seen=replace(frame.seen, sun=shifted)))
    found = solve_session([*frames[:half], *moved], sky, Known((590.0,), 0.05, 7200.0, 900.0))
    assert found is not None
    assert set(found.stand.tolist()) - {-1} == {0, 1}
    assert np.all(found.stand[:half][found.stand[:half] >= 0] == 0)
    assert worst_direction(session, found.fit.camera(0)) < 0.1
    assert found.fit.poses[1].altitude == pytest.approx(26.0, abs=0.1)


def test_nothing_in_the_frames(sky) -> None:
    session = Session(Wide(azimuth=60.0), lamps=0)
    frame = taken(session, 0.0, 0.1, filtered=False)
    assert solve_session([frame], sky, Known((400.0,), 0.05, 0.0, 60.0)) is None


def test_the_light_that_is_left(sky) -> None:
    """Against sums over a fine grid by the simulator, whose Sun and Moon are its own."""
    session = Session(Wide())
    since = np.array([-3000.0, -1500.0, -600.0, -120.0, 300.0])
    truth = [session.light_left(EPOCH_S + t) for t in since]
    assert light_left(sky, since).share == pytest.approx(truth, rel=0.01, abs=3e-4)


@pytest.mark.parametrize("projection", ["rectilinear", "equidistant", "equisolid", "stereographic"])
def test_lens_and_back(projection: str) -> None:
    """The simulator finds directions by a table, the lens by Newton's method."""
    wide = Wide(azimuth=232, altitude=18, roll=5.0, bend=-0.01, projection=projection, focal=250)
    camera = Camera(Lens(projection, 250.0, -0.01, (299.5, 199.5)), Pose(wide.axes()))
    assert (camera.pose.altitude, camera.pose.azimuth) == pytest.approx((18.0, 232.0))
    x, y = np.meshgrid(np.linspace(0, 599, 9), np.linspace(0, 399, 7))
    truth = wide.rays(x, y)
    assert camera.to_sky(np.stack([x, y], axis=-1)) == pytest.approx(truth, abs=2e-6)
    assert camera.to_pixels(truth) == pytest.approx(np.stack([x, y], axis=-1), abs=1e-3)
    again = Pose.of(camera.pose.altitude, camera.pose.azimuth, camera.pose.roll)
    assert again.axes == pytest.approx(camera.pose.axes, abs=1e-9)
