"""FITS pictures: what was written is read, whole or one colour of it."""

import numpy as np
import pytest
from astropy.io.fits import Header

from limbward.radiance.fits import history_of, read_picture, write_picture


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


def test_history_comes_back_as_it_was_written(tmp_path):
    rng = np.random.default_rng(4)
    words = ["a", "of", "sky", "corona", "subtracted", "registered-on-the-limb"]
    lines = [" ".join(rng.choice(words, n)) for n in range(1, 40)]
    lines = [line for line in lines if len(line) % 72 not in (0, 71)]  # full cards go on, it seems
    path = tmp_path / "a.fits"
    write_picture(path, np.zeros((3, 4, 4), np.float32), Header(), history=lines)
    assert history_of(read_picture(path)[1]) == lines
