"""Lines of heights and angles, against numpy's functions and the law itself."""

from types import SimpleNamespace

import numpy as np
import pytest

from limbward.geometry.law import mean_corona
from limbward.simulate.corona import HEIGHTS, OUTER
from limbward.simulate.polar import ANGLE, MEAN, RADIUS, ROW, polar_line


@pytest.mark.parametrize("y", [0, 299, 300, 301, 641])
def test_a_line_of_pixels_is_where_numpy_puts_it(y):
    to_sky = np.array([[-14.0, 3.0], [3.0, 14.0]])
    place = SimpleNamespace(sun_x=400.25, sun_y=300.0, sun_radius=950.0, axis=0.07, to_sky=to_sky)
    lines = np.empty((4, 1200))
    polar_line.py_func(y, place, lines)
    east, north = to_sky @ np.stack([np.arange(1200) - 400.25, np.full(1200, y - 300.0)])
    radius = np.hypot(east, north)
    rho = np.maximum(radius / 950.0, 1.0)
    assert rho.max() > OUTER  # the table ends there
    assert lines[RADIUS] == pytest.approx(radius, rel=1e-12)
    assert lines[MEAN] == pytest.approx(mean_corona(rho), rel=1e-12)
    row = (HEIGHTS - 1) * np.log(np.minimum(rho, OUTER)) / np.log(OUTER)
    assert lines[ROW] == pytest.approx(row, abs=1e-7)
    angle = np.arctan2(east, north) / (2 * np.pi) - 0.07
    assert np.abs((lines[ANGLE] - angle + 0.5) % 1.0 - 0.5).max() < 1e-11
    assert lines[ANGLE].min() >= 0.0
    assert lines[ANGLE].max() <= 1.0
