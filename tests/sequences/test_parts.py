"""The parts of which sheets, strips and films are made, on pictures whose answer is known."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter, map_coordinates

from limbward.camera.frame import RawFrame, linear_frame
from limbward.config import Config
from limbward.errors import LimbwardError
from limbward.geometry.lens import Lens
from limbward.geometry.orientation import Orientation
from limbward.products import prominences
from limbward.sequences.beads import find_beads
from limbward.sequences.canvas import Canvas, Label
from limbward.sequences.cut import View, cut
from limbward.sequences.deflicker import RINGS, common_profile, disc_profile, level
from limbward.sequences.film import blended, to_bytes
from limbward.sequences.frame_box import FrameBox
from limbward.sequences.layout import evenly, places
from limbward.sequences.prominences import excess_map, find_prominences
from limbward.simulate.corona import PINK, corona
from limbward.simulate.truth import true_corona
from limbward.work.reporting import SilentReporter
from limbward.workspace import Workspace
from tests.apart.pose import Camera
from tests.camera.files import frame

BAYER = np.array([[0, 1], [1, 2]], np.int8)


def centre_of_light(plane):
    y, x = np.indices(plane.shape)
    weight = np.clip(plane - np.median(plane), 0.0, None)
    return (weight * x).sum() / weight.sum(), (weight * y).sum() / weight.sum()


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("scale", [1.0, 2.0, 3.7])
def test_a_cut_puts_every_colour_where_the_sky_says(mirrored, scale):
    """A spot some pixels from the disc's centre lands where its offset on the sky belongs."""
    camera = Orientation(2.0, 33.0, mirrored)
    centre = (61.3, 58.6)
    dx, dy = 6.2, -4.7
    frame = spot_frame(centre[0] + dx, centre[1] + dy)
    view = View(81, scale, -71.0)
    made = cut(frame, centre, camera, view)
    x, y = view.orientation.to_pixels(*camera.to_sky(dx, dy))
    for plane in made.picture:
        found = centre_of_light(plane)
        assert found[0] - view.centre == pytest.approx(float(x), abs=0.1)
        assert found[1] - view.centre == pytest.approx(float(y), abs=0.1)
    assert not made.clipped.any()


@pytest.mark.parametrize("distortion", [0.03, -0.02])
def test_a_cut_is_without_distortion(distortion):
    """Near the corner, where the other simulator's camera draws spots."""
    lens = Lens.of_frame(160, 120, distortion)
    drawer = Camera(160, 120, 1.0, 1.0, distortion=distortion)
    camera, view = Orientation(2.0, 33.0), View(61, 2.0, 33.0)
    straight = np.array([[120.0, 90.0], [131.0, 90.0], [120.0, 101.0]])
    sky = np.column_stack([straight[:, 0] - 79.5, 59.5 - straight[:, 1], np.ones(3)])
    drawn = np.stack(drawer.project(np.eye(3), sky), axis=-1)
    for at, place in zip(straight, drawn, strict=True):
        made = cut(spot_frame(*place, (120, 160)), tuple(drawn[0]), camera, view, lens)
        found = np.array(centre_of_light(made.picture[1])) - view.centre
        assert found == pytest.approx(at - straight[0], abs=0.05)


def spot_frame(x, y, size=120):
    """Return a mosaic with a blurred white spot."""
    yy, xx = np.indices(np.broadcast_to(size, 2))
    light = 100.0 + 8000.0 * np.exp(-0.5 * ((xx - x) ** 2 + (yy - y) ** 2) / 3.0**2)
    return RawFrame(
        np.rint(light).astype(np.uint16),
        BAYER,
        np.full((2, 2), 100.0, np.float32),
        16100.0,
        np.ones(3, np.float32),
        np.eye(3, dtype=np.float32),
    )


def test_a_cut_beyond_the_frame_is_black_and_clipped_light_is_white():
    data = np.full((40, 40), 16000, np.uint16)
    made = cut(linear_frame(data, 16000.0), (0.0, 0.0), Orientation(1.0, 0.0), View(41, 1.0, 0.0))
    assert made.picture[:, 30, 30] == pytest.approx(1.0, abs=0.02)
    assert made.clipped[30, 30]
    assert made.picture[:, 5, 5] == pytest.approx(0.0, abs=0.02)


