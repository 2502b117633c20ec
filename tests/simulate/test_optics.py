import numpy as np
import pytest

from limbward.simulate.optics import Optics, lateral_colour
from tests.apart.pose import Camera

PATTERN = np.array([[0, 1], [1, 2]])
SHAPE = (200, 300)
AXIS = (151.5, 98.0)


def spots():
    """Gaussians of 1.2 px at known places."""
    v, u = np.indices(SHAPE, dtype=float)
    places = [(40.2, 30.7), (260.5, 55.1), (150.0, 99.0), (80.4, 170.3)]
    image = sum(np.exp(-0.5 * ((u - x) ** 2 + (v - y) ** 2) / 1.2**2) for x, y in places)
    return places, image.astype(np.float32)


def centre(image, x, y, row, column):
    """Centroid of the pixels of one place of the mosaic about (x, y)."""
    v, u = np.indices(SHAPE, dtype=float)
    near = (np.hypot(u - x, v - y) < 8) & (v % 2 == row) & (u % 2 == column)
    weight = image[near]
    return (weight * u[near]).sum() / weight.sum(), (weight * v[near]).sum() / weight.sum()


def test_each_colour_is_magnified_about_the_axis():
    places, image = spots()
    seen = lateral_colour(image, PATTERN, (-0.004, 0.006), AXIS)
    for x, y in places:
        for row, column, by in ((0, 0, -0.004), (0, 1, 0.0), (1, 0, 0.0), (1, 1, 0.006)):
            moved = centre(seen, x, y, row, column)
            was = centre(image, x, y, row, column)
            shift = (by * (x - AXIS[0]), by * (y - AXIS[1]))
            assert np.subtract(moved, was) == pytest.approx(shift, abs=0.02)


def test_green_stays_and_nothing_is_nothing():
    _, image = spots()
    seen = lateral_colour(image, PATTERN, (-0.004, 0.006), AXIS)
    assert np.array_equal(seen[0::2, 1::2], image[0::2, 1::2])
    assert lateral_colour(image, PATTERN, (0.0, 0.0), AXIS) is image
    assert seen.min() >= 0.0


def test_a_smooth_picture_keeps_its_brightness():
    v, u = np.indices(SHAPE, dtype=float)
    image = (1.0 + 0.002 * u + 0.003 * v + 1e-5 * (u - 100) ** 2).astype(np.float32)
    seen = lateral_colour(image, PATTERN, (-0.002, 0.003), AXIS)
    by = np.where(v % 2 == 0, -0.002, 0.003)
    x, y = AXIS[0] + (u - AXIS[0]) / (1 + by), AXIS[1] + (v - AXIS[1]) / (1 + by)
    expected = 1.0 + 0.002 * x + 0.003 * y + 1e-5 * (x - 100) ** 2
    inner = (slice(4, -4), slice(4, -4))
    same = (v % 2 == u % 2)[inner]
    assert seen[inner][same] == pytest.approx(expected[inner][same], rel=2e-6)


def test_the_axis_is_given_in_millimetres():
    optics = Optics(axis_mm=(0.5, -0.1))
    assert optics.axis_px((200, 300), 10.0) == pytest.approx((149.5 + 50.0, 99.5 - 10.0))


@pytest.mark.parametrize("distortion", [0.02, -0.012])
def test_distortion_moves_places_as_the_other_simulators_camera_draws_them(distortion):
    places, image = spots()
    middle = (SHAPE[1] - 1) / 2, (SHAPE[0] - 1) / 2
    camera = Camera(SHAPE[1], SHAPE[0], 1.0, 1.0, distortion=distortion)
    seen = lateral_colour(image, PATTERN, (0.0, 0.0), middle, distortion)
    for x, y in places:
        drawn = camera.project(np.eye(3), np.array([x - middle[0], middle[1] - y, 1.0]))
        for row, column in ((0, 0), (0, 1), (1, 0), (1, 1)):
            assert centre(seen, *drawn, row, column) == pytest.approx(tuple(drawn), abs=0.02)


def test_a_drawn_disc_is_where_its_limb_is_drawn():
    """The area within the limb, and the centre, as the other simulator's camera draws both."""
    optics, middle = Optics(distortion=0.02, axis_mm=(0.0, 0.0)), (149.5, 99.5)
    camera = Camera(300, 200, 1.0, 1.0, distortion=0.02)
    angle = np.linspace(0.0, 2.0 * np.pi, 720, endpoint=False)
    x, y = 230.0 + 40.0 * np.cos(angle), 60.0 + 40.0 * np.sin(angle)
    x, y = np.append(x, 230.0), np.append(y, 60.0)
    sky = np.stack([x - middle[0], middle[1] - y, np.ones_like(x)], -1)
    dx, dy = camera.project(np.eye(3), sky)
    u, v = dx[:-1], dy[:-1]
    area = 0.5 * abs(np.sum(u * np.roll(v, 1) - v * np.roll(u, 1)))
    found = optics.drawn_disc(SHAPE, 5.0, (230.0, 60.0, 40.0))
    assert found == pytest.approx((dx[-1], dy[-1], np.sqrt(area / np.pi)), abs=2e-3)
