"""What dithered frames gain in resolution when they are merged without being demosaicked first.

Measured by the slanted edge of ISO 12233 (method from memory): the edge's profile, oversampled four
times along the rows, its derivative, and the modulus of that one's Fourier transform.
"""

import numpy as np
import pytest
import rawpy
from scipy.ndimage import shift
from scipy.special import erf

from limbward.camera.raw import read_raw
from limbward.geometry.disc import Disc
from limbward.geometry.grid import Grid
from limbward.radiance.calibrate import Calibration
from limbward.radiance.merge import MergeFrame, merge
from limbward.radiance.noise import NoiseModel
from tests.camera.files import dng

SIDE = 256
FRAMES = 20
SLOPE = np.tan(np.radians(5.0))
PSF_PX = 0.35  # of the optics, standard deviation: less than the pixels, so that these limit
DARK, BRIGHT = 1000.0, 6000.0  # ADU above black


def edge(dx, dy):
    """Return a slanted edge as the pixels of a frame shifted by (dx, dy) see it."""
    y, x = np.indices((SIDE, SIDE), dtype=float)
    total = np.zeros((SIDE, SIDE))
    steps = (np.arange(8) + 0.5) / 8 - 0.5  # over the area of a pixel
    for v in steps:
        for u in steps:
            away = (x + u - dx - SIDE / 2) - SLOPE * (y + v - dy - SIDE / 2)
            total += 0.5 * (1.0 + erf(away / np.hypot(1, SLOPE) / (np.sqrt(2.0) * PSF_PX)))
    return DARK + (BRIGHT - DARK) * total / steps.size**2


def mtf50(image):
    """Return the frequency, cycles a pixel, at which the contrast of an edge has halved."""
    rows = slice(40, SIDE - 40)
    y, x = np.indices(image.shape, dtype=float)
    away = (x - SIDE / 2) - SLOPE * (y - SIDE / 2)
    part, value = away[rows], image[rows]
    near = np.abs(part) < 24
    cell = np.floor(part[near] * 4).astype(int)
    cell -= cell.min()
    profile = np.bincount(cell, value[near]) / np.bincount(cell)
    line = np.diff(profile[2:-2]) * np.hanning(profile.size - 5)
    contrast = np.abs(np.fft.rfft(line, 4096))
    contrast /= contrast[0]
    k = int(np.argmax(contrast < 0.5))
    fraction = (contrast[k - 1] - 0.5) / (contrast[k - 1] - contrast[k])
    return (k - 1 + fraction) / 4096 * 4 * np.cos(np.arctan(SLOPE))


@pytest.fixture(scope="module")
def edges(tmp_path_factory):
    """The merge of dithered frames, and the mean of the same, demosaicked and shifted back."""
    folder = tmp_path_factory.mktemp("edge")
    rng = np.random.default_rng(4)
    grid = Grid(SIDE, SIDE, 3.0, 0.0)
    frames, raws, demosaicked = [], [], []
    for k in range(FRAMES):
        dx, dy = rng.uniform(-5.0, 5.0, 2)
        signal = rng.normal(edge(dx, dy), 10.0)
        path = dng(folder / f"{k}.dng", np.rint(signal + 512).astype(np.uint16))
        raw = read_raw(path)
        raws.append(raw)
        frames.append(
            MergeFrame(
                affine=np.array([[1.0, 0.0, dx], [0.0, 1.0, dy]]),
                exposure_s=1.0,
                offset=np.zeros(3),
                moon=Disc(-1e4, -1e4, 10.0),
                noise=NoiseModel(0.25, 5.0),
                weight=np.ones((3, 1, 1), np.float32),
            )
        )
        with rawpy.imread(str(path)) as opened:
            rgb = opened.postprocess(
                demosaic_algorithm=rawpy.DemosaicAlgorithm.LINEAR,
                output_bps=16,
                gamma=(1, 1),
                no_auto_bright=True,
                no_auto_scale=True,
                output_color=rawpy.ColorSpace.raw,
                user_wb=[1, 1, 1, 1],
                user_flip=0,
            )
        demosaicked.append(
            [shift(rgb[..., c].astype(float), (-dy, -dx), order=1) for c in range(3)]
        )
    none = Calibration()
    merged, _ = merge(
        frames,
        enumerate(raws),
        grid,
        SIDE,
        np.ones((3, 1, 1), np.float32),
        lambda k, raw: none,
    )
    return merged.radiance, np.mean(demosaicked, axis=0)


def test_the_measure_gives_the_contrast_of_a_known_edge():
    """A Gaussian over a square pixel: exp(-2 (pi s f)^2) sinc(f) halves at 0.42 cycles a pixel."""
    f = np.linspace(0.0, 0.8, 8001)
    known = np.exp(-2 * (np.pi * PSF_PX * f) ** 2) * np.sinc(f)
    assert mtf50(edge(0.3, 0.1)) == pytest.approx(f[np.argmax(known < 0.5)], rel=0.03)


@pytest.mark.parametrize("colour", [0, 1, 2])
def test_merge_resolves_more_than_demosaicked_frames(edges, colour):
    merged, demosaicked = edges
    ours, theirs = mtf50(merged[colour]), mtf50(demosaicked[colour])
    assert ours >= 1.15 * theirs, (ours, theirs)
