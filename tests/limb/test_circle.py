"""Circle fits against hand-solvable cases and scikit-image."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage.measure import CircleModel

from limbward.limb.circle import Arc, algebraic_circle, consensus_circle, fit_circles


def arc_points(x, y, r, start, stop, n, noise=0.0, rng=None):
    angle = np.linspace(start, stop, n)
    radius = r + (rng.normal(0, noise, n) if noise else 0.0)
    return x + radius * np.cos(angle), y + radius * np.sin(angle)


def test_three_points_of_a_known_circle():
    """The circle through (1, 0), (0, 1), (-1, 0) is the unit circle."""
    assert algebraic_circle(np.array([1.0, 0, -1]), np.array([0.0, 1, 0])) == pytest.approx(
        (0, 0, 1)
    )


def test_points_on_a_line_have_no_circle():
    with pytest.raises(ValueError, match="line"):
        algebraic_circle(np.arange(5.0), 2 * np.arange(5.0))


@given(
    x=st.floats(-500, 500),
    y=st.floats(-500, 500),
    r=st.floats(5, 800),
    start=st.floats(0, 6),
    span=st.floats(1.0, 6.0),
)
def test_exact_points_give_the_exact_circle(x, y, r, start, span):
    px, py = arc_points(x, y, r, start, start + span, 60)
    assert algebraic_circle(px, py) == pytest.approx((x, y, r), abs=1e-5 * r + 1e-6)


def test_geometric_fit_agrees_with_scikit_image():
    """Reference: skimage.measure.CircleModel (least squares) on well-spread, clean points."""
    rng = np.random.default_rng(3)
    px, py = arc_points(40.0, -7.0, 55.0, 0, 2 * np.pi, 400, 0.05, rng)
    model = CircleModel.from_estimate(np.stack([px, py], axis=1))
    fit = fit_circles([Arc(px, py, np.full(400, 0.05))], [(38.0, -5.0, 50.0)])
    circle = fit.circles[0]
    assert (circle.x, circle.y) == pytest.approx(tuple(model.center), abs=0.01)
    assert circle.radius == pytest.approx(model.radius, abs=0.01)


@pytest.mark.statistical
def test_stated_sigma_matches_the_scatter_of_fits():
    rng = np.random.default_rng(5)
    errors, sigmas = [], []
    for _ in range(200):
        px, py = arc_points(10.0, 20.0, 100.0, 0, 2 * np.pi, 180, 0.2, rng)
        circle = fit_circles([Arc(px, py, np.full(180, 0.2))], [(11.0, 19.0, 98.0)]).circles[0]
        errors += [circle.x - 10.0, circle.y - 20.0]
        sigmas.append(circle.sigma)
    # 400 draws: the standard deviation is known to 3.5 %; three times that. Scatter is never
    # assumed below what is stated.
    assert np.std(errors) == pytest.approx(np.mean(sigmas), rel=0.11)


def test_a_tenth_of_bad_points_does_not_pull_the_fit():
    rng = np.random.default_rng(7)
    px, py = arc_points(0.0, 0.0, 120.0, 0, 2 * np.pi, 720, 0.1, rng)
    px[:72] += 8.0 * px[:72] / 120  # a prominence over 36 degrees
    py[:72] += 8.0 * py[:72] / 120
    circle = fit_circles([Arc(px, py, np.full(720, 0.1))], [(1.0, 1.0, 118.0)]).circles[0]
    assert np.hypot(circle.x, circle.y) < 0.1


def test_two_tied_circles_from_a_small_bite():
    """A bite 6 px deep: its short arc alone leaves the Moon's centre open, the tie fixes it."""
    rng = np.random.default_rng(9)
    sun, ratio = (0.0, 0.0, 150.0), 1.03
    moon = (298.0, 10.0, 150.0 * ratio)
    sx, sy = arc_points(*sun, 0.4, 5.9, 600, 0.05, rng)
    angle = np.linspace(0, 2 * np.pi, 4000)
    mx, my = moon[0] + moon[2] * np.cos(angle), moon[1] + moon[2] * np.sin(angle)
    inside = np.hypot(mx, my) < 149.0
    mx, my = mx[inside] + rng.normal(0, 0.05, inside.sum()), my[inside]
    fit = fit_circles(
        [Arc(sx, sy, np.full(sx.size, 0.05)), Arc(mx, my, np.full(mx.size, 0.05))],
        [(1, 1, 149), (296, 8, 152)],
        radius_ratio=ratio,
    )
    assert fit.circles[1].radius / fit.circles[0].radius == pytest.approx(ratio, abs=1e-4)
    assert (fit.circles[1].x, fit.circles[1].y) == pytest.approx(moon[:2], abs=0.3)


def test_consensus_finds_the_circle_among_clutter_and_tells_in_from_out():
    rng = np.random.default_rng(11)
    px, py = arc_points(200.0, 150.0, 60.0, 0, 4.0, 150, 0.3, rng)
    nx, ny = (200.0 - px) / 60, (150.0 - py) / 60
    x = np.concatenate([px, rng.uniform(0, 400, 700)])
    y = np.concatenate([py, rng.uniform(0, 300, 700)])
    angle = rng.uniform(0, 2 * np.pi, 700)
    ux, uy = np.concatenate([nx, np.cos(angle)]), np.concatenate([ny, np.sin(angle)])

    def look(sign):
        return consensus_circle(
            x, y, sign * ux, sign * uy, tolerance=1.5, radius_range=(6, 1000), rng=rng
        )

    found = look(1)
    assert found is not None
    assert found[:3] == pytest.approx((200, 150, 60), abs=0.5)
    assert found[3][:150].sum() > 140
    other = look(-1)
    assert other is None or np.hypot(other[0] - 200, other[1] - 150) > 5


def test_too_few_points_are_no_circle():
    few = np.arange(5.0)
    rng = np.random.default_rng(0)
    assert consensus_circle(few, few, few, few, tolerance=1, radius_range=(1, 9), rng=rng) is None


def test_relief_beyond_the_stated_errors_widens_the_sigma():
    """Points scatter by six times what is said of them, as the Moon's mountains make them."""
    rng = np.random.default_rng(13)
    errors, sigmas = [], []
    for _ in range(100):
        px, py = arc_points(10.0, 20.0, 100.0, 0, 2 * np.pi, 180, 0.3, rng)
        circle = fit_circles([Arc(px, py, np.full(180, 0.05))], [(11.0, 19.0, 98.0)]).circles[0]
        errors += [circle.x - 10.0, circle.y - 20.0]
        sigmas.append(circle.sigma)
    # 200 draws: known to 5 %. The loss counts far points less and the scatter counts them in full,
    # so that the error is stated up to twice too large, never too small.
    assert 0.45 * np.mean(sigmas) < np.std(errors) < 1.1 * np.mean(sigmas)