@given(
    st.lists(st.floats(-1e4, 1e4, allow_nan=False), min_size=1, max_size=40, unique=True),
    st.integers(1, 50),
)
def test_even_steps_choose_different_frames_in_order(values, count):
    chosen = evenly(np.array(values), count)
    assert len(chosen) == min(count, len(values))
    assert len(set(chosen.tolist())) == len(chosen)
    assert np.all(np.diff(np.array(values)[chosen]) > 0)


def test_even_steps_are_even():
    chosen = evenly(np.linspace(0.0, 100.0, 101), 11)
    assert chosen.tolist() == list(range(0, 101, 10))
    assert evenly(np.array([np.nan, 3.0, np.nan]), 5).tolist() == [1]


@pytest.mark.parametrize("layout", ["line", "arc", "grid"])
@pytest.mark.parametrize("count", [1, 2, 3, 9, 14])
def test_cells_stay_on_the_sheet_and_apart(layout, count):
    centres, (width, height) = places(layout, count, 10.0)
    assert len(centres) == count
    assert centres.min() >= 5.0 - 1e-9
    assert np.all(centres <= np.array([width, height]) - 5.0 + 1e-9)
    apart = np.hypot(*(centres[:, None] - centres[None]).T) + 99.0 * np.eye(count)
    assert apart.min() > 10.0 - 1e-6


def test_a_grid_of_nine_has_its_fifth_in_the_middle():
    centres, (width, height) = places("grid", 9, 10.0)
    assert centres[4].tolist() == [width / 2, height / 2]


def crescent(gain, moon_x, noise, rng):
    """Return a darkened disc of radius 60 behind a Moon, times a gain."""
    y, x = np.indices((161, 161)) - 80.0
    r = np.hypot(x, y) / 60.0
    light = np.where(r < 1, 1.0 - 0.6 * (1.0 - np.sqrt(np.clip(1.0 - r**2, 0, 1))), 0.0)
    light[np.hypot(x - moon_x, y) < 62.0] = 0.0
    picture = np.repeat((gain * light)[None], 3, axis=0)
    picture = (picture + noise * rng.standard_normal(picture.shape)).astype(np.float32)
    return disc_profile(picture, np.zeros((161, 161), bool), (80, 80, 60), (80 + moon_x, 80, 62))


def test_levels_do_not_depend_on_how_much_of_the_disc_is_seen():
    rng = np.random.default_rng(5)
    gains = rng.uniform(0.5, 2.0, 12)
    moons = np.linspace(125.0, 14.0, 12)
    profiles = np.array([crescent(g, m, 0.01, rng) for g, m in zip(gains, moons, strict=True)])
    common = common_profile(profiles)
    assert common.shape == (RINGS,)
    ratio = np.array([level(p, common) for p in profiles]) / gains
    assert np.std(ratio) / np.mean(ratio) < 0.005
    r = (np.flatnonzero(np.isfinite(common)) + 0.5) / RINGS
    true = np.log(1.0 - 0.6 * (1.0 - np.sqrt(1.0 - r**2)))
    found = common[np.isfinite(common)]
    assert np.max(np.abs(found - found[0] - true + true[0])) < 0.02


def test_a_frame_that_shows_no_disc_has_no_level():
    nothing = np.full(RINGS, np.nan)
    assert math.isnan(level(nothing, np.zeros(RINGS)))
    assert np.isnan(common_profile(nothing[None])).all()


def limb_picture(beads, corona_level=0.01, clip=1.0):
    """Return the Moon before a corona with spots of light on its limb."""
    view = View(361, 1.0, 25.0)
    y, x = np.indices((361, 361)) - 180.0
    r = np.hypot(x, y)
    picture = np.where(r > 150.0, corona_level * (150.0 / np.maximum(r, 1.0)) ** 3, 0.0)
    for angle, light in beads:
        a = math.radians(angle)
        dx, dy = view.orientation.to_pixels(math.sin(a) * 150.0, math.cos(a) * 150.0)
        picture += light * np.exp(-0.5 * ((x - dx) ** 2 + (y - dy) ** 2) / 1.2**2)
    return np.repeat(np.minimum(picture, clip)[None], 3, axis=0).astype(np.float32), view


def test_beads_have_the_position_angles_of_the_sky():
    beads = [(2.0, 40.0), (10.0, 3.0), (88.5, 500.0), (359.0 - 8.0, 1.0)]
    picture, view = limb_picture(beads)
    found = find_beads(picture, view, 150.0)
    assert [b.position_angle for b in found] == pytest.approx(sorted(a for a, _ in beads), abs=0.15)


