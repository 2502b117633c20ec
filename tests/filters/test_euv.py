"""Real pictures: off-limb extreme-ultraviolet maps that sunpy's wheel holds for its own tests."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from limbward import filters
from limbward.filters import nrgf
from limbward.geometry.disc import Geometry

MAPS = ["aia_171_level1.fits", "EIT/efz20040301.000010_s.fits", "EIT/efz20040301.010016_s.fits"]


pytestmark = pytest.mark.filterwarnings("ignore:Invalid .BLANK. keyword")


@pytest.fixture(params=MAPS)
def euv(request):
    spec = importlib.util.find_spec("sunpy")
    if spec is None or not spec.submodule_search_locations:
        pytest.skip("sunpy, whose wheel holds the maps, is not installed")
    path = Path(spec.submodule_search_locations[0]) / "data" / "test" / request.param
    with fits.open(path) as hdus:
        hdu = next(h for h in hdus if h.data is not None)
        data, header = np.asarray(hdu.data, np.float32), hdu.header
    # As the merge holds it: rows from the top.
    image = np.ascontiguousarray(data[::-1])[None]
    if "RSUN_OBS" in header:
        radius = header["RSUN_OBS"] / header["CDELT1"]
    else:  # pixels of the instrument's 1024, of which the shipped maps are averages
        radius = header["SOLAR_R"] * header["NAXIS1"] / 1024
    x = header["CRPIX1"] - 1.0 - header["CRVAL1"] / header["CDELT1"]
    y = image.shape[1] - header["CRPIX2"] + header["CRVAL2"] / header["CDELT2"]
    geometry = Geometry(x, y, radius, x, y, radius)  # the disc is left out as the Moon would be
    assert 0.3 < 2 * geometry.sun_radius_px / image.shape[1] < 1.0
    return image, geometry


def test_annuli_off_the_limb_are_normalised(euv):
    image, geometry = euv
    out = nrgf.apply(image, None, geometry, nrgf.Params())[0]
    ring = geometry.distance(*out.shape).astype(int)
    whole = 0
    for k in range(int(geometry.sun_radius_px) + 2, ring.max()):
        at = ring == k
        if at.sum() > 0.98 * np.pi * (2 * k + 1):
            values = out[at].astype(float)
            assert abs(values.mean()) < 1e-3, k
            assert abs(values.std() - 1.0) < 1e-3, k
            whole += 1
    assert whole >= 5


@pytest.mark.parametrize("name", filters.names())
def test_every_filter_gives_numbers(euv, name):
    image, geometry = euv
    module = filters.load(name)
    out = module.apply(image, None, geometry, module.Params())
    distance = geometry.distance(*out.shape[1:])
    reach = min(geometry.sun_x, geometry.sun_y, *(np.array(out.shape[:0:-1]) - 3)) / 1.0
    zone = (distance > geometry.sun_radius_px + 2) & (distance < 0.95 * reach)
    assert zone.sum() > 500
    assert np.isfinite(out[0][zone]).all()
    assert out[0][zone].std() > 0
