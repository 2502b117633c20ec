"""The stages `enhance` and `compose` on a small merge of known colours, with every option."""

import io

import numpy as np
import pytest
import tifffile
from astropy.time import Time
from PIL import Image, ImageCms, IptcImagePlugin

from limbward.config import ComposeConfig, Config, EnhanceConfig
from limbward.config.loading import load_config
from limbward.geometry.disc import Disc
from limbward.geometry.grid import Grid, Observer, add_moon, world_header
from limbward.radiance.fits import write_picture
from limbward.render.space import Space, to_srgb
from limbward.stages import compose, enhance
from limbward.work.reporting import SilentReporter
from limbward.workspace import Workspace

WIDTH, HEIGHT, RADIUS = 300, 221, 30.0
DAYLIGHT = np.array([2.0, 1.0, 1.6])
RED_AIR = np.array([1.25, 1.0, 0.8])  # what low air does to the corona
SPOT = (178, 90)  # a prominence, column and row
CONFIG = """
site: {latitude: 65.0, longitude: -23.4, height: 40.0, name: "Lava field"}
eclipse: 2026-08-12
input: {cards: [card]}
"""


def write_merge(path):
    """Write a reddened corona with a pink spot under a sky that brightens to the right."""
    grid = Grid(WIDTH, HEIGHT, 950.0 / RADIUS, 20.0)
    start, middle, end = (Time(f"2026-08-12T17:4{m}:00") for m in (5, 6, 7))
    observer = Observer(15.0, 40.0, 6.0, 100.0, 1.5e8, 950.0)
    header = world_header(grid, observer, start, middle, end)
    moon = Disc(grid.sun_x + 0.7, grid.sun_y - 0.4, 1.04 * RADIUS)
    add_moon(header, moon, HEIGHT)
    header["CAMERA"], header["NFRAMES"], header["EXPTOTAL"] = "Invented One", 12, 3.5
    for c in range(3):
        header[f"DAYWB{c + 1}"] = DAYLIGHT[c]
        for j in range(3):
            header[f"SRGB{c + 1}_{j + 1}"] = float(c == j)
    y, x = np.indices((HEIGHT, WIDTH))
    rho = np.hypot(x - grid.sun_x, y - grid.sun_y) / RADIUS
    angle = np.arctan2(y - grid.sun_y, x - grid.sun_x)
    light = 1e4 * np.maximum(rho, 1.0) ** -6 * (1 + 0.3 * np.cos(4 * angle))
    light += 12.0 + 20.0 * (x / WIDTH - 0.5)
    spot = 8e3 * np.exp(-((x - SPOT[0]) ** 2 + (y - SPOT[1]) ** 2) / 6.0)
    image = (RED_AIR / DAYLIGHT)[:, None, None] * light
    image += (np.array([1.0, 0.2, 0.4]) / DAYLIGHT)[:, None, None] * spot
    sigma = 0.002 * image + 1e-3
    image += sigma * np.random.default_rng(1).standard_normal(image.shape)
    image[:, np.hypot(x - moon.x, y - moon.y) < moon.radius + 1] = np.nan
    write_picture(path, image.astype("f4"), header, {"SIGMA": sigma.astype("f4")})


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    folder = tmp_path_factory.mktemp("compose")
    (folder / "limbward.yaml").write_text(CONFIG)
    config = load_config(folder / "limbward.yaml")
    workspace = Workspace(config.resolve(config.workspace))
    workspace.claim()
    write_merge(workspace.path(Workspace.corona))
    recipes = [
        {"name": "fine", "steps": [{"filter": "nrgf"}]},
        {"name": "grey", "steps": [{"filter": "nrgf"}], "colour": "as_filtered"},
        {"name": "sharp", "steps": [{"filter": "tangential_unsharp", "amount": 0.5}]},
    ]
    config = config.model_copy(
        update={"enhance": [EnhanceConfig.model_validate(r) for r in recipes]}
    )
    enhance.run(config, workspace, SilentReporter())
    return config, workspace


def composed(place, **options) -> tuple[np.ndarray, bytes]:
    """Return the PNG (H, W, 3) as the camera stood, from 0 to 1, and the TIFF's bytes."""
    config, workspace = place
    look = ComposeConfig(up="camera", limb_px=0.9, detail_strength=0.0, **options)
    own: Config = config.model_copy(update={"compose": look})
    compose.run(own, workspace, SilentReporter())
    with Image.open(workspace.path(Workspace.composite_png)) as image:
        picture = np.asarray(image, float) / 255
    return picture, workspace.path(Workspace.composite_tif).read_bytes()


@pytest.fixture(scope="module")
def plain(place):
    return composed(place, title="First light", author="A. Nonym")


@pytest.fixture(scope="module")
def other(place):
    return composed(place, level_sky=True, white_balance="daylight", profile="wide")