def test_the_corona_and_prominences_are_no_beads():
    picture, view = limb_picture([(50.0, 0.1), (200.0, 0.2)])  # ten and twenty times the corona
    assert find_beads(picture, view, 150.0) == []


def test_beads_are_not_told_in_a_long_exposure():
    picture, view = limb_picture([(50.0, 100.0)], corona_level=0.3)
    assert find_beads(picture, view, 150.0) is None


def test_prominences_are_as_high_as_they_are():
    """On the simulator's corona, sharp and without Moon: heights by the same contour of its law."""
    radius, scale, up = 480.0, 2.0, 40.0
    linear = true_corona(
        4, (1140, 1140), sun_x=569.5, sun_y=569.5, sun_radius_px=radius, up_from_solar_north=up
    )
    found = find_prominences(excess_map(linear, (569.5, 569.5), radius, scale, up))
    tall = [p for p in found if p.height_arcsec > 20.0]
    assert len(tall) >= 3
    height = np.arange(0.0, 110.0, 0.1)
    rho = 1.0 + height / (radius * scale)
    for p in tall:
        angle = np.radians(np.arange(p.first - 0.1, p.first + (p.last - p.first) % 360 + 0.1, 0.02))
        pink = corona(4).pink_at(rho[None], angle[:, None])
        white = corona(4).white_at(rho[None], angle[:, None])
        bright = pink * (1.0 - PINK[1]) / (white + pink * PINK[1]) > 0.5
        assert p.height_arcsec == pytest.approx(
            height[np.flatnonzero(bright.any(axis=0))[-1]], abs=1
        )


@pytest.mark.parametrize(
    ("latitude", "longitude", "says"),
    [(65.0, -23.4, "no merged corona"), (48.0, 2.0, "not total.*hydrogen-alpha")],
)
def test_no_corona_no_prominences(tmp_path, latitude, longitude, says):
    config = Config.model_validate(
        {
            "site": {"latitude": latitude, "longitude": longitude},
            "eclipse": "2026-08-12",
            "input": {"cards": ["card"]},
        }
    )
    with pytest.raises(LimbwardError, match=says):
        prominences.run(config, Workspace(tmp_path), SilentReporter())
    assert not list(tmp_path.rglob("*.png"))


def test_a_dissolve_leads_from_one_to_the_other():
    """Faint slopes have no steps on the way, and what is alike stays as it is."""
    slope = np.broadcast_to(np.linspace(0.20, 0.22, 64)[:, None], (400, 64, 3))
    before, after = ((65535.0 * (slope + more)).astype(np.uint16) for more in (0.0, 0.5))
    for share in (0.25, 0.5, 1.0):
        shown = blended(before, after, share).mean(axis=(0, 2))
        assert shown == pytest.approx(255.0 * (slope[0, :, 0] + 0.5 * share), abs=0.1)
        alike = blended(before, before, share).astype(int) - blended(before, before, 1.0)
        assert np.abs(alike).max() <= 1
        assert np.count_nonzero(alike) < 1e-3 * alike.size


def test_bytes_keep_the_mean_of_a_faint_slope():
    slope = np.tile(np.linspace(0.02, 0.03, 512, dtype=np.float32), (3, 64, 1))
    shown = to_bytes(slope)
    assert shown.shape == (64, 512, 3)
    half = shown[:, :256].mean() / 255.0
    assert half == pytest.approx(0.0225, abs=2e-4)


def test_labels_are_drawn_where_they_belong():
    canvas = Canvas.blank(200, 60)
    canvas.labels.append(Label("17:46:50", 100, 20, 14))
    drawn = canvas.drawn()
    assert canvas.picture.max() == 0.0
    ys, xs = np.nonzero(drawn.max(axis=0) > 0.5)
    assert abs((xs.min() + xs.max()) / 2 - 100) <= 2
    assert ys.min() >= 19
    assert ys.max() <= 36


@pytest.mark.parametrize("side", [64, 330])
def test_the_same_frames_give_the_same_film_byte_by_byte(tmp_path, side):
    """330 is no multiple of 16; other memory is in use each time."""
    from limbward.sequences.film import write_films

    rng = np.random.default_rng(3)
    still, wave = 60 * rng.random((side, side, 3)) + 100, np.arange(side)[None, :, None] / 50
    frames = [(still + 40 * np.sin(k / 5 + wave)).astype(np.uint8) for k in range(24)]
    made: dict[str, set[bytes]] = {"mp4": set(), "webm": set()}
    for turn in range(4):
        filled = [rng.bytes(400_000 * (turn + 1)) for _ in range(6)]
        del filled
        paths = {kind: tmp_path / f"{turn}.{kind}" for kind in made}
        write_films(paths, frames, 12.0, title="a\0title\ud800")
        for kind, path in paths.items():
            made[kind].add(path.read_bytes())
    assert [len(films) for films in made.values()] == [1, 1]


