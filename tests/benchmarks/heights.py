"""``python -m tests.benchmarks.heights [--seeds 1-20] [--scales 2.5 4 10.6]``: painted prominences.

Stacks of the second simulator's prominences as a perfect session would have them: its light on a
fine grid, blurred by its air and lens, integrated over pixels, with noise. Prints, for each scale,
how far heights are off, in arcseconds and in stated errors, and how well the blur is known. No
frames are made: 5 s a stack.
"""

from __future__ import annotations

import argparse

import numpy as np
from scipy.ndimage import gaussian_filter

from limbward.sequences.cut import View
from limbward.sequences.limb_blur import blur_of_limb
from limbward.sequences.line_disc import LineDisc, prominences_of
from tests.apart.corona import Corona, darkening, disc_mean
from tests.apart.line import heights
from tests.apart.scene import LINE

SUN, EXCESS, FINE_ARCSEC, TALL = 960.0, 0.0045, 0.5, 12.0
LENS_PX = 0.45  # of the second simulator's


def painted(seed: int, scale: float, seeing: float, noise: float) -> tuple[LineDisc, float]:
    """A stack, and its blur with that of the pixels, standard deviation in pixels.

    ``seeing`` is a standard deviation too, in arcsec.
    """
    fine = int(np.ceil(scale / FINE_ARCSEC)) | 1
    radius = SUN * (1 + EXCESS) / scale
    view = View(2 * int(1.17 * SUN / scale) + 1, scale, 0.0)
    x = ((np.arange(view.side * fine) + 0.5) / fine - 0.5 - view.centre).astype(np.float32)
    r = np.hypot(x[None, :], x[:, None])
    q = np.linspace(0, 1, 8192)
    law = darkening(np.sqrt(1 - q), 0) / disc_mean(0)
    light = np.interp((r / radius) ** 2, q, law, right=0.0).astype(np.float32)
    # The limb covers its pixels by parts.
    rim = np.abs(r - radius) * fine < 1.0
    light[rim] = law[-1] * np.clip((radius - r[rim]) * fine + 0.5, 0, 1)
    rho = r * scale / SUN
    near = (rho > 1.0 + EXCESS - 1e-3) & (rho < 1.15)
    angle = np.arctan2(-x[None, :], -x[:, None] + 0 * x[None, :])[near]
    glow = np.minimum(LINE * Corona(seed + 5).prominences(rho[near], angle, 0), 0.1)
    light[near] += glow * np.clip((r[near] - radius) * fine + 0.5, 0, 1)
    light *= 1.0 / law[0]
    sigma = np.hypot(LENS_PX, seeing / scale)
    light = gaussian_filter(light, sigma * fine)
    light = light.reshape(view.side, fine, view.side, fine).mean(axis=(1, 3))
    light += noise * np.random.default_rng(seed).standard_normal(light.shape)
    picture = light.astype(np.float32)
    empty = np.zeros_like(picture)
    return LineDisc(picture, empty, empty, view, radius), float(np.hypot(sigma, 12**-0.5))


def away_of(disc: LineDisc) -> np.ndarray:
    """Distance from the centre, radii."""
    y = np.arange(disc.view.side) - disc.view.centre
    return (np.hypot(y[None, :], y[:, None]) / disc.radius).astype(np.float32)


def rows(seed: int, disc: LineDisc) -> list[tuple[float, float, float, float]]:
    """Position angle, height, truth and stated error of each tall prominence."""
    truth = {"seed": seed, "solar_radius_arcsec": SUN, "solar_north_deg": 0.0}
    angle, height = heights(truth | {"settings": {"excess": EXCESS}})
    made = []
    for p in prominences_of(disc, EXCESS, away_of(disc)):
        inside = (angle - p.first) % 360.0 <= (p.last - p.first) % 360.0
        true = float(height[inside].max())
        if true > TALL:
            made.append((p.position_angle, p.height_arcsec, true, p.sigma_arcsec))
    return made


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="1-12", help="first and last")
    parser.add_argument("--scales", type=float, nargs="+", default=[2.5, 4.0, 10.6])
    parser.add_argument("--seeing", type=float, default=0.75)
    parser.add_argument("--noise", type=float, default=2e-4)
    parser.add_argument("--each", action="store_true", help="print each prominence")
    given = parser.parse_args()
    first, last = (int(n) for n in given.seeds.split("-"))
    for scale in given.scales:
        off, pull, blurs = [], [], []
        for seed in range(first, last + 1):
            disc, blur = painted(seed, scale, given.seeing, given.noise)
            blurs.append(blur_of_limb(disc.picture, away_of(disc), disc.radius, scale) / blur)
            found = np.array(rows(seed, disc))
            off += list(found[:, 1] - found[:, 2])
            pull += list((found[:, 1] - found[:, 2]) / found[:, 3])
            if given.each:
                for pa, h, true, sigma in found:
                    print(
                        f"  {seed:3d} {pa:6.1f} {h:7.2f} {true:7.2f} {h - true:6.2f} {sigma:5.2f}"
                    )
        off, pull = np.array(off), np.array(pull)
        print(
            f"{scale:5.1f} arcsec/px: {off.size} heights, rms {np.sqrt(np.mean(off**2)):.2f}, "
            f"median {np.median(np.abs(off)):.2f}, mean {off.mean():+.2f}, over 1: "
            f"{np.mean(np.abs(off) > 1):.2f}; pull {np.sqrt(np.nanmean(pull**2)):.2f} "
            f"(median {np.nanmedian(np.abs(pull)):.2f}, over 2: {np.mean(np.abs(pull) > 2):.2f}); "
            f"blur {np.mean(blurs):.2f} of the true ({np.min(blurs):.2f} to {np.max(blurs):.2f})",
            flush=True,
        )


if __name__ == "__main__":
    main()
