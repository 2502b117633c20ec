"""FITS pictures: what was written is read, whole or one colour of it."""

import numpy as np
import pytest
from astropy.io.fits import Header

from limbward.radiance.fits import read_picture, write_picture


@pytest.mark.parametrize("plane", [0, 1, 2])
def test_one_colour_is_that_of_the_whole(tmp_path, plane):
    rng = np.random.default_rng(2)
    image = rng.normal(size=(3, 5, 7)).astype(np.float32)
    count = rng.integers(0, 9, (3, 5, 7), np.int16)
    flat = rng.normal(size=(4, 6)).astype(np.float32)
    path = tmp_path / "a.fits"
    write_picture(path, image, Header(), {"COUNT": count, "MOON": flat})
    found, _, more = read_picture(path, ["COUNT", "MOON", "SIGMA"], plane)
    np.testing.assert_array_equal(found, image[plane])
    np.testing.assert_array_equal(more["COUNT"], count[plane])
    np.testing.assert_array_equal(more["MOON"], flat)
    whole, _, both = read_picture(path, ["COUNT"])
    np.testing.assert_array_equal(whole, image)
    np.testing.assert_array_equal(both["COUNT"], count)
