"""`limbward enhance`: the words of the command line, and a merge made earlier."""

import numpy as np
import pytest
from astropy.io import fits
from astropy.time import Time
from PIL import Image

from limbward.config.steps import parse_steps
from limbward.errors import ConfigError, LimbwardError
from limbward.geometry.disc import Disc
from limbward.geometry.grid import Grid, Observer, add_moon, read_geometry, world_header
from limbward.radiance.binned import read_small
from limbward.radiance.fits import read_picture, write_picture
from limbward.radiance.sky import Sky, put_sky_back, write_sky
from limbward.stages.enhance_image import enhance_image
from limbward.work.reporting import SilentReporter


@pytest.mark.parametrize(
    "texts",
    [
        ["fnrgf:order=6,attenuation=0.5", "mgn:widths_px=[2,4.5],h=0"],
        ["[{filter: fnrgf, order: 6, attenuation: 0.5}, {filter: mgn, widths_px: [2, 4.5], h: 0}]"],
        ['[{"filter": "fnrgf", "order": 6, "attenuation": 0.5}]', "mgn:h=0,widths_px=[2,4.5]"],
    ],
)
def test_steps_are_read(texts):
    steps = parse_steps(texts).steps
    assert [s.filter for s in steps] == ["fnrgf", "mgn"]
    assert steps[0].params == {"order": 6, "attenuation": 0.5}
    assert steps[1].params == {"widths_px": [2, 4.5], "h": 0}


@pytest.mark.parametrize(
    ("texts", "said"),
    [
        (["fnrfg"], "no filter 'fnrfg'"),
        (["fnrgf:ordr=6"], "fnrgf has no parameter 'ordr'. The parameters of fnrgf are .*order"),
        (["fnrgf:order"], "key=value"),
        (["fnrgf:order=-1"], "order"),
        (["{order: 6}"], "name of a filter"),
        (["[nrgf, fnrgf]"], "name of a filter"),
        ([], "at least one"),
    ],
)
def test_mistakes_are_named(texts, said):
    with pytest.raises(ConfigError, match=said):
        parse_steps(texts)


@pytest.fixture
def merge(tmp_path):
    grid = Grid(243, 162, 30.0, 20.0)
    time = Time("2026-08-12T17:46:00")
    header = world_header(grid, Observer(15.0, 40.0, 6.0, 100.0, 1.5e8, 950.0), time, time, time)
    moon = Disc(122.0, 79.5, 33.0)
    add_moon(header, moon, grid.height)
    y, x = np.indices((grid.height, grid.width))
    rho = np.hypot(x - grid.sun_x, y - grid.sun_y) / (950.0 / 30.0)
    image = np.maximum(rho, 0.9) ** -5 * (1 + 0.3 * np.cos(3 * np.arctan2(y - 80, x - 121)))
    image = np.stack([image] * 3).astype(np.float32)
    image[:, rho < 1] = np.nan
    path = tmp_path / "corona.fits"
    write_picture(path, image, header, {"SIGMA": 0.01 * image})
    return path, image


def test_a_preview_is_small_and_lies_where_the_merge_lies(merge):
    path, image = merge
    small, sigma, header = read_small(path, 4, noise=True)
    assert small.shape == (3, 40, 60)
    np.testing.assert_allclose(small[0, 1, 2], image[0, 4:8, 8:12].mean(), rtol=1e-5)
    wanted = np.sqrt((0.01 * image[0, 4:8, 8:12]) ** 2).astype(float)
    np.testing.assert_allclose(sigma[0, 1, 2], np.sqrt((wanted**2).sum()) / 16, rtol=1e-5)
    _, sun, moon = read_geometry(header)
    # Pixel x of the small picture is centred on 4 x + 1.5.
    assert (4 * sun.x + 1.5, 4 * sun.y + 1.5) == pytest.approx((121.0, 80.5))
    assert (4 * moon.x + 1.5, 4 * moon.y + 1.5) == pytest.approx((122.0, 79.5))
    assert 4 * sun.radius == pytest.approx(950.0 / 30.0)


def test_results_are_written_beside_the_image_or_where_asked(merge, tmp_path):
    path, _ = merge
    made = enhance_image(path, ["nrgf"], preview=False, output=None)
    assert [p.name for p in made] == [f"corona-enhanced{s}" for s in (".fits", ".tif", ".png")]
    with fits.open(made[0]) as hdus:
        assert hdus[0].shape == (3, 162, 243)
        assert any("nrgf" in str(line) for line in hdus[0].header["HISTORY"])
    (png,) = enhance_image(path, ["multiscale"], preview=True, output=tmp_path / "try.png")
    with Image.open(png) as image:
        assert image.size == (60, 40)


def test_the_image_is_never_replaced(merge):
    path, _ = merge
    before = path.read_bytes()
    with pytest.raises(LimbwardError, match="the input image itself"):
        enhance_image(path, ["nrgf"], preview=False, output=path)
    assert path.read_bytes() == before


def test_what_is_no_merge_is_refused(tmp_path):
    other = tmp_path / "other.fits"
    fits.PrimaryHDU(np.zeros((3, 20, 20), np.float32)).writeto(other)
    with pytest.raises(LimbwardError, match="not a merge"):
        enhance_image(other, ["nrgf"], preview=False, output=None)
    (tmp_path / "text.fits").write_text("no picture")
    with pytest.raises(LimbwardError, match="cannot be read"):
        enhance_image(tmp_path / "text.fits", ["nrgf"], preview=True, output=None)


def test_the_sky_can_be_put_back(merge):
    """What was taken off a merge comes back, at any size and only once; others have it already."""
    path, image = merge
    _, header, _ = read_picture(path)
    slope = 1e-4 * np.array([1.0, 2.0, 3.0])
    write_sky(header, Sky(np.array([0.02, 0.03, 0.04]), slope, -slope, np.full(3, 1e-3)))
    write_picture(path, image, header)
    y, x = np.indices(image.shape[1:])
    grid = read_geometry(header)[0]
    level = 0.03 + slope[1] * ((x - grid.sun_x) - (y - grid.sun_y))
    whole = read_picture(path)
    assert put_sky_back(whole[0], whole[1])
    np.testing.assert_allclose(whole[0][1], image[1] + level, rtol=1e-5)
    assert not put_sky_back(whole[0], whole[1])
    small, _, small_header = read_small(path, 4)
    assert put_sky_back(small, small_header)
    np.testing.assert_allclose(small[1, 1, 2], (image[1] + level)[4:8, 8:12].mean(), rtol=1e-5)


def test_a_merge_with_its_sky_is_said_to_have_it(merge, tmp_path):
    path, _ = merge
    said = []
    reporter = SilentReporter()
    reporter.note = said.append
    wanted = tmp_path / "sky.png"
    enhance_image(path, ["nrgf"], preview=True, output=wanted, with_sky=True, reporter=reporter)
    assert wanted.exists()
    assert "none was subtracted" in said[0]
