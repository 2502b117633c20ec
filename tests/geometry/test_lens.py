"""The radial distortion of a lens, against the camera of the other simulator and drawn circles."""

import numpy as np
import pytest
from scipy.optimize import least_squares

from limbward.geometry.lens import STRAIGHT, UNTOLD, Growth, Lens, best_of
from limbward.radiance.kernels.bent import OFF_PX, bent_affine, piece_width
from tests.apart.pose import Camera

WIDTH, HEIGHT = 6000, 4000
GROWTHS = [0.004, -0.012]


@pytest.mark.parametrize("growth", GROWTHS)
def test_places_are_drawn_as_the_other_simulators_camera_draws_them(growth):
    rng = np.random.default_rng(1)
    lens = Lens.of_frame(WIDTH, HEIGHT, growth)
    camera = Camera(WIDTH, HEIGHT, 0.006, 400.0, distortion=growth)
    plain = Camera(WIDTH, HEIGHT, 0.006, 400.0)
    v = np.column_stack([rng.uniform(-0.04, 0.04, (200, 2)), np.ones(200)])
    drawn, straight = camera.project(np.eye(3), v), plain.project(np.eye(3), v)
    assert np.allclose(lens.bent(*straight), drawn, atol=1e-6)
    assert np.allclose(lens.straight(*drawn), straight, atol=1e-6)


def test_a_lens_without_distortion_changes_nothing():
    x, y, r = np.array([3.0, np.nan]), np.array([5.0, 1.0]), np.array([2.0, 2.0])
    lens = Lens.of_frame(100, 80, 0.0)
    for mapped in (lens.bent_disc(x, y, r), lens.straight_disc(x, y, r)):
        assert all(a is b for a, b in zip(mapped, (x, y, r), strict=True))
    assert lens.bent(x, y)[0] is x
    assert not STRAIGHT.bends


@pytest.mark.parametrize("growth", GROWTHS)
@pytest.mark.parametrize("place", [(3000.0, 2000.0), (5200.0, 3100.0), (900.0, 3300.0)])
def test_discs_are_drawn_as_the_circles_that_fit_their_limbs(growth, place):
    """The Sun of 800 mm on a full frame, 2.5 arcsec a pixel, in three places of it."""
    lens, radius = Lens.of_frame(WIDTH, HEIGHT, growth), 620.0
    a = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    px, py = lens.bent(place[0] + radius * np.cos(a), place[1] + radius * np.sin(a))
    fit = least_squares(
        lambda p: np.hypot(px - p[0], py - p[1]) - p[2], [*lens.bent(*place), radius]
    ).x
    # What is left is of second order: the square of the distortion.
    left = 8.0 * growth**2 * radius
    assert np.allclose(lens.bent_disc(*place, radius), fit, atol=left)
    assert np.allclose(lens.straight_disc(*fit), (*place, radius), atol=left)


def test_a_reduced_frame_has_the_same_lens():
    lens = Lens.of_frame(WIDTH, HEIGHT, 0.004)
    x, y = np.array([100.0, 5800.0]), np.array([3900.0, 40.0])
    small = lens.reduced(8).bent((x + 0.5) / 8 - 0.5, (y + 0.5) / 8 - 0.5)
    whole = lens.bent(x, y)
    assert np.allclose((np.array(small) + 0.5) * 8 - 0.5, whole, atol=1e-6)


def test_a_shift_is_what_one_more_of_growth_does():
    lens = Lens.of_frame(WIDTH, HEIGHT, 0.0)
    x, y = np.array([100.0, 5800.0]), np.array([3900.0, 40.0])
    moved = np.array(lens.grown(1e-3).bent(x, y)) - [x, y]
    assert np.allclose(moved, 1e-3 * np.array(lens.shift(x, y)))


@pytest.mark.parametrize("growth", [0.002, -0.012, 0.03])
def test_pieces_of_a_merge_are_small_enough_to_be_straight(growth):
    rng = np.random.default_rng(2)
    lens = Lens.of_frame(WIDTH, HEIGHT, growth)
    lenses = np.array([[lens.x, lens.y, lens.per_square, lens.corner]])
    size = piece_width(lenses, 1024)
    assert 64 <= size < 1024
    assert size % 64 == 0
    turn = np.radians(20.0)
    affine = np.array([[np.cos(turn), -np.sin(turn), 0.0], [np.sin(turn), np.cos(turn), 0.0]])
    worst = 0.0
    for _ in range(50):
        affine[:, 2] = rng.uniform(0, (WIDTH, HEIGHT)) - affine[:, :2] @ [size / 2, 24.0]
        made = bent_affine(affine[None], lenses, size, (0, 48))[0]
        x, y = rng.uniform(0, (size - 1, 47), (40, 2)).T
        wanted = lens.bent(*(affine[:, :2] @ [x, y] + affine[:, 2:]))
        worst = max(worst, np.abs(made[:, :2] @ [x, y] + made[:, 2:] - wanted).max())
    # Of the strongest no piece is narrow enough; it is off by a fifth of a pixel in the corners.
    assert worst < (1.5 * OFF_PX if growth < 0.03 else 0.05)


def test_pieces_are_whole_without_distortion_and_a_straight_frame_keeps_its_place():
    lens = Lens.of_frame(WIDTH, HEIGHT, 0.004)
    axis = lens.x, lens.y
    lenses = np.array([[*axis, k, lens.corner] for k in (lens.per_square, 0.0)])
    assert piece_width(lenses[1:], 1024) == 1024
    affine = np.tile(np.array([[1.0, 0.001, 30.1], [-0.001, 1.0, -7.3]]), (2, 1, 1))
    made = bent_affine(affine, lenses, 128, (48, 96))
    assert np.array_equal(made[1], affine[1])
    assert not np.allclose(made[0], affine[0])


def test_measurements_are_averaged_and_the_error_holds_what_they_differ_by():
    assert best_of([UNTOLD]) == UNTOLD
    one = Growth(0.004, 1e-4, "discs")
    assert best_of([one, UNTOLD]) == one
    both = best_of([one, Growth(0.0042, 1e-4, "coronae")])
    assert both.value == pytest.approx(0.0041)
    assert both.sigma == pytest.approx(1e-4)  # they differ by 1.4 of their difference's errors
    assert both.shows
    apart = best_of([one, Growth(-0.004, 1e-4, "coronae")])
    assert not apart.shows
    assert apart.sigma > 0.003
    assert Growth(0.004, 0.0, "config").shows
    assert not Growth(0.0, 0.0, "config").shows
