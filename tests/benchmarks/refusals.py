"""How many random frames of totality are wrongly accepted or refused.

    python tests/benchmarks/refusals.py [--frames 500] [--seed 1]

Draws frames with exact discs (tests/limb/pictures.py): exposures over twelve stops, uneven cloud,
a Moon cut by the frame's edge, bloom, a diamond ring, nothing at all; measures them and checks
their size as the pipeline does. Accepted wrongly: a centre more than 1 px off. Refused wrongly: a
frame in which the Moon was there to be seen and no centre came out.
"""

import argparse
import sys
from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter

sys.path.insert(0, str(Path(__file__).parents[2]))

from limbward.limb.measure import measure
from limbward.limb.register import is_moon_sized
from tests.limb.pictures import WHITE, corona

SHAPE = (612, 918)
R_SUN, RATIO = 94.0, 1.039


def cloud(rng: np.random.Generator) -> np.ndarray:
    """Return an uneven transmission between 0.15 and 1."""
    pattern = gaussian_filter(rng.standard_normal(SHAPE), rng.uniform(40, 120))
    pattern = (pattern - pattern.min()) / np.ptp(pattern)
    depth = rng.uniform(0.0, 0.85)
    return 1.0 - depth * pattern


def draw(rng: np.random.Generator):
    """Return image, saturation, true Moon (x, y, radius) and whether it is there to be seen."""
    r_moon = R_SUN * RATIO
    edge = rng.uniform() < 0.25
    margin = -0.45 * r_moon if edge else 1.05 * r_moon
    x = rng.uniform(margin, SHAPE[1] - margin)
    y = rng.uniform(margin, SHAPE[0] - margin)
    angle, distance = rng.uniform(0, 2 * np.pi), rng.uniform(0, 0.035) * R_SUN
    sun = (x - distance * np.cos(angle), y - distance * np.sin(angle), R_SUN)
    exposure = 10 ** rng.uniform(-2.6, 0.9)
    empty = rng.uniform() < 0.05
    if empty:
        image = rng.normal(rng.uniform(0, 400), 6.0, SHAPE).astype(np.float32) * cloud(rng)
        return image.astype(np.float32), image >= WHITE, (x, y, r_moon), False
    beads = []
    if rng.uniform() < 0.1:
        beads = [(x + r_moon * np.cos(angle), y + r_moon * np.sin(angle), rng.uniform(2, 5), 3e5)]
    # The cloud takes light before the sensor clips it.
    bright, _ = corona(SHAPE, sun, (x, y, r_moon), rng, exposure=exposure, beads=beads, white=None)
    image = np.minimum(bright * cloud(rng), WHITE)
    if rng.uniform() < 0.3:  # bloom: charge spills from clipped pixels into their neighbours
        spill = gaussian_filter(np.where(image >= WHITE, WHITE, 0.0), 1.5)
        image = np.minimum(np.maximum(image, 0.6 * spill), WHITE)
    image = (image + rng.normal(0, 5.0, SHAPE)).astype(np.float32)
    theta = np.radians(np.arange(0, 360, 2))
    px, py = x + 1.02 * r_moon * np.cos(theta), y + 1.02 * r_moon * np.sin(theta)
    inside = (px > 3) & (px < SHAPE[1] - 4) & (py > 3) & (py < SHAPE[0] - 4)
    ring = image[np.clip(py, 0, SHAPE[0] - 1).astype(int), np.clip(px, 0, SHAPE[1] - 1).astype(int)]
    rows, cols = np.mgrid[: SHAPE[0], : SHAPE[1]]
    dark = float(np.median(image[np.hypot(cols - x, rows - y) < 0.9 * r_moon]))
    seen = inside & (ring > dark + 30.0)
    return image, image >= WHITE, (x, y, r_moon), bool(seen.mean() > 0.5)


def count(frames: int, seed: int) -> dict[str, float]:
    """Return the counts over ``frames`` random frames."""
    wrong, refused, good, errors = [], [], 0, []
    for k in range(frames):
        rng = np.random.default_rng([seed, k])
        image, saturated, moon, seen = draw(rng)
        found = measure(image, saturated, radius_ratio=RATIO)
        good += seen
        # The radius is held to the plate scale, as in the alignment.
        accepted = (
            found.moon is not None
            and found.kind != "partial"
            and bool(is_moon_sized(np.array([found.moon.radius]), np.array([moon[2]]))[0])
        )
        if accepted:
            error = float(np.hypot(found.moon.x - moon[0], found.moon.y - moon[1]))
            if error > 1.0:
                wrong.append((k, error, found.moon.sigma))
            else:
                errors.append(error)
        elif seen:
            refused.append((k, found.kind, found.note))
    return {
        "frames": frames,
        "good": good,
        "wrongly accepted": wrong,
        "wrongly refused": refused,
        "rms px": float(np.sqrt(np.mean(np.square(errors)) / 2)),
    }


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    for name, value in count(options.frames, options.seed).items():
        print(f"{name}: {len(value) if isinstance(value, list) else value}")
        for item in value if isinstance(value, list) else []:
            print("   ", item)
