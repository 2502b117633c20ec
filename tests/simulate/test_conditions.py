"""Each fault of `limbward.simulate.conditions` by its physics, in frames of a tiny camera."""

import io
import json
import math
import re
from dataclasses import replace
from functools import cache
from pathlib import Path

import exifread
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from limbward.simulate.card import exposure_tags, simulate_card
from limbward.simulate.conditions import CONDITIONS, EFFECTS, under
from limbward.simulate.dng import dng_bytes
from limbward.simulate.frames import camera_frames, cloud_gain, expose
from limbward.simulate.plan import eclipse_of
from limbward.simulate.scenario import adapt, altazimuth_scenario, demo_scenario
from limbward.simulate.truth import frame_truth

SEED = 3


def base():
    """The demo without what a test would have to allow for."""
    return adapt(
        demo_scenario(0.1),
        instrument={"pixel_spread": 0.0, "vignetting": 0.0},
        mount={"jitter_arcsec": 0.0},
    )


@cache
def taken(effect, make=base):
    scenario = under(make(), "calm", (effect,) if effect else ())
    _, contacts = eclipse_of(scenario)
    return scenario, camera_frames(scenario, 0, contacts, SEED), contacts


def of(frames, kind, nominal=None):
    return [f for f in frames if f.shot.kind == kind and nominal in (None, f.shot.nominal_s)]


