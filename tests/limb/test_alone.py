"""Frames placed by each other alone: true places, honest errors, and what cannot be told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from limbward.limb.adjust import Pairs, choose_pairs, core_of, relative_sigma
from limbward.limb.alone import Alone, place_alone
from limbward.limb.session import Session
from limbward.phase.contradicted import phase_where_contradicted

SPEED, FURTHEST = 0.03, 4.0


def scene(
    n: int, *, seed: int, limb_px: float = 0.05, pair_px: float = 0.02
) -> tuple[Session, Pairs, np.ndarray]:
    """Return frames of a Moon that crosses a Sun which wanders, their pairs, and the true Suns."""
    rng = np.random.default_rng(seed)
    t = np.linspace(-120.0, 120.0, n) if n > 1 else np.zeros(1)
    sun = rng.normal(300.0, 5.0, (n, 2))
    way = rng.uniform(0.0, 2.0 * np.pi)
    along = SPEED * np.array([np.cos(way), np.sin(way)])
    moon = sun + np.array([1.0, -0.7]) + t[:, None] * along + rng.normal(0.0, limb_px, (n, 2))
    exposure = np.full(n, 1 / 30)
    s = Session(
        np.arange(n), t, exposure, moon[:, 0], moon[:, 1], np.full(n, 80.0), np.full(n, limb_px)
    )
    chosen = choose_pairs(t, exposure)
    first = np.array([a for a, _ in chosen], np.int64)
    second = np.array([b for _, b in chosen], np.int64)
    d = sun[first] - sun[second] + rng.normal(0.0, pair_px, (first.size, 2))
    return s, Pairs(first, second, d[:, 0], d[:, 1], np.full(first.size, pair_px)), sun


def placed(s: Session, pairs: Pairs, timed: bool = True) -> Alone:
    n = s.rows.size
    return place_alone(s, pairs, np.full(n, timed), speed_px_s=SPEED, furthest_px=FURTHEST)


@pytest.mark.parametrize("timed", [True, False])
def test_the_corona_places_frames_whatever_the_moon_does(timed: bool) -> None:
    missed, said = [], []
    for seed in range(10):
        s, pairs, sun = scene(12, seed=seed)
        found = placed(s, pairs, timed)
        off = np.column_stack([found.x, found.y]) - sun
        # What all share is the Moon's offset, which is within what is said of it.
        assert np.hypot(*off.mean(axis=0)) < 2.0 * found.common
        missed.append(off - off.mean(axis=0))
        said.append(found.relative)
        assert found.core.all()
    assert np.abs(missed).max() < 0.1
    assert 0.7 < np.std(missed) / np.sqrt(np.mean(np.square(said))) < 1.4


def test_a_pair_that_disagrees_moves_nothing() -> None:
    s, pairs, sun = scene(12, seed=3)
    dx = pairs.dx.copy()
    dx[7] += 5.0
    found = placed(s, replace(pairs, dx=dx))
    off = np.column_stack([found.x, found.y]) - sun
    assert np.abs(off - off.mean(axis=0)).max() < 0.1


def test_a_frame_without_corona_is_placed_by_the_moons_path_if_its_time_is_known() -> None:
    s, pairs, sun = scene(12, seed=5)
    lonely = (pairs.first == 6) | (pairs.second == 6)
    kept = Pairs(
        *(v[~lonely] for v in (pairs.first, pairs.second, pairs.dx, pairs.dy, pairs.sigma))
    )
    found = placed(s, kept)
    off = np.column_stack([found.x, found.y]) - sun
    miss = off[6] - np.delete(off, 6, axis=0).mean(axis=0)
    assert not found.core[6]
    assert found.core.sum() == 11
    assert np.hypot(*miss) < 3.0 * np.sqrt(2.0) * found.relative[6] < 0.4
    # Without times the Moon may be anywhere on its path.
    assert placed(s, kept, timed=False).relative[6] > 1.0


def test_a_single_frame_has_its_sun_where_the_moon_is() -> None:
    s, pairs, _ = scene(1, seed=1)
    found = placed(s, pairs)
    assert found.x[0] == pytest.approx(s.moon_x[0], abs=1e-6)
    assert found.y[0] == pytest.approx(s.moon_y[0], abs=1e-6)
    assert found.relative[0] == 0.0
    assert found.core.all()
    assert found.common == pytest.approx(FURTHEST / np.sqrt(2.0))


def test_the_core_is_the_largest_group() -> None:
    first, second = np.array([0, 1, 3]), np.array([1, 2, 4])
    pairs = Pairs(first, second, np.zeros(3), np.zeros(3), np.ones(3))
    assert core_of(pairs, np.ones(3, bool), 6).tolist() == [True] * 3 + [False] * 3
    assert not core_of(pairs, np.zeros(3, bool), 6).any()


def test_an_error_that_all_share_is_not_relative() -> None:
    core = np.array([True, True, True, False])
    own = np.diag([1.0, 1.0, 1.0, 4.0])
    near = relative_sigma(own, core)
    np.testing.assert_allclose(relative_sigma(own + 100.0, core), near)
    np.testing.assert_allclose(near**2, [2 / 3, 2 / 3, 2 / 3, 4.0 + 1 / 3])


def test_pictures_are_believed_where_the_clock_contradicts_most_of_them() -> None:
    content = np.array(["totality"] * 4 + ["contact", "partial"], object)
    by_clock = np.array(["other"] * 3 + ["totality", "other", "partial"], object)
    middle = np.array([200.0, 210.0, 220.0, 50.0, 230.0, 900.0])
    phase, contradicted = phase_where_contradicted(by_clock, content, middle, (-60.0, 60.0))
    assert contradicted
    assert phase.tolist() == content.tolist()
    middle[:2] = 0.0
    phase, contradicted = phase_where_contradicted(by_clock, content, middle, (-60.0, 60.0))
    assert not contradicted
    assert phase.tolist() == by_clock.tolist()
