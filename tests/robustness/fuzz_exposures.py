"""``python -m tests.robustness.fuzz_exposures [--stacks N] [--seed S]``: nonsense, compared.

Random small stacks, from plausible to senseless, go into the relative exposures and the search for
cloud. Nothing may raise, no number may be none, no standard error zero or infinite. By hand: ten
thousand take some minutes; the tests run a few (`tests/radiance/test_relative.py`).
"""

from __future__ import annotations

import argparse

import numpy as np

from limbward.geometry.grid import Grid
from limbward.radiance.noise import NoiseModel
from limbward.radiance.registered import RegisteredFrames
from limbward.radiance.relative import relative_exposures
from limbward.radiance.veil import find_veil

HEIGHT, WIDTH = 20, 28


def random_frames(rng: np.random.Generator) -> RegisteredFrames:
    """Return one to nine registered frames, some of which nobody could have taken."""
    n = int(rng.integers(1, 10))
    y, x = np.indices((HEIGHT, WIDTH), dtype=float)
    grid = Grid(4 * WIDTH, 4 * HEIGHT, 10.0, 0.0)
    rho = np.hypot(x - WIDTH / 2, y - HEIGHT / 2) / rng.uniform(2.0, 20.0)
    corona = 10.0 ** rng.uniform(-2, 6) * np.maximum(rho, 0.5) ** -rng.uniform(0, 8)
    exposure = 10.0 ** rng.uniform(-4, rng.uniform(-3.9, 1.5), n)
    if rng.random() < 0.3:
        exposure[:] = exposure[0]
    read = 10.0 ** rng.uniform(-3, 2)
    signal = np.empty((n, 3, HEIGHT, WIDTH), np.float32)
    for k in range(n):
        light = corona * exposure[k] * np.exp(rng.normal(0, rng.choice([0.0, 0.05, 2.0])))
        light = light[None] * rng.uniform(0.2, 2.0, 3)[:, None, None]
        noisy = light + rng.normal(0, 1, light.shape) * np.sqrt(0.3 * light + read**2)
        signal[k] = noisy + rng.choice([0.0, 3.0, -500.0])
        kind = rng.integers(0, 8)
        if kind == 0:
            signal[k] = np.nan
        elif kind == 1:
            signal[k] = rng.choice([0.0, 1e4, -1.0, 1e30])
        elif kind == 2:
            signal[k][rng.random(signal[k].shape) < rng.random()] = np.nan
        elif kind == 3:
            signal[k] = rng.normal(0, 10.0 ** rng.uniform(-3, 5), signal[k].shape)
        signal[k][signal[k] > 14000.0] = np.nan if rng.random() < 0.7 else 14000.0
    predicted = np.maximum(corona, 1e-20)[None] * np.ones((3, 1, 1))
    return RegisteredFrames(
        grid=grid,
        factor=4,
        signal=signal,
        open=rng.random((n, HEIGHT, WIDTH)) < 0.9,
        predicted=predicted.astype(np.float32),
        sun_radius_px=float(rng.uniform(2.0, 60.0)),
        exposure=exposure,
        samples=np.full(n, float(rng.choice([1.0, 4.0, 64.0]))),
        ceiling=np.full(n, 13000.0),
        noise=[NoiseModel(0.3, read)] * n,
    )


def check(registered: RegisteredFrames) -> None:
    """Raise an AssertionError if what is found of registered frames cannot be used."""
    found = relative_exposures(registered)
    assert np.isfinite(found.factor).all(), found.factor
    assert (found.factor > 0).all(), found.factor
    assert np.isfinite(found.factor_sigma).all(), found.factor_sigma
    assert (found.factor_sigma > 0).all(), found.factor_sigma
    assert np.isfinite(found.offset).all(), found.offset
    assert np.isfinite(found.offset_sigma).all(), found.offset_sigma
    assert (found.offset_sigma > 0).all(), found.offset_sigma
    veil = find_veil(registered, found.factor, found.offset)
    assert np.isfinite(veil.transmission).all()
    assert (veil.transmission > 0).all()
    assert np.isfinite(veil.sky).all()
    assert np.isfinite(veil.change).all()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stacks", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    bad = 0
    for k in range(given.seed, given.seed + given.stacks):
        try:
            with np.errstate(all="ignore"):
                check(random_frames(np.random.default_rng(k)))
        except Exception as error:
            bad += 1
            print(f"seed {k}: {type(error).__name__}: {str(error)[:200]}")
    print(f"{bad} of {given.stacks} stacks failed")
    raise SystemExit(bad > 0)


if __name__ == "__main__":
    main()
