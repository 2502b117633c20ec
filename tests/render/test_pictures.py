"""Turning, smoothing, composing and writing pictures."""

from dataclasses import replace

import numpy as np
import pytest
import tifffile
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageCms
from scipy.ndimage import gaussian_filter

from limbward.geometry.disc import Disc
from limbward.picture.resampling import shrink
from limbward.render import smooth
from limbward.render.compose import Look, compose
from limbward.render.figures import Scene, annotate, polar_map, side_by_side
from limbward.render.moon import cover, earthshine
from limbward.render.preview import structure_picture
from limbward.render.rotate import inner_size, turn_picture
from limbward.render.smooth import fill_nearest, smooth_to_noise
from limbward.render.space import SRGB, Space, to_srgb
from limbward.render.writers import write_png, write_tiff


@given(w=st.floats(1, 100), h=st.floats(1, 100), turn=st.floats(-180, 180))
def test_inner_rectangle_lies_inside_the_turned_one(w, h, turn):
    a, b = inner_size(w, h, turn)
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    for x, y in ((a / 2, b / 2), (a / 2, -b / 2)):
        assert abs(c * x + s * y) <= w / 2 + 1e-6
        assert abs(-s * x + c * y) <= h / 2 + 1e-6
    assert a > 0
    assert b > 0


def spots(up, height=240, width=320):
    """A picture with a red spot to the north and a blue one to the east of its centre."""
    y, x = np.indices((height, width))
    out = np.zeros((height, width, 3), np.float32)
    for colour, pa in ((0, 0.0), (2, 90.0)):
        d = np.radians(pa - up)
        cx, cy = (width - 1) / 2 - 30 * np.sin(d), (height - 1) / 2 - 30 * np.cos(d)
        out[..., colour] = np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / 18)
    return out


@pytest.mark.parametrize("up", [0.0, 17.3, -63.0, 90.0, 180.0])
@pytest.mark.parametrize("to", [0.0, 15.2])
def test_turned_pictures_have_north_up_and_east_left(up, to):
    picture = spots(up)
    out = turn_picture(np.moveaxis(picture, -1, 0), np.ones(picture.shape[:2], bool), up, to)
    out = np.moveaxis(out, 0, -1)
    y, x = np.indices(out.shape[:2])
    for colour, pa in ((0, 0.0), (2, 90.0)):
        w = out[..., colour].astype(float) ** 2
        d = np.radians(pa - to)
        middle = np.array(out.shape[:2])[::-1] / 2 - 0.5
        assert (w * x).sum() / w.sum() == pytest.approx(middle[0] - 30 * np.sin(d), abs=0.1)
        assert (w * y).sum() / w.sum() == pytest.approx(middle[1] - 30 * np.cos(d), abs=0.1)


def test_an_unturned_picture_is_not_interpolated():
    picture = np.random.default_rng(1).uniform(size=(3, 40, 50)).astype(np.float32)
    out = turn_picture(picture, np.ones((40, 50), bool), 10.0, 10.0)
    np.testing.assert_array_equal(out, picture)


def test_pictures_are_cropped_to_what_is_valid():
    valid = np.ones((100, 200), bool)
    valid[:, :12] = False
    out = turn_picture(np.zeros((3, 100, 200), np.float32), valid, 0.0, 0.0)[0]
    assert out.shape == (100, 200 - 12)
    assert out.shape[1] > 160
    assert out.shape[0] % 2 == 0


def test_gaps_are_filled_from_the_nearest():
    image = np.arange(60, dtype=np.float32).reshape(6, 10)
    holed = image.copy()
    holed[2, 3] = np.nan
    out = fill_nearest(holed)
    assert out[2, 3] in (image[1, 3], image[3, 3], image[2, 2], image[2, 4])
    holed[2, 3] = image[2, 3]
    np.testing.assert_array_equal(fill_nearest(holed), image)


def test_smoothing_brings_noise_to_its_target_and_spares_what_is_clean():
    rng = np.random.default_rng(2)
    noise = np.full((200, 400), 0.05, np.float32)
    noise[:, :200] = 0.001
    image = (rng.standard_normal(noise.shape) * noise).astype(np.float32)
    out = smooth_to_noise(image, noise, target=0.005)
    assert out[:, 250:].std() < 0.006
    np.testing.assert_array_equal(out[:, :180], image[:, :180])