def light(scenario, frame):
    """Numbers over black, (H, W)."""
    image = expose(scenario, frame, SEED).astype(float)
    black = np.reshape(frame.camera.instrument.black, (2, 2))
    return image - np.tile(black, (image.shape[0] // 2, image.shape[1] // 2))


def truths(effect):
    scenario, frames, _ = taken(effect)
    return [frame_truth(str(f.shot.index), f, scenario, SEED) for f in frames]


def radius(frame, shape, body="sun"):
    y, x = np.indices(shape, dtype=float)
    place = frame.place
    return np.hypot(x - getattr(place, f"{body}_x"), y - getattr(place, f"{body}_y"))


def test_calm_is_the_scenario_as_it_is():
    scenario = demo_scenario(0.1)
    assert under(scenario, "calm") == scenario
    for name in ("usual", "hard"):
        assert under(scenario, name).conditions == name
        assert replace(under(scenario, name), conditions="calm") != scenario


def test_the_documentation_names_every_effect():
    text = (Path(__file__).parents[2] / "notebooks" / "howto.md").read_text(encoding="utf-8")
    first = re.findall(r"^\| ((?:`[a-z-]+`(?:, )?)+) \|", text, flags=re.M)
    assert set(EFFECTS) <= {name for cell in first for name in re.findall(r"[a-z-]+", cell)}


def test_every_effect_is_alone():
    """An effect changes what it is about; the frames, their times and all else stay."""
    _, calm, _ = taken(None)
    for name in EFFECTS:
        _, frames, _ = taken(name)
        lit = [f for f in frames if f.place is not None]
        assert [f.shot.start for f in lit] == [f.shot.start for f in calm if f.place is not None]
        if name not in ("clock-set",):
            assert [f.time_camera for f in lit] == [
                f.time_camera for f in calm if f.place is not None
            ]
        if name not in ("polar", "recentring"):
            assert [f.place.sun_x for f in lit] == [
                pytest.approx(f.place.sun_x, abs=1e-4) for f in calm if f.place is not None
            ]  # at the middle of the exposure, which shutters move


def test_conditions_hold_for_every_camera_and_mount():
    for make in (demo_scenario, altazimuth_scenario):
        for name in CONDITIONS:
            scenario = under(make(0.1), name)
            _, contacts = eclipse_of(scenario)
            rows, columns = scenario.cameras[0].instrument.shape
            for frame in camera_frames(scenario, 0, contacts, SEED):
                if frame.place is not None:  # the photographer keeps the Sun in the picture
                    assert 0.1 * columns < frame.place.sun_x < 0.9 * columns
                    assert 0.1 * rows < frame.place.sun_y < 0.9 * rows


def test_aureole_in_a_filtered_frame():
    """Outside the Sun, what the wings bring, by a sum over the disc's pixels and its Gaussians."""
    (scenario, frames, _), (calm, before, _) = taken("aureole"), taken(None)
    image, bare = light(scenario, of(frames, "partial")[0]), light(calm, of(before, "partial")[0])
    # One green place of the mosaic.
    image, bare = image[0::2, 1::2], bare[0::2, 1::2]
    frame = of(frames, "partial")[0]
    r = radius(frame, data_shape(frame))[0::2, 1::2]
    edge = frame.place.sun_radius_arcsec / frame.place.pixel_scale_arcsec
    assert (image - bare)[r < 0.5 * edge].mean() < 0.0
    ring = (r > 1.4 * edge) & (r < 1.6 * edge)
    y, x = np.nonzero(ring)
    v, u = np.nonzero(r < 1.03 * edge)
    theta = 2 * frame.place.pixel_scale_arcsec * np.hypot(x[:, None] - u, y[:, None] - v)
    # The law of 1/theta^2 between 20 and 1200 arcsec, in Gaussians of the same light.
    sigmas = np.geomspace(20.0, 1200.0, 40)[:, None, None]
    cell = (2 * frame.place.pixel_scale_arcsec) ** 2
    seen = np.mean(np.exp(-0.5 * (theta / sigmas) ** 2) / (2 * np.pi * sigmas**2), axis=0) * cell
    expected = 0.04 * (seen @ bare[v, u]).mean()
    assert expected > 5.0
    assert (image - bare)[ring].mean() == pytest.approx(expected, rel=0.1)


def test_seeing_varies_within_its_bounds():
    scenario, frames, _ = taken("seeing")
    seen = np.array([f.blur.seeing_arcsec for f in frames if f.blur])
    assert seen.min() >= 2.0
    assert seen.max() <= 4.0
    assert seen.std() == pytest.approx(2.0 / math.sqrt(12.0), rel=0.2)
    scale = scenario.cameras[0].pixel_scale_arcsec
    for frame in frames:
        if frame.blur:
            own = frame.blur.seeing_arcsec / 2.3548 / scale
            assert frame.blur.sigma_px == pytest.approx(math.hypot(0.8, own), rel=1e-4)


def test_a_frame_is_as_blurred_as_the_truth_says():
    """A frame of sigma 2 px is one of 1 px, blurred by the root of the variances' difference."""
    scenario = adapt(base(), instrument={"response": (1.0, 1.0, 1.0)}, camera={"psf_sigma_px": 1.0})
    _, contacts = eclipse_of(scenario)
    frame = of(camera_frames(scenario, 0, contacts, SEED), "partial")[2]
    frame = replace(frame, shot=replace(frame.shot, exposure_s=frame.shot.exposure_s / 2))
    sharp = light(scenario, frame)
    soft = light(scenario, replace(frame, blur=replace(frame.blur, sigma_px=2.0)))
    edge = frame.place.sun_radius_arcsec / frame.place.pixel_scale_arcsec
    limb = np.abs(radius(frame, sharp.shape) - edge) < 6
    apart = np.abs(soft - gaussian_filter(sharp, math.sqrt(3.0)))[limb].max()
    assert apart < 0.01 * sharp.max()
    assert np.abs(soft - sharp)[limb].max() > 0.1 * sharp.max()


def test_focus_drifts_evenly_from_the_first_frame_to_the_last():
    _, frames, _ = taken("focus")
    lit = [f for f in frames if f.blur]
    seconds = np.array([(f.shot.start - lit[0].shot.start).total_seconds() for f in lit])
    drift = np.array([f.blur.defocus_px for f in lit])
    assert drift == pytest.approx(1.2 * seconds / seconds[-1], abs=1e-3)


def test_lateral_colour_moves_red_and_blue_limbs():
    """The Sun's red disc is smaller and nearer to the axis than the green one, the blue larger."""
    scenario = under(base(), "calm", ("lateral",))
    scenario = adapt(scenario, optics={"lateral": (-0.01, 0.02)})  # a pixel at the edge
    _, contacts = eclipse_of(scenario)
    frame = of(camera_frames(scenario, 0, contacts, SEED), "partial")[0]
    frame = replace(frame, place=replace(frame.place, moon_x=1e5))
    image = light(scenario, frame)
    areas = {}
    for name, (i, j) in {"red": (0, 0), "green": (0, 1), "blue": (1, 1)}.items():
        plane, r = image[i::2, j::2], radius(frame, image.shape)[i::2, j::2]
        areas[name] = (plane / plane[r < 8].mean())[r < 60].sum()
    assert areas["red"] / areas["green"] == pytest.approx(0.99**2, rel=2e-3)
    assert areas["blue"] / areas["green"] == pytest.approx(1.02**2, rel=2e-3)


def test_distortion_draws_the_sun_where_the_truth_has_it():
    """Beside the axis: its area by its light, and its centre by that light's centroid."""
    scenario = adapt(under(base(), "calm", ("distortion",)), optics={"distortion": 0.03})
    _, contacts = eclipse_of(scenario)
    frame = of(camera_frames(scenario, 0, contacts, SEED), "partial")[0]
    place = replace(frame.place, moon_x=1e5, sun_x=frame.place.sun_x + 100.0)
    frame = replace(frame, place=place)
    told = frame_truth("a", frame, scenario, SEED)
    assert told["sun_x"] > place.sun_x + 0.7
    image = light(scenario, frame)
    y, x = np.indices(image.shape, dtype=float)
    r = np.hypot(x - told["sun_x"], y - told["sun_y"])
    near = r < told["sun_radius"] + 12.0
    straight = light(*_at(scenario, frame, 0.0))
    before = np.hypot(x - place.sun_x, y - place.sun_y) < told["sun_radius"] + 12.0
    ratio = image[near].sum() / straight[before].sum()
    plain = frame_truth("a", *reversed(_at(scenario, frame, 0.0)), SEED)["sun_radius"]
    assert ratio == pytest.approx((told["sun_radius"] / plain) ** 2, rel=2e-3)
    # The disc is drawn further out on its far side: its centroid by 3 k q R^2 / 2 more at least.
    for place_of, centre in ((x, told["sun_x"]), (y, told["sun_y"])):
        assert np.sum(image[near] * place_of[near]) / image[near].sum() == pytest.approx(
            centre, abs=0.3
        )


def _at(scenario, frame, distortion):
    scenario = adapt(scenario, optics={"distortion": distortion})
    return scenario, replace(frame, camera=scenario.cameras[0])


def test_shutters_err_by_their_spread():
    scenario, frames, _ = taken("shutter")
    assert scenario.shutter_error == 0.05
    lit = [f.shot for f in frames if f.place is not None]
    error = [s.exposure_s / 2 ** (round(3 * math.log2(s.nominal_s)) / 3) - 1 for s in lit]
    assert np.std(error) == pytest.approx(0.05, rel=0.25)


@pytest.mark.parametrize("effect", ["clip", "bend"])
def test_numbers_end_below_the_declared_white(effect):
    scenario, frames, _ = taken(effect)
    body = scenario.cameras[0].instrument
    image = expose(scenario, of(frames, "totality", 2.0)[0], SEED)
    black = np.mean(body.black)
    assert image.max() == round(black + 0.93 * (body.white - black))
    assert (image == image.max()).mean() > 0.1
    assert image.max() < body.layout.white


def test_black_levels_are_those_of_their_places():
    scenario, frames, _ = taken("black")
    dark = expose(scenario, of(frames, "dark")[0], SEED).astype(float)
    found = [np.median(dark[i::2, j::2]) for i in (0, 1) for j in (0, 1)]
    assert found == pytest.approx((497.0, 513.0, 526.0, 508.0), abs=1.0)
    assert len({round(level) for level in found}) == 4


def test_two_isos_in_a_bracket():
    scenario, frames, _ = taken("isos")
    bracket = of(frames, "totality")[:7]
    assert [f.shot.iso for f in bracket] == [100, 400, 100, 400, 100, 400, 100]
    tags = exposure_tags(scenario, bracket[1])
    layout = bracket[1].camera.instrument.layout
    data = dng_bytes(expose(scenario, bracket[1], SEED), layout, tags)
    read = exifread.process_file(io.BytesIO(data))
    assert read["EXIF ISOSpeedRatings"].values == [400]
    # Four times the number for the same light.
    slow = replace(bracket[1], shot=replace(bracket[1].shot, iso=100))
    ring = (radius(slow, data_shape(slow)) > 60) & (radius(slow, data_shape(slow)) < 75)
    ratio = light(scenario, bracket[1])[ring].mean() / light(scenario, slow)[ring].mean()
    assert ratio == pytest.approx(4.0, rel=0.02)
    assert truths("isos")[bracket[1].shot.index]["iso"] == 400


def data_shape(frame):
    return frame.camera.instrument.shape


def test_cloud_takes_the_light_that_the_truth_says():
    """Across the Sun's limb, where the glow of the cloud is on both sides and drops out."""
    (scenario, frames, _), (calm, before, _) = taken("cloud"), taken(None)
    rows = truths("cloud")
    gains = [rows[f.shot.index]["gain"] for f in of(frames, "partial")]
    assert min(gains) < 0.7
    for i in np.argsort(gains)[:3]:
        frame, old = of(frames, "partial")[i], of(before, "partial")[i]
        frame, old = (replace(f, place=replace(f.place, moon_x=1e5)) for f in (frame, old))
        r = radius(frame, data_shape(frame)) / (
            frame.place.sun_radius_arcsec / scenario.cameras[0].pixel_scale_arcsec
        )
        steps = [
            light(s, f)[(r > 0.75) & (r < 0.85)].mean()
            - light(s, f)[(r > 1.15) & (r < 1.25)].mean()
            for s, f in ((scenario, frame), (calm, old))
        ]
        y, x = np.nonzero((r > 0.75) & (r < 0.85))
        gain = cloud_gain(scenario, frame, SEED, x.astype(float), y.astype(float)).mean()
        assert steps[0] / steps[1] == pytest.approx(gain, rel=0.06)
        assert abs(gain - gains[i]) < 0.2


def test_cloud_is_where_the_truth_says_it_drifted_to():
    """The gain at the Sun is that of another frame where the wind has carried it."""
    scenario, frames, contacts = taken("cloud")
    cloud = scenario.weather.cloud
    for row, frame in zip(truths("cloud"), frames, strict=True):
        if frame.place is None:
            continue
        since = (frame.shot.start - contacts["greatest"]).total_seconds()
        assert row["cloud_shift_arcsec"] == pytest.approx(
            [v * since for v in cloud.wind_arcsec_s], rel=1e-6, abs=1.0
        )
        assert 0.5 <= row["gain"] <= 1.0
    assert all(row.get("gain", 1.0) == 1.0 for row in truths(None))


def test_the_sky_is_brighter_towards_the_horizon():
    scenario, frames, _ = taken("sky")
    frame = of(frames, "totality")[0]
    rows, columns = data_shape(frame)
    corner, by_x, by_y = frame.sky
    middle = corner + by_x * columns / 2 + by_y * rows / 2
    assert middle == pytest.approx(2.5e-9, rel=0.01)
    scale = scenario.cameras[0].pixel_scale_arcsec
    assert math.hypot(by_x, by_y) * 3600.0 / scale == pytest.approx(0.6 * middle, rel=0.01)


def test_the_ghost_lies_opposite_to_the_sun():
    (scenario, frames, _), (calm, before, _) = taken("ghost"), taken(None)
    pitch = scenario.cameras[0].instrument.pixel_pitch_um
    x, y = scenario.cameras[0].optics.axis_px(data_shape(frames[0]), pitch)
    # A Sun far from the axis, in an exposure that shows the ghost and nothing else of it.
    shown = []
    for s, f in ((scenario, of(frames, "partial")[0]), (calm, of(before, "partial")[0])):
        place = replace(f.place, sun_x=x - 110.0, sun_y=y + 30.0, moon_x=1e5)
        far = replace(f, place=place, shot=replace(f.shot, exposure_s=0.5))
        shown.append(light(s, far))
    added = np.maximum(shown[0] - shown[1], 0.0)
    v, u = np.indices(added.shape, dtype=float)
    ghost = np.hypot(u - (x + 110.0), v - (y - 30.0)) < 60.0
    centre = [(added * w)[ghost].sum() / added[ghost].sum() for w in (u, v)]
    assert centre == pytest.approx((x + 110.0, y - 30.0), abs=0.5)


def test_recentring_puts_the_sun_near_its_place_again():
    scenario, frames, contacts = taken("recentring")
    rows, columns = data_shape(frames[0])
    scale = scenario.cameras[0].pixel_scale_arcsec
    x0, y0 = (columns - 1) / 2 + 0.03 * columns, (rows - 1) / 2 - 0.02 * rows
    lit = [f for f in frames if f.place is not None]
    since = [(f.shot.start - contacts["greatest"]).total_seconds() for f in lit]
    for when in (-1500.0, -240.0, 8.0):
        i = next(k for k, s in enumerate(since) if s >= when)
        away = math.hypot(lit[i].place.sun_x - x0, lit[i].place.sun_y - y0) * scale
        assert 0.0 < away < 4.0 * 120.0
        jump = lit[i].place.sun_x - lit[i - 1].place.sun_x
        drift = 0.02 * (since[i] - since[i - 1]) / scale  # 1.2 arcsec a minute
        assert abs(jump) > drift


def test_trailed_frames_are_marked_and_smeared():
    _, frames, _ = taken("trailed")
    lit = [f for f in frames if f.place is not None]
    hit = [f for f in lit if f.knocked]
    assert 0.03 < len(hit) / len(lit) < 0.25
    for f in lit:
        run = math.hypot(f.place.trail_x, f.place.trail_y)
        if f.knocked:
            swing = 24.0 * math.sin(min(math.pi * 12.0 * f.shot.exposure_s, math.pi / 2))
            assert run == pytest.approx(swing / f.place.pixel_scale_arcsec, rel=0.02)
        else:
            assert run < 0.05


def test_a_polar_axis_turns_the_field_and_a_leaning_head_too():
    _, frames, _ = taken("polar")
    lit = [f for f in frames if f.place is not None]
    turned = lit[-1].up_position_angle - lit[0].up_position_angle
    hours = (lit[-1].shot.start - lit[0].shot.start).total_seconds() / 3600.0
    # At most 15 degrees an hour times the degree that the axis misses.
    assert 0.02 < abs(turned / hours) < 15.0 * math.radians(1.0)
    level = taken("level", altitude)[1]
    flat = taken(None, altitude)[1]
    apart = [
        a.up_position_angle - b.up_position_angle
        for a, b in zip(level, flat, strict=True)
        if a.place is not None
    ]
    assert 0.2 < np.ptp(apart) < 4.0


def altitude():
    return adapt(altazimuth_scenario(0.1), mount={"jitter_arcsec": 0.0})


def test_what_the_camera_writes_and_leaves_out():
    scenario, frames, _ = taken("focal-length")
    assert exposure_tags(scenario, frames[0]).focal_length_mm == 50.0
    assert scenario.cameras[0].focal_length_mm == 800.0
    _, frames, _ = taken("no-darks")
    assert not of(frames, "dark")
    assert of(frames, "flat")
    _, frames, contacts = taken("clock-set")
    lit = [f for f in frames if f.place is not None]
    slow = [
        (f.time_camera - f.shot.start).total_seconds() - 3 * 3600 + 58.3 for f in lit
    ]  # and 2.4 s an hour
    before = [(f.shot.start - contacts["greatest"]).total_seconds() < -1700.0 for f in lit]
    assert np.array(slow)[before] == pytest.approx(0.0, abs=4.0)
    assert np.array(slow)[~np.array(before)] == pytest.approx(41.0, abs=4.0)


@pytest.mark.card
def test_the_truth_holds_what_was_done(tmp_path):
    scenario = under(demo_scenario(0.03), "hard")
    scenario = adapt(scenario, plan={"partial_frames": 4, "brackets": 1})
    simulate_card(tmp_path, scenario, seed=SEED)
    truth = json.loads((tmp_path / "truth.json").read_text())
    assert truth["conditions"] == "hard"
    assert truth["weather"]["aureole"] == 0.04
    assert truth["weather"]["cloud"]["absorption"] == 0.5
    (camera,) = truth["cameras"]
    assert camera["optics"]["ghost"] == 8e-4
    assert camera["clip_adu"] < camera["white"]
    assert camera["bend"] == 0.8
    assert camera["polar_error_arcmin"] == [42.0, -42.0]
    kinds = {f["kind"] for f in truth["frames"]}
    assert kinds == {"partial", "contact", "totality"}  # no darks, no flats
    for frame in truth["frames"]:
        assert 2.0 <= frame["blur"]["seeing_arcsec"] <= 4.0
        assert 0.5 <= frame["gain"] <= 1.0
        assert frame["knocked"] in (True, False)
    assert {f["iso"] for f in truth["frames"] if f["kind"] == "totality"} == {100, 400}
