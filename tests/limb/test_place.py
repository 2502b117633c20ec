"""A camera's frames placed on a drawn corona, some of which have no limb to go by."""

from __future__ import annotations

from contextlib import contextmanager
from copy import deepcopy
from dataclasses import replace

import numpy as np
import pytest

from limbward.geometry.disc import MeasuredDisc
from limbward.geometry.lens import STRAIGHT, Lens
from limbward.geometry.orientation import Orientation
from limbward.geometry.pointing import Pointing
from limbward.limb.adjust import Pairs
from limbward.limb.corona import Crop, crop_corona
from limbward.limb.drowned import clipped_core
from limbward.limb.mergeable import mergeable
from limbward.limb.place import PLACES, Placing, Seen
from limbward.limb.session import Session
from limbward.sky.contacts import local_circumstances
from limbward.sky.ephemeris import Site
from limbward.sky.track import SkyTrack, sky_track
from tests.limb.pictures import corona

SITE = Site(65.0, -23.4, 40.0)
SHAPE, SCALE = (420, 420), 16.0
N, DROWNED, WRONG, EMPTY, GLARE, SHAKEN = 11, 3, 5, 7, 1, 6
DRAWN_WRONG_PX, CORE = 9.0, 1.9


@contextmanager
def silent(steps: int, what: str):
    yield lambda: None


@pytest.fixture(scope="module")
def track() -> SkyTrack:
    greatest = local_circumstances("2026-08-12", SITE).contacts["greatest"].time
    return sky_track(greatest, SITE)


@pytest.fixture(scope="module")
def placed(track: SkyTrack) -> tuple[Placing, np.ndarray, np.ndarray]:
    """Return frames of which one is drowned, one wrongly measured, and one shows no corona."""
    rng = np.random.default_rng(8)
    t = np.linspace(-36.0, 36.0, N)
    orientation = Orientation(SCALE, 20.0)
    sun = 210.0 + rng.normal(0.0, 3.0, (N, 2))
    moon = sun + np.stack(orientation.to_pixels(*track.offset_arcsec(t).T), axis=1)
    radius = track.moon_radius_arcsec(t) / SCALE
    sun_radius = track.sun_radius_arcsec(t) / SCALE
    measured = {
        "moon_x": moon[:, 0] + rng.normal(0.0, 0.05, N),
        "moon_y": moon[:, 1] + rng.normal(0.0, 0.05, N),
        "moon_radius": radius.copy(),
        "moon_sigma": np.full(N, 0.05),
    }
    crops: dict[int, Crop] = {}
    drowned = np.zeros(N, bool)
    for k in range(N):
        image, saturated = corona(
            SHAPE, (*sun[k], sun_radius[k]), (*moon[k], radius[k]), rng, exposure=0.3, threads=0.1
        )
        disc = MeasuredDisc(*moon[k], radius[k], 0.05)
        if k in (DROWNED, EMPTY):
            y, x = np.indices(SHAPE)
            saturated |= np.hypot(x - sun[k, 0], y - sun[k, 1]) < CORE * sun_radius[k]
            core = clipped_core(saturated)
            if k == EMPTY:  # what is not clipped is the glow of a lamp
                image = np.full(SHAPE, 3000.0, np.float32)
            crops[k] = crop_corona(image, saturated, 1.0, (0.0, 0.0), core, core)
            drowned[k] = True
            measured["moon_x"][k], measured["moon_y"][k] = core.x, core.y
            measured["moon_sigma"][k], measured["moon_radius"][k] = core.sigma, np.nan
            continue
        crops[k] = crop_corona(image, saturated, 1.0, (0.0, 0.0), disc, clipped_core(saturated))
    measured["moon_x"][WRONG] += DRAWN_WRONG_PX
    measured["moon_radius"][WRONG] *= 0.9
    measured["moon_x"][GLARE] += 1.5  # what passes for a limb is the edge of the glare
    measured["moon_sigma"][GLARE] = 0.2
    limb_width = np.ones(N)
    limb_width[[GLARE, SHAKEN]] = 3.7
    phase = np.full(N, "totality", dtype=object)
    nothing = np.full(N, np.nan)
    best = {name: nothing.copy() for name in (*PLACES, "sun_sigma")}
    best["moon_radius"] = np.where(drowned, np.nan, measured["moon_radius"])
    seen = Seen(
        phase=phase, content=phase, reading_s=t, middle_s=t, time_sigma_s=np.full(N, 0.1),
        exposure_s=np.full(N, 0.3), limb_width=limb_width, trail=nothing,
        behind_filter=np.zeros(N, bool), clipped=np.ones(N, bool), drowned=drowned,
        measured=measured, best=best,
    )  # fmt: skip
    placing = Placing(track, seen)
    pointing = Pointing("A", "1", orientation, up_sigma_deg=0.02)
    placing.place_body(np.arange(N), pointing, crops.get, silent)
    return placing, sun, mergeable(placing, (-60.0, 60.0), 0.5)