@pytest.mark.parametrize("height", [200, 259])
def test_smoothing_some_rows_at_a_time_is_smoothing_the_whole(height, monkeypatch):
    rng = np.random.default_rng(4)
    image = rng.standard_normal((height, 90)).astype(np.float32)
    noise = rng.uniform(0.0, 2.0, image.shape).astype(np.float32)  # no blur to the widest of all
    monkeypatch.setattr(smooth, "ROWS", height)
    whole = smooth.smooth_to_noise(image, noise, target=0.02)
    depth = smooth.depth_of(noise, 0.02)
    assert depth.max() > 4.5
    monkeypatch.setattr(smooth, "ROWS", 64)
    np.testing.assert_array_equal(smooth.smooth_to_noise(image, noise, target=0.02), whole)
    np.testing.assert_array_equal(smooth.smooth_to_depth(image, depth), whole)


BLUR_PX = 1.1


@pytest.fixture(scope="module")
def picture():
    """A corona seen round a Moon, with a ring that no frame has seen and one prominence."""
    rng = np.random.default_rng(3)
    height, width = 400, 560
    sun, moon = Disc(279.5, 199.5, 60.0), Disc(281.0, 198.5, 63.0)
    y, x = np.indices((height, width))
    rho = np.hypot(x - sun.x, y - sun.y) / sun.radius
    angle = np.arctan2(y - sun.y, x - sun.x)
    r = np.maximum(rho, 1.0)
    law = 1e8 * 1e-6 * (0.0532 * r**-2.5 + 1.425 * r**-7 + 2.565 * r**-17) + 0.05
    light = law * (1 + 0.3 * np.cos(4 * angle))
    colour = np.array([0.5, 1.0, 0.7])[:, None, None]
    radiance = colour * light
    spot = np.exp(-((x - 281) ** 2 + (y - 132) ** 2) / 18)
    radiance += colour * np.array([1.0, 0.22, 0.38])[:, None, None] * 900 * spot
    sigma = np.sqrt(radiance) * 0.02
    radiance += sigma * rng.standard_normal(radiance.shape)
    radiance[:, np.hypot(x - moon.x, y - moon.y) < moon.radius + 3] = np.nan
    structure = np.cos(4 * angle) * 1.4
    made = compose(
        radiance.astype(np.float32),
        sigma.astype(np.float32),
        structure.astype(np.float32),
        sun,
        moon,
        np.array([2.0, 1.0, 1.43], np.float32),
        np.eye(3, dtype=np.float32),
        Look(limb_px=BLUR_PX),
    )
    out = np.moveaxis(made.picture, 0, -1)
    distance = np.hypot(x - moon.x, y - moon.y) - moon.radius
    return out, distance, angle, rho


def test_the_moon_is_dark_round_and_even(picture):
    out, distance, _, rho = picture
    disc = out[distance < -6]
    assert disc.max() < 0.07
    assert np.ptp(disc) < 1e-4
    assert out[(distance > 3) & (rho < 1.3)].min() > 0.2


def test_there_is_no_ring_at_the_limb(picture):
    """Brightness falls outwards from the limb without a dark or a bright line."""
    out, distance, _, _ = picture
    grey = out.mean(axis=2)
    profile = [np.median(grey[(distance >= d) & (distance < d + 1)]) for d in range(2, 30)]
    assert np.diff(profile).max() < 0.01
    assert min(np.diff(profile)) > -0.08