def sides(picture):
    """Return the brightness of the outermost sky at the left and at the right."""
    grey = picture.mean(axis=2)
    return np.median(grey[:, :25]), np.median(grey[:, -25:])


def test_the_sky_is_levelled_on_request(plain, other):
    left, right = sides(plain[0])
    level_left, level_right = sides(other[0])
    assert right - left > 0.1
    assert abs(level_right - level_left) < 0.15 * (right - left)


def test_white_is_the_corona_or_the_cameras_daylight(plain, other):
    """The reddened corona has linear R : G : B as 1.25 : 1 : 0.8 by daylight, saturated by 1.3."""
    height, width = plain[0].shape[:2]
    y, x = np.indices((height, width))
    rho = np.hypot(x - (width - 1) / 2, y - (height - 1) / 2) / RADIUS
    ring = (rho > 1.3) & (rho < 1.6)
    srgb = Space("srgb")
    white, red = (np.median(srgb.decode(p[0][ring].astype("f4")), axis=0) for p in (plain, other))
    np.testing.assert_allclose(white / white[1], 1.0, atol=0.02)
    assert red[0] / red[1] == pytest.approx(1.0 + 1.3 * 0.25 / 1.0, rel=0.06)
    assert red[2] / red[1] == pytest.approx(1.0 - 1.3 * 0.2 / 1.0, rel=0.06)


def test_the_wide_tiff_is_the_png_in_other_numbers(other):
    picture, tiff = other
    with tifffile.TiffFile(io.BytesIO(tiff)) as file:
        data = np.moveaxis(file.pages[0].asarray(), -1, 0).astype("f4") / 65535
        profile = file.pages[0].tags["InterColorProfile"].value
    name = ImageCms.getProfileDescription(ImageCms.getOpenProfile(io.BytesIO(profile)))
    assert "BT.2020" in name
    back = np.moveaxis(to_srgb(data, Space("wide")), 0, -1)
    np.testing.assert_allclose(back, picture, atol=1.2 / 255)


def test_a_picture_is_cropped_in_solar_radii(place, plain):
    picture = composed(place, crop_radii=2.5)[0]
    height, width = picture.shape[:2]
    assert min(height, width) == pytest.approx(2 * 2.5 * RADIUS, abs=2)
    assert width / height == pytest.approx(WIDTH / HEIGHT, abs=0.03)
    whole = plain[0]
    y, x = ((a - b) // 2 for a, b in zip(whole.shape[:2], (height, width), strict=True))
    np.testing.assert_allclose(picture, whole[y : y + height, x : x + width], atol=1.1 / 255)


def test_captions_come_from_the_config(plain):
    """Read by another library: IPTC-IIM by Pillow, XMP as text."""
    with Image.open(io.BytesIO(plain[1])) as image:
        records = IptcImagePlugin.getiptcinfo(image)
        packet = image.info["xmp"].decode()
    assert records[2, 5] == b"First light"
    assert records[2, 80] == b"A. Nonym"
    assert records[2, 55] == b"20260812"
    assert records[2, 60] == b"174500+0000"
    assert "Lava field" in records[2, 92].decode()
    assert "2026-08-12 17:45:00 to 17:47:00 UTC" in records[2, 120].decode()
    for part in (
        "<Iptc4xmpCore:Location>Lava field, 65.000° N, 23.400° W<",
        "<photoshop:DateCreated>2026-08-12T17:45:00Z<",
        "First light",
        "A. Nonym",
        "17:47:00 UTC",
    ):
        assert part in packet


def test_filtered_pictures_keep_the_colours_of_the_merge(place):
    """A normalised luminance is shown in the merge's chromaticity, the corona white."""
    _, workspace = place
    shown = {}
    for name in ("fine", "grey", "sharp"):
        with Image.open(workspace.path(Workspace.enhanced(name)[2])) as image:
            shown[name] = np.asarray(image, float)
    assert np.ptp(shown["grey"], axis=2).max() <= 1  # the order of the dither
    for name in ("fine", "sharp"):
        pink = shown[name][SPOT[1] - 1 : SPOT[1] + 2, SPOT[0] - 1 : SPOT[0] + 2].mean(axis=(0, 1))
        assert pink[0] > 1.3 * pink[1]
        assert pink[0] > 1.1 * pink[2] > 1.1 * pink[1]
        corona = shown[name][60, 60:240].mean(axis=0)
        np.testing.assert_allclose(corona / corona.mean(), 1.0, atol=0.05)
    # The linear picture falls outwards as the corona does; the normalised one does not.
    ring = [shown[n].mean(axis=2)[110, 190:260].astype(float) for n in ("sharp", "fine")]
    assert ring[0][0] > 2 * ring[0][-1]
    assert ring[1][0] < 2 * ring[1][-1]