def off(placed: tuple[Placing, np.ndarray, np.ndarray]) -> np.ndarray:
    placing, sun, _ = placed
    return np.hypot(placing.place["sun_x"] - sun[:, 0], placing.place["sun_y"] - sun[:, 1])


def test_frames_with_limbs_are_where_they_were_drawn(placed):
    usual = [k for k in range(N) if k not in (DROWNED, WRONG, EMPTY, GLARE, SHAKEN)]
    assert off(placed)[usual].max() < 0.15
    assert placed[2][usual].all()


@pytest.mark.parametrize(
    ("frame", "says"), [(DROWNED, "hide the Moon's limb"), (WRONG, "the disc found has a radius")]
)
def test_a_frame_without_a_limb_to_go_by_is_placed_by_the_corona(placed, frame, says):
    placing, _, merged = placed
    assert off(placed)[frame] < 0.3
    assert off(placed)[frame] < 4.0 * placing.sun_sigma[frame]
    assert merged[frame]
    assert says in placing.note[frame]
    assert "placed by the corona" in placing.note[frame]


def test_a_soft_edge_of_the_glare_is_no_sign_of_shaking(placed):
    placing, _, merged = placed
    assert merged[GLARE]
    assert off(placed)[GLARE] < 0.15
    assert "its limb is 1." in placing.note[GLARE]
    assert not merged[SHAKEN]
    assert "shaken or out of focus" in placing.note[SHAKEN]


def test_a_frame_with_neither_limb_nor_corona_is_refused_in_words(placed):
    placing, _, merged = placed
    assert not merged[EMPTY]
    assert "the corona does not give its position" in placing.note[EMPTY]
    assert "frames in the config" in placing.note[EMPTY]


@pytest.mark.parametrize(("apart_px", "kept"), [(0.2, True), (5.0, False)])
def test_comparisons_that_disagree_place_no_frame_without_a_limb(placed, track, apart_px, kept):
    """Cloud that drifts over the corona is registered as well as the corona."""
    before, sun, _ = placed
    placing = Placing(track, before.seen)
    placing.place["sun_x"][:], placing.place["sun_y"][:] = sun.T
    placing.sun_sigma[:], placing.tied[:] = 0.1, True
    placing._loose[DROWNED] = "clipped pixels hide the Moon's limb"
    seen = before.seen.measured
    s = Session(np.arange(N), before.seen.middle_s, before.seen.exposure_s, *seen.values())
    others = np.array([0, 1, 2])
    off = apart_px * np.array([-1.0, 1.0, 1.0])
    d = sun[DROWNED] - sun[others]
    pairs = Pairs(np.full(3, DROWNED), others, d[:, 0] + off, d[:, 1], np.full(3, 0.1))
    placing._judge_loose(s, pairs)
    assert np.isfinite(placing.sun_sigma[DROWNED]) == kept
    assert ("placed by the corona" in placing.note[DROWNED]) == kept


