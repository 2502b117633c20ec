"""Solves whose observations leave something open: no exception, no NaN, no error of zero."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from limbward.geometry.orientation import Orientation
from limbward.limb import veil
from limbward.limb.adjust import Limbs, Pairs, adjust
from limbward.limb.circle import Arc, algebraic_circle, consensus_circle, fit_circles
from limbward.limb.corona import Detail
from limbward.limb.refit import refit
from limbward.limb.shift import register
from limbward.normal_matrix import inverse
from limbward.radiance.relative import _solve_logs
from tests.robustness.fuzz_placing import check

ODD = st.sampled_from([0.0, 1.0, -1.0, 1e-9, 1e9, np.nan, np.inf, 50.0, 50.5])
FEW = settings(max_examples=60, deadline=None)


def column(n, values=ODD):
    return st.lists(values, min_size=n, max_size=n).map(lambda v: np.array(v, float))


@given(st.integers(1, 6), st.integers(0, 2**32 - 1), st.floats(0, 9))
@FEW
def test_an_inverse_exists_and_is_one_where_there_is_one(k, seed, size):
    rng = np.random.default_rng(seed)
    rows = rng.normal(size=(k + 3, k)) * 10.0 ** rng.uniform(-size, size, k)
    full = rows.T @ rows
    scale = np.sqrt(np.diag(full))
    product = inverse(full) @ full * scale[:, None] / scale
    assert product == pytest.approx(np.eye(k), abs=1e-6)
    rows[:, -1] = rows[:, 0]
    lacking = inverse(rows.T @ rows)
    assert np.isfinite(lacking).all()
    assert (np.diag(lacking) > 0).all()
    if k > 1:  # the difference of two unknowns of equal effect is not known
        assert lacking[0, 0] > 1e6 * inverse(full)[0, 0]


@st.composite
def adjustments(draw):
    n, k = draw(st.integers(1, 5)), draw(st.integers(0, 6))
    frames = st.integers(0, n - 1)
    index = [draw(column(k, frames)).astype(np.int64) for _ in range(2)]
    path = np.stack([draw(column(n)), draw(column(n))], axis=1)
    limbs = Limbs(*(draw(column(n)) for _ in range(3)), path, np.full((n, 2), 0.4), draw(column(n)))
    return limbs, Pairs(*index, *(draw(column(k)) for _ in range(3)))


@given(adjustments(), ODD, ODD)
@settings(max_examples=200, deadline=None)
def test_any_limbs_and_pairs_are_adjusted(observed, up_sigma, time_sigma):
    limbs, pairs = observed
    with np.errstate(all="ignore"):
        found = adjust(
            limbs, pairs, Orientation(3.0, 20.0), up_sigma_deg=up_sigma, time_sigma_s=time_sigma
        )
    placed = np.isfinite(found.x)
    assert (np.isfinite(found.y) == placed).all()
    assert (found.sigma[placed] > 0).all()
    assert np.isfinite(found.sigma[placed]).all()
    assert np.isnan(found.sigma[~placed]).all()
    assert np.isfinite([found.up_position_angle, found.up_sigma_deg]).all()
    assert found.up_sigma_deg > 0
    limb = np.isfinite(limbs.x + limbs.y + limbs.sigma + limbs.offset_arcsec.sum(axis=1))
    assert placed[limb & (limbs.sigma > 0)].all()


def test_frames_that_only_pairs_among_themselves_tie_are_nowhere():
    nan = np.nan
    limbs = Limbs(
        np.array([10.0, nan, nan, nan]), np.array([20.0, nan, nan, nan]), np.full(4, 0.1),
        np.zeros((4, 2)), np.full((4, 2), 0.4), np.zeros(4),
    )  # fmt: skip
    pairs = Pairs(
        np.array([0, 2]), np.array([1, 3]), np.array([3.0, 5.0]), np.zeros(2), np.full(2, 0.1)
    )
    found = adjust(limbs, pairs, Orientation(3.0, 0.0), up_sigma_deg=0.01, time_sigma_s=1e-3)
    assert found.x[:2] == pytest.approx([10.0, 7.0], abs=0.01)
    assert np.isnan(found.x[2:]).all()
    assert found.sigma[1] == pytest.approx(np.hypot(0.1, 0.1), rel=0.05)


@given(st.integers(0, 12).flatmap(lambda n: st.tuples(column(n), column(n), column(n))))
@settings(max_examples=150, deadline=None)
def test_circles_through_any_points(points):
    x, y, sigma = points
    with np.errstate(all="ignore"):
        for solve in (
            lambda: algebraic_circle(x, y),
            lambda: [
                v
                for c in fit_circles([Arc(x, y, sigma)], [(0.0, 0.0, 10.0)]).circles
                for v in (c.x, c.y, c.radius, c.sigma)
            ],
        ):
            try:
                found = solve()
            except ValueError as error:
                said = str(error)
            else:
                said = "" if np.isfinite(found).all() else "not finite"
            assert said in (
                "",
                "the points lie on a line",
                "fewer than three points",
                "a limb of fewer than three points",
            )
        consensus_circle(
            x, y, sigma, y, tolerance=2.0, radius_range=(1.0, 1e3), rng=np.random.default_rng(1),
            trials=50,
        )  # fmt: skip


def test_equal_points_tell_no_centre():
    same = Arc(np.full(5, 3.0), np.full(5, 4.0), np.full(5, 0.1))
    found = fit_circles([same], [(0.0, 0.0, 5.0)]).circles[0]
    assert found.sigma > 1e3


def test_a_limb_of_two_points_is_no_circle():
    limb = np.array([[1.0, 2.0, 0.1], [2.0, 3.0, 0.1]])
    with pytest.raises(ValueError, match="fewer than three points"):
        refit([limb], [(0.0, 0.0, 5.0)], np.eye(2))
    with pytest.raises(ValueError, match="refraction"):
        refit([limb], [(0.0, 0.0, 5.0)], np.full((2, 2), np.nan))


@pytest.mark.parametrize("kind", ["even", "one slope", "nothing", "NaN"])
def test_a_corona_without_structure_registers_nothing(kind):
    shape = (60, 60)
    log = np.zeros(shape, np.float32)
    slope = np.zeros(shape, np.float32)
    weight = np.ones(shape, np.float32)
    if kind == "one slope":
        slope += 1.0
        log += np.arange(60, dtype=np.float32)
    elif kind == "nothing":
        weight[:] = 0
    elif kind == "NaN":
        log[:] = np.nan
    detail = Detail(log, weight, slope, 0 * slope, 1.0, (0.0, 0.0), 40.0)
    assert register(detail, detail, (30.0, 30.0), (30.0, 30.0)) is None


@given(st.integers(0, 2**32 - 1), st.booleans())
@FEW
def test_a_fit_of_pixels_says_when_a_column_is_missing(seed, doubled):
    rng = np.random.default_rng(seed)
    design = rng.normal(size=(80, 4))
    if doubled:
        design[:, 3] = 2.0 * design[:, 1]
    true = np.array([1.0, -2.0, 0.5, 3.0])
    cell = np.arange(80) // 8
    found = veil.fit(design, design @ true, np.ones(80), cell, np.ones(80))
    if doubled:
        assert found is None
    else:
        assert found[0] == pytest.approx(true, abs=1e-6)


@given(st.integers(1, 6), st.integers(0, 12), st.integers(0, 2**32 - 1), st.floats(-3, 30))
@FEW
def test_any_ratios_give_exposures(n, count, seed, wild):
    rng = np.random.default_rng(seed)
    ends = [tuple(int(v) for v in rng.integers(0, n, 2)) for _ in range(count)]
    ratio, sigma = rng.normal(0, 10.0**wild, count), 10.0 ** rng.uniform(-6, 3, count)
    found, covariance = _solve_logs(n, ends, ratio, sigma)
    assert np.isfinite(found).all()
    assert (np.diag(covariance) > 0).all()
    assert np.isfinite(covariance).all()


def test_any_table_of_frames_is_placed():
    """No exception, no NaN, no error of zero; by the thousand with `fuzz_placing`."""
    for seed in range(150):
        check(seed)
