"""``python -m tests.robustness.fuzz_placing [--tables N] [--seed S]``: nonsense, placed.

Random tables of what frames of totality showed, from plausible to senseless, go into the alignment
in all its ways: limbs and pairs adjusted together, pairs and Moons alone, and whole bodies by
ephemeris or by each other, with comparisons that are made up too; pairs of pictures of a small Sun
are registered. Nothing may raise, a place with
an error may not be NaN nor its error zero, and a frame that is left out says why. The tests run a
few (`tests/robustness/test_degenerate_fits.py`).
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from unittest import mock

import numpy as np

from limbward.geometry.orientation import Orientation
from limbward.geometry.pointing import Pointing
from limbward.limb import place
from limbward.limb.adjust import Limbs, Pairs, adjust
from limbward.limb.alike import exposure_levels
from limbward.limb.alone import place_alone
from limbward.limb.compare import Comparison
from limbward.limb.corona import Crop
from limbward.limb.drift import doubted
from limbward.limb.mergeable import mergeable
from limbward.limb.place import PLACES, Placing, Seen
from limbward.limb.session import Session
from limbward.limb.shift import Shift
from limbward.limb.small import register_blobs
from limbward.sky.contacts import local_circumstances
from limbward.sky.ephemeris import Site
from limbward.sky.track import SkyTrack, sky_track

ODD = (0.0, -1.0, 1e-9, 1e9, np.nan, np.inf, 50.0)
SITE = Site(65.0, -23.4, 40.0)


@cache
def the_track() -> SkyTrack:
    """Return the sky of the eclipse that all tables are of."""
    return sky_track(local_circumstances("2026-08-12", SITE).contacts["greatest"].time, SITE)


def spoilt(rng, values: np.ndarray, odd: tuple[float, ...] = ODD) -> np.ndarray:
    """Return values of which none, some or all are odd."""
    values = np.array(values, float)
    share = rng.choice([0.0, 0.0, 0.2, 1.0])
    bad = rng.random(values.shape) < share * rng.random()
    values[bad] = rng.choice(odd, int(bad.sum()))
    return values


def random_pairs(rng: np.random.Generator, n: int) -> Pairs:
    """Return pairs of N frames, of a frame with itself too."""
    k = int(rng.integers(0, 3 * n))
    ends = rng.integers(0, n, (2, k))
    off = spoilt(rng, rng.normal(0, 10.0 ** rng.uniform(-2, 2), (2, k)))
    return Pairs(ends[0], ends[1], *off, spoilt(rng, 10.0 ** rng.uniform(-3, 1, k)))


def check_adjustment(rng: np.random.Generator) -> None:
    """Limbs and pairs adjusted together, and pairs with Moons alone."""
    n = int(rng.integers(1, 12))
    t = np.sort(rng.uniform(-60, 60, n))
    path = spoilt(rng, np.stack([0.45 * t, -0.2 * t], axis=1))
    moon = spoilt(rng, 500.0 + path.T / 3.0 + rng.normal(0, 10.0 ** rng.uniform(-2, 2), (2, n)))
    sigma = spoilt(rng, 10.0 ** rng.uniform(-3, 2, n))
    level = exposure_levels(2.0 ** rng.integers(-9, 2, n)) if rng.random() < 0.5 else None
    turn = spoilt(rng, rng.normal(0, 1, n))
    limbs = Limbs(*moon, sigma, path, np.full((n, 2), 0.4), turn, level)
    camera = Orientation(10.0 ** rng.uniform(-1, 2), rng.uniform(0, 360), bool(rng.integers(2)))
    pairs = doubted(random_pairs(rng, n), limbs, camera, t)
    assert pairs.dx.size == pairs.sigma.size
    up, time = spoilt(rng, 10.0 ** rng.uniform(-5, 4, 2))
    found = adjust(limbs, pairs, camera, up_sigma_deg=up, time_sigma_s=time)
    placed = np.isfinite(found.x)
    assert (np.isfinite(found.y) == placed).all()
    assert np.isfinite(found.sigma[placed]).all()
    assert (found.sigma[placed] > 0).all()
    assert np.isfinite(found.relative[placed]).all()
    assert np.isnan(found.sigma[~placed]).all()
    assert np.isfinite([found.up_position_angle, found.up_sigma_deg]).all()
    assert found.up_sigma_deg > 0
    usable = np.isfinite(limbs.x + limbs.y + sigma) & (sigma > 0)
    usable &= np.isfinite(path).all(axis=1)
    assert placed[usable].all()
    check_alone(rng, t, pairs)


def check_alone(rng: np.random.Generator, t: np.ndarray, pairs: Pairs) -> None:
    """Frames placed by pairs and Moons without an ephemeris; their Moons are measured."""
    n = t.size
    moon = 500.0 + rng.normal(0, 10.0 ** rng.uniform(-2, 3), (2, n))
    s = Session(
        np.arange(n), t, 10.0 ** rng.uniform(-4, 1, n), *moon, np.full(n, 300.0),
        10.0 ** rng.uniform(-3, 2, n),
    )  # fmt: skip
    speed, furthest = rng.choice([0.0, 1e-3, 0.5]), rng.choice([0.0, 1.0, 30.0])
    alone = place_alone(
        s, pairs, rng.random(n) < rng.random(), speed_px_s=speed, furthest_px=furthest
    )
    assert np.isfinite(alone.x + alone.y + alone.relative + alone.limb_miss).all()
    assert alone.common > 0
    assert alone.core.any()


def random_frames(rng: np.random.Generator) -> Seen:
    """Return what one to ten frames showed, and when."""
    n = int(rng.integers(1, 11))
    t = np.sort(rng.uniform(-90, 90, n))
    phase = rng.choice(np.array(["totality", "totality", "totality", "contact"], object), n)
    nothing = np.full(n, np.nan)
    radius = rng.choice([5.0, 60.0, 300.0]) * np.exp(rng.normal(0, rng.choice([0.0, 0.01, 0.5]), n))
    nan = (np.nan,)
    x, y = (spoilt(rng, 400.0 + rng.normal(0, 3.0, n), nan) for _ in range(2))
    measured = {
        "moon_x": x,
        "moon_y": np.where(np.isnan(x), np.nan, np.nan_to_num(y)),
        "moon_radius": np.where(np.isnan(x), np.nan, radius),
        "moon_sigma": np.where(np.isnan(x), np.nan, 10.0 ** rng.uniform(-2, 1, n)),
    }
    drowned = (rng.random(n) < rng.choice([0.0, 0.3])) & np.isfinite(x)
    best = {name: nothing.copy() for name in (*PLACES, "sun_sigma")}
    best["moon_radius"] = np.where(drowned, np.nan, measured["moon_radius"])
    return Seen(
        phase=phase, content=rng.permuted(phase), reading_s=spoilt(rng, t, nan),
        middle_s=spoilt(rng, t + rng.choice([0.0, 50.0, 86400.0]), nan),
        time_sigma_s=spoilt(rng, 10.0 ** rng.uniform(-2, 3, n), (np.nan, np.inf)),
        exposure_s=10.0 ** rng.uniform(-4, 1, n),
        limb_width=spoilt(rng, np.exp(rng.normal(0, 0.5, n)), nan),
        trail=spoilt(rng, np.abs(rng.normal(0, 2, n)), nan),
        behind_filter=rng.random(n) < rng.choice([0.0, 0.2]),
        clipped=rng.random(n) < 0.5, drowned=drowned, measured=measured, best=best,
        small=drowned & (rng.random(n) < rng.choice([0.0, 0.5, 1.0])),
    )  # fmt: skip


@contextmanager
def silent(steps: int, what: str) -> Iterator:
    yield lambda: None


def check_body(rng: np.random.Generator) -> None:
    """A camera's frames placed and judged, by the ephemeris or by each other."""
    seen = random_frames(rng)
    n = seen.phase.size
    mine = np.flatnonzero(rng.random(n) < 0.9)
    placing = Placing(the_track(), seen)

    def made_up(crops, s, *rest) -> list[Comparison]:
        pairs = random_pairs(rng, s.rows.size) if s.rows.size else random_pairs(rng, 1)
        return [
            Comparison(
                int(i), int(j),
                Shift(float(dx), float(dy), float(rng.normal(0, 1)), float(sigma), 0.01, 0.9),
                float(rng.normal(0, 1)),
            )
            for i, j, dx, dy, sigma in zip(
                pairs.first, pairs.second, pairs.dx, pairs.dy, pairs.sigma, strict=True
            )
            if i != j and np.isfinite(dx + dy + sigma) and sigma > 0 and s.rows.size
        ]  # fmt: skip

    moon = float(np.nanmedian(the_track().moon_radius_arcsec(np.zeros(1))))
    scale = moon / float(np.nanmedian(np.append(seen.measured["moon_radius"], 60.0)))
    camera = Orientation(scale, rng.uniform(0, 360), bool(rng.integers(2)))
    up_sigma = float(rng.choice([1e-3, 1.0, 180.0]))
    pointing = Pointing("A", "1", camera, up_sigma, float(rng.choice([0.0, 15.0])))
    with mock.patch.object(place, "compare", made_up):
        if rng.random() < 0.6:
            placing.place_body(mine, pointing, lambda row: None, silent)
        else:
            told = None if rng.random() < 0.5 else pointing
            placing.place_by_frames(mine, told, lambda row: None, silent)
    used = mergeable(placing, (-60.0, 60.0) if rng.random() < 0.8 else None, 0.5)
    stated = np.isfinite(placing.sun_sigma)
    assert (placing.sun_sigma[stated] > 0).all(), placing.sun_sigma
    for name in ("sun_x", "sun_y", "sun_radius"):
        assert np.isfinite(placing.place[name][stated]).all(), name
    assert np.isfinite(placing.relative[stated]).all()
    assert (placing.relative[stated] >= 0).all()
    assert not used[~stated].any()
    silent_rows = [i for i in mine if not used[i] and not placing.note[i]]
    assert not silent_rows, [(i, seen.phase[i]) for i in silent_rows]


