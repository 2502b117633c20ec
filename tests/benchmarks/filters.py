"""How long every filter takes on a 24-megapixel picture of three colours, and with what memory.

    python tests/benchmarks/filters.py [--megapixels 24] [--channels luminance|each] [NAME ...]

Each filter runs twice in a process of its own: `first` includes the normalisation and unwrapping
that the filters of a run share, `again` finds them done. Kernels are compiled before. Prints
seconds, processor seconds, the latter in units of something fixed that runs beside it (scipy's
Gaussian filter of 5 pixels on one plane, on one core), and the resident memory: at its peak, and
before.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import numpy as np
from scipy.ndimage import gaussian_filter

from limbward import filters
from limbward.geometry.disc import Geometry


def picture(megapixels: float) -> tuple[np.ndarray, np.ndarray, Geometry]:
    """A corona with streamers, noise and a missing Moon, and its noise."""
    height = round(np.sqrt(megapixels * 1e6 / 1.5))
    width = round(1.5 * height)
    radius = height / 6.0
    geometry = Geometry(
        width / 2, height / 2, radius, width / 2 + 0.02 * radius, height / 2, 1.04 * radius
    )
    rng = np.random.default_rng(1)
    image = np.empty((3, height, width), np.float32)
    sigma = np.empty_like(image)
    y, x = np.indices((height, width), dtype=np.float32, sparse=True)
    rho = np.hypot(x - geometry.sun_x, y - geometry.sun_y) / radius
    angle = np.arctan2(y - geometry.sun_y, x - geometry.sun_x)
    for c, colour in enumerate((0.5, 1.0, 0.7)):
        r = np.maximum(rho, 1.0)
        light = colour * (0.0532 * r**-2.5 + 1.425 * r**-7 + 2.565 * r**-17)
        light *= 1 + 0.3 * np.cos(7 * angle) + 0.1 * np.cos(40 * angle)
        sigma[c] = 0.01 * np.sqrt(light) + 1e-4
        image[c] = light + sigma[c] * rng.standard_normal(light.shape, dtype=np.float32)
        image[c][rho < 1.01] = np.nan
    return image, sigma, geometry


def measure(name: str, megapixels: float, channels: str) -> tuple[float, ...]:
    """Return seconds, processor seconds and these in units of two calls, and memory in GB."""
    image, sigma, geometry = picture(megapixels)
    start = time.process_time()
    gaussian_filter(np.nan_to_num(image[1]), 5.0)
    unit = time.process_time() - start
    base = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    module = filters.load(name)
    params = module.Params(channels=channels)
    small = [np.ascontiguousarray(a[:, :300, :400]) for a in (image, sigma)]
    module.apply(*small, Geometry(200, 150, 50, 200, 150, 52), params)  # compiles
    out = []
    for _ in range(2):
        wall, cpu = time.perf_counter(), time.process_time()
        module.apply(image, sigma, geometry, params)
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
        out += [wall, cpu, cpu / unit]
    return (*out, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6, base)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", default=filters.names())
    parser.add_argument("--megapixels", type=float, default=24.0)
    parser.add_argument("--channels", choices=["luminance", "each"], default="luminance")
    options = parser.parse_args()
    print(f"{options.megapixels} megapixels, channels: {options.channels}, {sys.platform}")
    heads = ("first", "cpu", "units", "again", "cpu", "units", "peak", "before")
    print(" " * 24 + "".join(f"{head:>8s}" for head in heads))
    for name in options.names:
        with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
            row = pool.submit(measure, name, options.megapixels, options.channels).result()
        print(
            f"{name:24s}"
            + "".join(f"{v:7.2f} " if k % 3 == 2 else f"{v:7.2f}s" for k, v in enumerate(row[:6]))
            + "".join(f"{v:6.2f}GB" for v in row[6:]),
            flush=True,
        )


if __name__ == "__main__":
    main()
