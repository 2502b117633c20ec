"""Clocks dated by beads on painted pictures, over many eclipses, against the truth.

    python -m tests.benchmarks.beads [--sessions N] [--moon real|random|smooth]
                                     [--sides both|C2|C3] [--frames N]

Each session is painted (`tests/clock/painted_beads.py`) and dated with nothing known but that the
frames are of totality: readings in whole seconds, orientation and mirroring free.
"""

import argparse

import numpy as np

from tests.clock.painted_beads import ECLIPSES, session
from tests.clock.test_beads import angle_off, dated


def main() -> None:
    """Date sessions and print each one's errors, and how they compare with what is stated."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sessions", type=int, default=len(ECLIPSES))
    parser.add_argument("--moon", choices=("real", "random", "smooth"), default="real")
    parser.add_argument("--sides", choices=("both", "C2", "C3"), default="both")
    parser.add_argument("--frames", type=int, default=9, help="a contact")
    args = parser.parse_args()
    errors, sigmas = [], []
    for seed in range(args.sessions):
        which = seed % len(ECLIPSES)
        s = session(which, seed, args.moon, args.sides, args.frames)
        beads, *_ = dated(s, error_s=2.0 * float(np.random.default_rng(seed).normal()))
        said = f"{ECLIPSES[which][0]} ({s.optics.scale:.1f} arcsec a pixel)"
        if beads is None or beads.why_not:
            print(f"{said}: not dated", flush=True)
            continue
        errors.append(beads.offset_s - s.offset_s)
        sigmas.append(beads.sigma_s)
        own = beads.own_s - s.start_s
        print(
            f"{said}: {errors[-1]:+.3f} ± {sigmas[-1]:.3f} s; up "
            f"{angle_off(beads.up_deg, s.optics.up_deg):+.2f} deg, mirroring "
            f"{'right' if beads.mirrored == s.optics.mirrored else 'wrong'}; frames by themselves "
            f"{np.sqrt(np.nanmean(own**2)):.2f} s rms, stated "
            f"{np.sqrt(np.nanmean(beads.own_sigma_s**2)):.2f}; {beads.better:.0f} better than "
            "other limbs",
            flush=True,
        )
    if errors:
        off, stated = np.array(errors), np.array(sigmas)
        print(
            f"{off.size} of {args.sessions} dated; rms {np.sqrt(np.mean(off**2)):.3f} s, mean "
            f"{off.mean():+.3f} s, rms of error over stated "
            f"{np.sqrt(np.mean((off / stated) ** 2)):.2f}, beyond two sigma "
            f"{int(np.sum(np.abs(off) > 2 * stated))}, beyond 0.15 s "
            f"{int(np.sum(np.abs(off) > 0.15))}"
        )


if __name__ == "__main__":
    main()