def test_the_limb_is_as_soft_as_the_picture_is_sharp(picture):
    """Across the limb brightness only rises, as a Gaussian's integral of the blur's width does."""
    out, distance, angle, _ = picture
    grey = out.mean(axis=2)
    edges = np.arange(-8, 7, 0.5)
    for turn in range(8):
        sector = np.abs(np.angle(np.exp(1j * (angle - turn * np.pi / 4 - 0.2)))) < 0.15
        at = [sector & (distance >= d) & (distance < d + 0.5) for d in edges]
        profile = np.array([np.median(grey[a]) for a in at])
        dark, bright = profile[0], profile[-8:].max()
        rise = profile[: np.argmax(profile) + 1]
        # Each median is of ten pixels of the filtered noise: 0.022 at worst.
        assert np.diff(rise).min() > -0.025 * (bright - dark)  # no black ring inside, no notch
        assert profile.min() > dark - 0.01
        assert profile.max() - profile[-4:].mean() < 0.1 * (bright - dark)  # no bright seam
        share = (profile - dark) / (bright - dark)
        width = np.interp(0.75, share[:20], edges[:20]) - np.interp(0.25, share[:20], edges[:20])
        assert width == pytest.approx(2 * 0.6745 * BLUR_PX, abs=0.6)


def test_a_disc_covers_as_a_gaussian_integral():
    share = cover((101, 101), Disc(50.0, 50.0, 30.0), 2.0)
    # Of a normal distribution, 0.1587 lies beyond one standard deviation.
    np.testing.assert_allclose(
        share[50, [50, 78, 80, 82, 95]], [1, 0.8413, 0.5, 0.1587, 0], atol=2e-4
    )


@pytest.mark.parametrize("uneven", [0.0, 0.6])
def test_earthshine_shows_the_maria_through_the_glare(uneven):
    """The corona is brighter on two sides, and so is the glare beside it."""
    rng = np.random.default_rng(7)
    moon = Disc(130.3, 129.1, 120.0)
    y, x = np.indices((261, 261))
    r = np.hypot(x - moon.x, y - moon.y) / moon.radius
    maria = np.hypot(x - 100, y - 110) < 25
    angle = np.arctan2(y - moon.y, x - moon.x)
    glare = np.exp((np.minimum(r, 1) - 1) / 0.08) * (1 + uneven * np.cos(2 * angle - 0.4))
    light = 400 + 30.0 * ~maria + 200 * glare
    surface = np.stack([light * c for c in (0.5, 1.0, 0.8)])
    surface += 10 * rng.standard_normal(surface.shape)
    surface[:, r > 0.99] = np.nan
    out = earthshine(surface.astype(np.float32), moon)
    assert np.isfinite(out).all()
    high = out[~maria & (r < 0.8)]
    assert np.median(high) - np.median(out[maria]) > 0.3
    # Glare, seven times the contrast of the maria, leaves no bright rim.
    rim = out[(r > 0.9) & (r < 1.0)]
    assert abs(np.median(rim) - np.median(high)) < 0.3
    # Nor an arc that is brighter or darker than the rest of it.
    sectors = ((angle + np.pi) / (np.pi / 4) - 1e-6).astype(int)
    arcs = [np.median(out[(r > 0.75) & (r < 1.0) & (sectors == k)]) for k in range(8)]
    assert np.ptp(arcs) < 0.25


@pytest.mark.parametrize("glare", [0.0, 3000.0])
def test_a_moon_on_which_nothing_is_seen_is_even(glare):
    """Noise, or the glare of thick haze beside a corona that is brighter to one side."""
    rng = np.random.default_rng(7)
    moon = Disc(130.3, 129.1, 120.0)
    y, x = np.indices((261, 261))
    away = np.hypot(x - moon.x - 60.0, y - moon.y + 25.0) / moon.radius
    surface = 400.0 + glare / (1.0 + ((away - 1.5) / 0.3) ** 2) + np.zeros((3, 261, 261))
    surface += gaussian_filter(40.0 * rng.standard_normal(surface.shape), (0.0, 0.8, 0.8))
    surface[:, np.hypot(x - moon.x, y - moon.y) > 0.99 * moon.radius] = np.nan
    assert np.abs(earthshine(surface.astype(np.float32), moon)).max() < 0.1


def test_prominences_are_pink_and_the_corona_is_grey(picture):
    out, _, _, rho = picture
    spot = out[131:134, 280:283].mean(axis=(0, 1))
    assert spot[0] > 1.2 * spot[2] > 1.2 * spot[1]
    ring = out[(rho > 1.3) & (rho < 1.8)]
    assert np.abs(ring.mean(axis=0) - ring.mean()).max() < 0.01


