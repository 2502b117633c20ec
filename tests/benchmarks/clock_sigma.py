"""Whether the clock solution's stated errors are honest, over many random cards.

    python tests/benchmarks/clock_sigma.py [--cards 200] [CASE ...]

Limb measurements are generated with their noise (no pictures), solved, and compared with the truth:
root mean square errors, and the share of errors within one and two stated sigmas.
"""

import argparse

import numpy as np

from limbward.clock.crescent_model import RADIUS_SYSTEMATIC_PX
from limbward.clock.evidence import Crescents
from limbward.clock.solve import solve_clock
from limbward.geometry.orientation import Orientation
from limbward.sky.contacts import local_circumstances
from limbward.sky.ephemeris import Site
from limbward.sky.track import SkyTrack, sky_track

SITE = Site(65.0, -23.4, 40.0)
CASES = {
    "3.2 arcsec, 1 s tags": {},
    "1.5 arcsec, sub-second tags": {"scale": 1.5, "step": 0.01},
    "before totality only": {"side": -1},
    "after totality only": {"side": 1},
    "alt-azimuth": {"turns": True},
    "steady pace": {"steady": True},
    "set by 11 s": {"jump": 11.0},
    "set by an hour": {"jump": 3600.0},
}


def one_card(track: SkyTrack, seed: int, *, scale=3.2, step=1.0, sigma=0.03, side=0, turns=False,
             steady=False, jump=0.0, n=24):  # fmt: skip
    """Return errors and stated sigmas of offset, drift, up angle and scale, and the step's."""
    rng = np.random.default_rng(seed)
    offset, drift = rng.uniform(-6, 6) * 3600, rng.normal(0, 2)
    if side:
        t = np.sort(side * rng.uniform(120, 3400, n))
    elif steady:
        t = np.append(np.arange(n // 2) * 290.0 - 3570, np.arange(n // 2) * 290.0 + 200)
        t += rng.uniform()
    else:
        t = np.sort(np.append(rng.uniform(-3600, -90, n // 2), rng.uniform(90, 3500, n // 2)))
    true = Orientation(scale, rng.uniform(0, 360), bool(rng.integers(2)))
    turn = track.parallactic_angle(t) - track.parallactic_angle(np.zeros(1)) if turns else 0 * t
    places = [
        true.turned(a).to_pixels(*track.offset_arcsec(s)) for a, s in zip(turn, t, strict=True)
    ]
    vectors = np.array(places) + rng.normal(0, sigma, (n, 2))
    radius = track.sun_radius_arcsec(t) / scale + rng.normal(0, RADIUS_SYSTEMATIC_PX)
    later = jump * (np.arange(n) >= n // 2)
    reading = np.floor((t + offset + drift * t / 3600 + later) / step) * step
    found = solve_clock(
        track,
        crescents=Crescents(
            reading, np.full(n, step), np.zeros(n), *vectors.T, np.full(n, sigma),
            radius + rng.normal(0, 0.02, n), np.full(n, 0.02), np.arange(n, dtype=float),
        ),
    )  # fmt: skip
    turned = found.orientation.up_position_angle - true.up_position_angle
    errors = [
        (found.offset_s - offset, found.offset_sigma_s),
        (found.drift_s_per_hour - drift, found.drift_sigma_s_per_hour),
        ((turned + 180) % 360 - 180, found.up_sigma_deg),
        (
            100 * (found.orientation.pixel_scale_arcsec / scale - 1),
            100 * found.scale_sigma_arcsec / scale,
        ),
    ]
    if jump:
        right = len(found.steps) == 1 and found.steps[0].after == n // 2 - 1
        seconds = found.steps[0].seconds if found.steps else 0.0
        errors.append((seconds - jump, found.steps[0].sigma_s if right else 0.0))
    return errors


def main() -> None:
    """Print a table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("cases", nargs="*", metavar="CASE", help="; ".join(CASES))
    parser.add_argument("--cards", type=int, default=200)
    args = parser.parse_args()
    greatest = local_circumstances("2026-08-12", SITE).contacts["greatest"].time
    track = sky_track(greatest, SITE)
    names = ("offset s", "drift s/h", "up deg", "scale %", "step s")
    for case in args.cases or CASES:
        results = np.array([one_card(track, seed, **CASES[case]) for seed in range(args.cards)])
        print(f"== {case}, {args.cards} cards")
        for name, (error, sigma) in zip(names, results.transpose(1, 2, 0), strict=False):
            within = [100 * np.mean(np.abs(error) < k * sigma) for k in (1, 2)]
            print(
                f"  {name:9} RMS {np.sqrt(np.mean(error**2)):.4f}, worst "
                f"{np.abs(error).max():.3f}, stated {np.mean(sigma):.4f}; within 1 sigma "
                f"{within[0]:.0f} %, 2 sigma {within[1]:.0f} %"
            )


if __name__ == "__main__":
    main()