@pytest.mark.parametrize("words", ["short", "words that go on " * 12, "x" * 90 + " and more"])
def test_words_at_the_foot_stay_on_the_picture(words):
    canvas = Canvas.blank(300, 60)
    canvas.foot(words, 10.0, 42.0, 12.0)
    assert " ".join(label.text for label in canvas.labels) == words.strip()
    drawn = canvas.drawn()
    assert drawn.shape[1] % 2 == 0
    assert drawn.shape[1] - canvas.labels[-1].y == pytest.approx(18.0, abs=1.0)
    if "x" not in words:  # a word wider than the picture is cut
        assert drawn[:, :, :9].max() == drawn[:, :, -9:].max() == 0.0


@pytest.mark.parametrize(("blur_px", "scale"), [(1.0, 4.0), (0.9, 10.7)])
def test_prominences_of_a_blurred_coarse_picture_are_within_their_errors(blur_px, scale):
    """The wide ones, beyond a Moon that hides 44 arcsec of the limb; and none that is not there."""
    true = true_corona(
        1, (1140, 1140), sun_x=569.5, sun_y=569.5, sun_radius_px=475.0, up_from_solar_north=0.0
    )
    sharp = find_prominences(excess_map(true, (569.5, 569.5), 475.0, 2.0, 0.0))
    step = scale / 2.0
    side = int(1140 / step)
    view = (np.arange(side) + 0.5) * step - 0.5
    y, x = np.meshgrid(view, view, indexing="ij")
    soft = [
        map_coordinates(gaussian_filter(plane, blur_px * step), [y, x], order=1) for plane in true
    ]
    small = np.array(soft, np.float32)
    middle, radius = (569.5 + 0.5) / step - 0.5, 475.0 / step
    rho = np.hypot(*(np.indices((side, side)) - middle))
    hidden = 44.0
    small[:, rho < radius + hidden / scale] = np.nan
    small += np.random.default_rng(1).normal(0.0, 0.02, small.shape) * small
    found = find_prominences(excess_map(small, (middle, middle), radius, scale, 0.0, blur_px))
    for p in found:
        apart = [(t.position_angle - p.position_angle + 180) % 360 - 180 for t in sharp]
        near = [t for t, off in zip(sharp, apart, strict=True) if abs(off) < 3]
        assert near, p  # nothing but what there is
        assert abs(p.height_arcsec - max(t.height_arcsec for t in near)) < 2.0 * p.sigma_arcsec
    # Of the two that are 12 arcsec higher, coarse pixels may hide one behind the Moon's steps.
    tall = [t for t in sharp if t.height_arcsec > hidden + 12.0]
    assert len(tall) == 2
    seen = [t for t in tall if any(abs(p.position_angle - t.position_angle) < 3.0 for p in found)]
    assert len(seen) >= (2 if scale < 5.0 else 1)


def test_a_small_bead_is_saturated_below_the_stated_white_but_a_bright_disc_is_not():
    """A sensor that ends at 97 % of its white level, with noise of a thousandth on top."""
    rng = np.random.default_rng(2)
    data = np.full((60, 60), 3000.0) + rng.normal(0.0, 20.0, (60, 60))
    data[20:23, 30:32] = 15700.0 + rng.normal(0.0, 16.0, (3, 2))
    bead = frame(np.minimum(data, 15729.0).astype(np.uint16), white=16200.0)
    box = FrameBox(bead, (30.0, 21.0), 20)
    _, clipped = box.colours(0, 0, box.height, box.width)
    assert np.count_nonzero(clipped[0]) == 6
    assert np.count_nonzero(clipped[1]) == 3  # every second pixel is green
    y, x = np.indices((60, 60)) - 30.0
    disc = 15500.0 * np.sqrt(np.clip(1.0 - (x**2 + y**2) / 25.0**2, 0.01, 1.0))
    disc += rng.normal(0.0, 80.0, disc.shape)
    box = FrameBox(frame(disc.astype(np.uint16), white=16200.0), (30.0, 30.0), 28)
    _, clipped = box.colours(0, 0, box.height, box.width)
    assert not clipped.any()