def test_streamers_stand_out_and_the_sky_is_dark(picture):
    out, _, angle, rho = picture
    grey = out.mean(axis=2)
    ring = (rho > 1.8) & (rho < 2.2)
    on, off = grey[ring & (np.cos(4 * angle) > 0.9)], grey[ring & (np.cos(4 * angle) < -0.9)]
    assert on.mean() > 1.3 * off.mean()
    assert np.median(grey[rho > 4.2]) < 0.25
    assert out.max() <= 1.0
    assert np.isfinite(out).all()


def test_tiff_has_16_bits_and_a_profile(tmp_path):
    rng = np.random.default_rng(4)
    picture = rng.uniform(size=(3, 70, 90)).astype(np.float32)
    write_tiff(tmp_path / "a.tif", picture, "Sonnenkorona ü")
    with tifffile.TiffFile(tmp_path / "a.tif") as tiff:
        page = tiff.pages[0]
        assert page.dtype == np.uint16
        np.testing.assert_allclose(np.moveaxis(page.asarray(), -1, 0) / 65535, picture, atol=1e-5)
        assert page.tags["InterColorProfile"].value == SRGB.profile()
        assert page.tags["ImageDescription"].value.startswith("Sonnenkorona")
    with Image.open(tmp_path / "a.tif") as image:
        assert image.size == (90, 70)
        image.load()
        profile = ImageCms.getOpenProfile(__import__("io").BytesIO(image.info["icc_profile"]))
        assert "sRGB" in ImageCms.getProfileDescription(profile)


def test_png_is_srgb_and_true_to_half_a_step(tmp_path):
    picture = np.linspace(0, 1, 3 * 64 * 64, dtype=np.float32).reshape(3, 64, 64)
    write_png(tmp_path / "a.png", picture, "Corona, ü")
    with Image.open(tmp_path / "a.png") as image:
        assert image.mode == "RGB"
        assert image.info["srgb"] == 0
        assert image.info["Description"] == "Corona, ü"
        error = np.moveaxis(np.asarray(image), -1, 0) / 255 - picture
    assert np.abs(error).max() < 1.01 / 255
    assert abs(error.mean()) < 0.1 / 255


def test_files_are_the_same_every_time(tmp_path):
    picture = np.full((3, 16, 16), 0.3, np.float32)
    for name, write in (("tif", write_tiff), ("png", write_png)):
        write(tmp_path / f"a.{name}", picture, "x")
        write(tmp_path / f"b.{name}", picture, "x")
        assert (tmp_path / f"a.{name}").read_bytes() == (tmp_path / f"b.{name}").read_bytes()


def test_structure_is_grey_about_its_mean_and_the_moon_black():
    structure = np.random.default_rng(5).normal(size=(3, 60, 80)).astype(np.float32)
    visible = np.ones((60, 80), bool)
    visible[20:40, 30:50] = False
    out = structure_picture(structure, visible)
    assert (out[:, 20:40, 30:50] == 0).all()
    assert out[:, visible].mean() == pytest.approx(0.5, abs=0.03)


def test_the_wide_profile_means_its_colours():
    """Read by another library's colour engine: its white and red are those of ITU-R BT.2020."""
    import io

    space = Space("wide")
    profile = ImageCms.ImageCmsProfile(io.BytesIO(space.profile()))
    colours = np.array([[0.2, 0.5, 0.4], [0.9, 0.3, 0.4], [0.7, 0.7, 0.7]], np.float32).T[:, None]
    linear = SRGB.decode(colours)
    wide = space.encode(np.einsum("ij,jhw->ihw", space.from_srgb, linear))
    shown = Image.fromarray(np.rint(np.moveaxis(wide, 0, -1) * 255).astype(np.uint8), "RGB")
    out = ImageCms.profileToProfile(shown, profile, ImageCms.createProfile("sRGB"), 1)
    np.testing.assert_allclose(np.moveaxis(np.asarray(out), -1, 0) / 255, colours, atol=3.5 / 255)
    np.testing.assert_allclose(to_srgb(wide, space), colours, atol=2e-3)
    # Red, from the recommendation's chromaticities (0.708, 0.292) and white D65.
    np.testing.assert_allclose(space.luminance, [0.2627, 0.6780, 0.0593], atol=2e-4)


