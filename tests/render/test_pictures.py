"""Turning, smoothing, composing and writing pictures."""

import numpy as np
import pytest
import tifffile
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageCms

from limbward.render.compose import MOON_LIGHTNESS, Disc, compose
from limbward.render.preview import structure_picture
from limbward.render.rotate import inner_size, turn_picture
from limbward.render.smooth import fill_nearest, smooth_to_noise
from limbward.render.writers import srgb_profile, write_png, write_tiff


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
    out = turn_picture(picture, np.ones(picture.shape[:2], bool), up, to)
    y, x = np.indices(out.shape[:2])
    for colour, pa in ((0, 0.0), (2, 90.0)):
        w = out[..., colour].astype(float) ** 2
        d = np.radians(pa - to)
        middle = np.array(out.shape[:2])[::-1] / 2 - 0.5
        assert (w * x).sum() / w.sum() == pytest.approx(middle[0] - 30 * np.sin(d), abs=0.1)
        assert (w * y).sum() / w.sum() == pytest.approx(middle[1] - 30 * np.cos(d), abs=0.1)


def test_an_unturned_picture_is_not_interpolated():
    picture = np.random.default_rng(1).uniform(size=(40, 50, 3)).astype(np.float32)
    out = turn_picture(picture, np.ones((40, 50), bool), 10.0, 10.0)
    np.testing.assert_array_equal(out, picture)


def test_pictures_are_cropped_to_what_is_valid():
    valid = np.ones((100, 200), bool)
    valid[:, :12] = False
    out = turn_picture(np.zeros((100, 200, 3), np.float32), valid, 0.0, 0.0)
    assert out.shape[1] <= 200 - 2 * 12
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
    structure = np.broadcast_to(np.cos(4 * angle) * 1.4, radiance.shape)
    out, _ = compose(
        radiance.astype(np.float32),
        sigma.astype(np.float32),
        structure.astype(np.float32),
        sun,
        moon,
        np.array([2.0, 1.0, 1.43], np.float32),
        np.eye(3, dtype=np.float32),
    )
    distance = np.hypot(x - moon.x, y - moon.y) - moon.radius
    return out, distance, angle, rho


def test_the_moon_is_dark_round_and_even(picture):
    out, distance, _, rho = picture
    disc = out[distance < -3]
    assert disc.max() < 0.07
    assert np.ptp(disc) < 1e-6
    assert disc.mean() == pytest.approx(MOON_LIGHTNESS, abs=0.03)
    assert out[(distance > 3) & (rho < 1.3)].min() > 0.2


def test_there_is_no_ring_at_the_limb(picture):
    """Brightness falls outwards from the limb without a dark or a bright line."""
    out, distance, _, _ = picture
    grey = out.mean(axis=2)
    profile = [np.median(grey[(distance >= d) & (distance < d + 1)]) for d in range(2, 30)]
    assert np.diff(profile).max() < 0.01
    assert min(np.diff(profile)) > -0.08


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
    picture = rng.uniform(size=(70, 90, 3)).astype(np.float32)
    write_tiff(tmp_path / "a.tif", picture, "Sonnenkorona ü")
    with tifffile.TiffFile(tmp_path / "a.tif") as tiff:
        page = tiff.pages[0]
        assert page.dtype == np.uint16
        np.testing.assert_allclose(page.asarray() / 65535, picture, atol=1e-5)
        assert page.tags["InterColorProfile"].value == srgb_profile()
        assert page.tags["ImageDescription"].value.startswith("Sonnenkorona")
    with Image.open(tmp_path / "a.tif") as image:
        assert image.size == (90, 70)
        image.load()
        profile = ImageCms.getOpenProfile(__import__("io").BytesIO(image.info["icc_profile"]))
        assert "sRGB" in ImageCms.getProfileDescription(profile)


def test_png_is_srgb_and_true_to_half_a_step(tmp_path):
    picture = np.linspace(0, 1, 3 * 64 * 64, dtype=np.float32).reshape(64, 64, 3)
    write_png(tmp_path / "a.png", picture, "Corona, ü")
    with Image.open(tmp_path / "a.png") as image:
        assert image.mode == "RGB"
        assert image.info["srgb"] == 0
        assert image.info["Description"] == "Corona, ü"
        error = np.asarray(image) / 255 - picture
    assert np.abs(error).max() < 1.01 / 255
    assert abs(error.mean()) < 0.1 / 255


def test_files_are_the_same_every_time(tmp_path):
    picture = np.full((16, 16, 3), 0.3, np.float32)
    for name, write in (("tif", write_tiff), ("png", write_png)):
        write(tmp_path / f"a.{name}", picture, "x")
        write(tmp_path / f"b.{name}", picture, "x")
        assert (tmp_path / f"a.{name}").read_bytes() == (tmp_path / f"b.{name}").read_bytes()


def test_structure_is_grey_about_its_mean_and_the_moon_black():
    structure = np.random.default_rng(5).normal(size=(3, 60, 80)).astype(np.float32)
    visible = np.ones((60, 80), bool)
    visible[20:40, 30:50] = False
    out = structure_picture(structure, visible)
    assert (out[20:40, 30:50] == 0).all()
    assert out[visible].mean() == pytest.approx(0.5, abs=0.03)
