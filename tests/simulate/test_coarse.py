"""Small copies of a picture, against numpy's own means and scipy's interpolation."""

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from limbward.simulate.coarse import binned, cell_at, fill_line


@pytest.mark.parametrize(("shape", "cell"), [((12, 20), 4), ((13, 22), 4), ((9, 7), 1)])
def test_cells_hold_means_and_the_edge_goes_on(shape, cell):
    image = np.random.default_rng(3).random(shape).astype(np.float32)
    found = binned(image, cell)
    assert found.shape == tuple(-(-n // cell) for n in shape)
    inside = image[: shape[0] // cell * cell, : shape[1] // cell * cell].astype(float)
    means = inside.reshape(shape[0] // cell, cell, -1, cell).mean(axis=(1, 3))
    assert found[: means.shape[0], : means.shape[1]] == pytest.approx(means, rel=1e-12)
    if shape == (13, 22):  # one row of pixels, and it three times again
        assert found[-1, 0] == pytest.approx(image[-1, :4].astype(float).mean(), rel=1e-6)


def test_back_from_cells_is_linear_between_their_middles():
    grid = np.random.default_rng(4).random((5, 6))
    cell = 7
    for y in (0, 2, 11, 18, 34):
        for x in (0, 3, 10, 25, 41):
            (i, fi), (j, fj) = cell_at(y, cell, 5), cell_at(x, cell, 6)
            # The middle of cell 0 is pixel 3; beyond the outermost middles nothing changes.
            at = [[(y - 3.0) / cell], [(x - 3.0) / cell]]
            expected = map_coordinates(grid, at, order=1, mode="nearest")[0]
            line = np.empty(6)
            fill_line(grid, i, fi, line)
            found = line[j] * (1.0 - fj) + line[j + 1] * fj
            assert found == pytest.approx(expected, abs=1e-12)