def test_figures_are_pictures_of_the_sky(tmp_path):
    y, x = np.indices((200, 300))
    picture = np.zeros((3, 200, 300), np.float32)
    picture[0] = np.abs(np.hypot(x - 149.5, y - 99.5) - 60) < 3  # a ring at 2 solar radii
    scene = Scene(30.0, 30.0, 10.0, 25.0, True, ("one line",), "title")
    annotate(tmp_path / "a.png", picture, scene)
    polar_map(tmp_path / "p.png", picture, scene, 1.0)
    side_by_side(tmp_path / "s.png", [("a", picture), ("b", picture)])
    with Image.open(tmp_path / "p.png") as image:
        red = np.asarray(image.convert("RGB")).astype(int)
    red = (red[..., 0] > 200) & (red[..., 1] < 60)
    rows = np.nonzero(red.sum(axis=1) > 1000)[0]
    assert rows.size  # a circle is a level line in the map
    assert np.ptp(rows) < 100
    for name in "aps":
        with Image.open(tmp_path / f"{name}.png") as image:
            assert image.size[0] >= 300


@pytest.mark.parametrize("times", [1, 12])
def test_words_below_a_small_picture_are_not_cut_off(tmp_path, times):
    picture = np.zeros((3, 200, 300), np.float32)
    line = "   ".join(["a dashed circle"] * times)
    annotate(tmp_path / "a.png", picture, Scene(30.0, 30.0, 10.0, 25.0, True, (line,), "title"))
    with Image.open(tmp_path / "a.png") as image:
        foot = np.asarray(image.convert("L")).astype(float)[200:]
    inked = foot > 60
    assert inked.any(axis=0)[:60].any()
    for edge in (inked[:, -2:], inked[:2], inked[-2:]):
        assert not edge.any()
    # The title, and below it what takes three lines: 210 letters of four pixels in 293.
    rows = np.diff(inked.any(axis=1).astype(int)) == 1
    assert rows.sum() == (2 if times == 1 else 4)


@pytest.mark.parametrize("scale_arcsec", [0.2, 3.0, 60.0, 300.0, 3000.0])
def test_any_scale_has_its_bar(tmp_path, scale_arcsec):
    """A fisheye's Sun has four pixels: five minutes of arc a pixel."""
    picture = np.zeros((3, 100, 150), np.float32)
    annotate(tmp_path / "a.png", picture, Scene(3.0, scale_arcsec, 0.0, 0.0, True))
    with Image.open(tmp_path / "a.png") as image:
        corner = np.asarray(image.convert("L"))[image.height * 3 // 4 :, : image.width // 2]
    assert (corner > 120).sum() > 40


def test_a_star_is_ringed_where_it_stands(tmp_path):
    """North up, one 400 arcsec east of the Sun is 100 pixels to the left of it."""
    picture = np.full((3, 300, 400), 0.1, np.float32)
    bare = Scene(20.0, 4.0, 0.0, 0.0, True)
    named = replace(bare, stars=(("HIP 1 (6.4)", 400.0, 200.0), ("far", 9e4, 0.0)))
    drawn = []
    for k, scene in enumerate((bare, named)):
        annotate(tmp_path / f"{k}.png", picture, scene)
        drawn.append(np.asarray(Image.open(tmp_path / f"{k}.png").convert("L"), float))
    changed = np.abs(drawn[1] - drawn[0]) > 20
    rows, columns = np.nonzero(changed)
    x, y = 199.5 - 100.0, 149.5 - 50.0
    ring = np.abs(np.hypot(columns - x, rows - y) - 4.0) < 2.0
    assert ring.sum() > 15
    assert not changed[round(y), round(x)]  # the star itself stays to be seen
    assert columns[~ring].min() > x  # its name is on the right
    assert np.hypot(columns - x, rows - y).max() < 80.0


def test_shrinking_keeps_the_middle():
    picture = np.zeros((1, 101, 103), np.float32)
    picture[0, 50, 51] = 1
    small, factor = shrink(picture, 35)
    assert factor == 3
    assert np.unravel_index(small.argmax(), small.shape)[1:] == (
        small.shape[1] // 2,
        small.shape[2] // 2,
    )