def random_blob(rng: np.random.Generator) -> Crop:
    """Return a crop of a Sun of a few pixels, of noise, of nothing, or clipped all over."""
    height, width = (int(v) for v in rng.integers(1, 60, 2))
    y, x = np.indices((height, width), dtype=np.float32)
    far = np.hypot(x - width / 2, y - height / 2) / rng.uniform(0.5, 9.0)
    values = 10.0 ** rng.uniform(-2, 5) * np.maximum(far, 0.5) ** -rng.uniform(0, 8)
    values += rng.normal(0, 10.0 ** rng.uniform(-4, 3), values.shape)
    values = rng.choice([1.0, 1.0, 1.0, 0.0, -1.0]) * values
    values[values > 14000.0] = np.nan
    values[rng.random(values.shape) < rng.choice([0.0, 0.0, 0.1, 1.0])] = np.nan
    return Crop(values.astype(np.float32), float(rng.choice([1.0, 2.0])), (0.0, 0.0))


def check_blobs(rng: np.random.Generator) -> None:
    """Two frames of a small Sun registered, from a start that may be anywhere."""
    a, b = random_blob(rng), random_blob(rng)
    at = [
        (crop.scale * crop.values.shape[1] / 2 + dx, crop.scale * crop.values.shape[0] / 2 + dy)
        for crop, (dx, dy) in zip((a, b), rng.normal(0, rng.choice([0.0, 1.0, 30.0]), (2, 2)),
                                  strict=True)
    ]  # fmt: skip
    found = register_blobs(a, b, *at, turn_deg=float(rng.uniform(-180, 180)))
    if found is not None:
        assert np.isfinite([found.dx, found.dy, found.sigma_px]).all()
        assert found.sigma_px > 0


def check(seed: int) -> None:
    """Raise if what is found of a random table cannot be used."""
    rng = np.random.default_rng([seed, 5])
    with np.errstate(all="ignore"):
        rng.choice([check_adjustment, check_body, check_blobs], p=[0.4, 0.4, 0.2])(rng)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tables", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    bad = 0
    for seed in range(given.seed, given.seed + given.tables):
        try:
            check(seed)
        except Exception as error:
            bad += 1
            print(f"seed {seed}: {type(error).__name__}: {str(error)[:200]}")
    print(f"{bad} of {given.tables} tables failed")
    raise SystemExit(bad > 0)


if __name__ == "__main__":
    main()