@pytest.mark.parametrize("known", [True, False])
def test_a_sun_that_wanders_over_a_bent_field_is_where_it_was_drawn(track, known):
    """From corner to corner in five minutes, no two coronae alike: limbs alone tell."""
    n, lens = 12, Lens.of_frame(2400, 1600, 0.006)
    t = np.linspace(-150.0, 150.0, n)
    sun = np.column_stack([np.linspace(400.0, 2000.0, n), np.linspace(300.0, 1300.0, n)])
    camera = Orientation(3.0, 20.0)
    offset = track.offset_arcsec(t)
    moon = sun + np.array([camera.to_pixels(*o) for o in offset])
    x, y, radius = lens.bent_disc(*moon.T, track.moon_radius_arcsec(t) / 3.0)
    nothing = np.full(n, np.nan)
    measured = {"moon_x": x, "moon_y": y, "moon_radius": radius, "moon_sigma": np.full(n, 0.05)}
    phase = np.full(n, "totality", dtype=object)
    seen = Seen(
        phase=phase, content=phase, reading_s=t, middle_s=t, time_sigma_s=np.full(n, 0.1),
        exposure_s=np.full(n, 0.3), limb_width=np.ones(n), trail=nothing,
        behind_filter=np.zeros(n, bool), clipped=np.ones(n, bool), drowned=np.zeros(n, bool),
        measured=measured,
        best={k: nothing.copy() for k in (*PLACES, "sun_sigma")} | {"moon_radius": radius.copy()},
    )  # fmt: skip
    placing = Placing(track, seen)
    pointing = Pointing("A", "1", camera, up_sigma_deg=0.02)
    told = lens if known else STRAIGHT
    placing.place_body(np.arange(n), pointing, lambda row: None, silent, told)
    for name, centre in (("sun", sun), ("moon", moon)):
        drawn_x, drawn_y = lens.bent(*centre.T)
        found = (placing.place[f"{name}_{axis}"] for axis in ("x", "y"))
        off = np.hypot(*(a - b for a, b in zip(found, (drawn_x, drawn_y), strict=True)))
        assert off.max() < 0.01 if known else off.max() > 0.2


@pytest.mark.parametrize("mirrored", [False, True])
def test_on_a_tripod_a_sun_beside_the_middle_has_its_picture_turned(track, mirrored):
    """Three degrees left of the middle of an upright picture, and drifting away from it."""
    t = np.linspace(-50.0, 50.0, N)
    upright = Orientation(SCALE, float(track.parallactic_angle(np.zeros(1))[0]), mirrored)
    left_deg = 3.0 + 15.0 * t / 3600.0
    side = 1.0 if mirrored else -1.0
    sun = np.stack([2000.0 + side * left_deg * 3600.0 / SCALE, np.full(N, 1500.0)], axis=1)
    turn = track.turned(t) + left_deg * np.tan(np.radians(track.altitude(t)))
    offset = track.offset_arcsec(t)
    moon = sun + [upright.turned(turn[i]).to_pixels(*offset[i]) for i in range(N)]
    radius = track.moon_radius_arcsec(t) / SCALE
    sigma, nothing = np.full(N, 0.05), np.full(N, np.nan)
    measured = {
        "moon_x": moon[:, 0], "moon_y": moon[:, 1], "moon_radius": radius, "moon_sigma": sigma,
    }  # fmt: skip
    best = {name: nothing.copy() for name in (*PLACES, "sun_sigma")}
    best["moon_radius"] = radius
    dark, no = np.full(N, "totality", dtype=object), np.zeros(N, bool)
    seen = Seen(
        phase=dark, content=dark, reading_s=t, middle_s=t, time_sigma_s=np.full(N, 0.1),
        exposure_s=np.full(N, 0.3), limb_width=np.ones(N), trail=nothing, behind_filter=no,
        clipped=no, drowned=no, measured=measured, best=best,
        middle_px=np.tile([2000.0, 1500.0], (N, 1)),
    )  # fmt: skip
    placing = Placing(track, seen)
    rate = 36.0 * float(np.diff(track.turned(np.array([-50.0, 50.0])))[0])
    pointing = Pointing("A", "1", upright, up_sigma_deg=0.01, rotation_deg_per_hour=rate)
    placing.place_body(np.arange(N), pointing, lambda row: None, silent)
    assert turn.min() > 1.0
    assert placing.turn_deg == pytest.approx(turn, abs=0.01)


@pytest.mark.parametrize("small", [None, False, True])
def test_frames_of_a_small_sun_beside_beads_are_not_merged(placed, small):
    """Beads add nothing that is seen in so small a corona; the clock reads whole seconds."""
    before, _, merged = placed
    first, beside, away = np.flatnonzero(merged)[:3]
    placing = deepcopy(before)
    content, at = before.seen.content.copy(), before.seen.middle_s.copy()
    content[first] = "contact"
    at[beside], at[away] = at[first] + 1.02, at[first] + 2.1
    known = None if small is None else np.full(N, small)
    placing.seen = replace(before.seen, content=content, middle_s=at, small=known)
    now = mergeable(placing, (-60.0, 60.0), 0.5)
    assert now[away]
    assert now[beside] == (not small)
