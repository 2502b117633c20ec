"""The noise of raw frames, measured on the frames themselves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from limbward.camera.calibration import black_image, colour_planes
from limbward.camera.frame import RawFrame

THIRD_DIFFERENCE = np.sqrt(20.0)  # sum of the squares of 1, -3, 3, -1
MAD_TO_SIGMA = 1.4826
WITHIN_TWO_SIGMA = 0.8796  # deviation of normal values within two sigma, in sigma
CONVERTER = 16383.0  # frames in smaller units, such as 0 to 1, are measured on this scale
MIN_SAMPLES = 400  # a bin's variance is then known to 10 %


@dataclass(frozen=True)
class NoiseModel:
    """Variance of a raw sample: ``gain * signal + read**2 + (spread * signal)**2``, in DN.

    Attributes
    ----------
    gain : float
        DN an electron.
    read : float
        Noise of a sample without light, DN.
    spread : float
        Standard deviation of the pixels' sensitivities, relative.
    """

    gain: float
    read: float
    spread: float = 0.0

    def variance(self, signal: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return the variance in DN**2 of a signal in DN above black; never below that of black."""
        s = np.maximum(signal, 0.0)
        return np.asarray(self.gain * s + self.read**2 + (self.spread * s) ** 2, np.float32)


def nominal_noise(iso: float, white: float) -> NoiseModel:
    """Return what a full-frame camera has, for frames too few or too small to measure it.

    A full well of 60 000 electrons at ISO 100 fills the range up to ``white``; 3 electrons and half
    a step of a 14-bit converter of read noise.
    """
    gain = white / 60000.0 * iso / 100.0
    return NoiseModel(gain=gain, read=float(np.hypot(3.0 * gain, 0.5 * white / CONVERTER)))


def _unit(frame: RawFrame) -> float:
    return frame.white / CONVERTER if frame.white < 1000.0 else 1.0


def _bins(frame: RawFrame, saturation: float) -> dict[int, tuple[float, float, int]]:
    """Return (level, variance, samples) of bins of equal brightness in one frame."""
    levels, thirds = [], []
    unit = _unit(frame)
    blacks = colour_planes(black_image(frame), frame.pattern)
    for plane, dark in zip(colour_planes(frame.data, frame.pattern), blacks, strict=True):
        black = float(dark[0, 0])
        d = plane.astype(np.float32)
        # Steps along the row: the third difference of the corona at the limb of a Sun 300 pixels
        # in radius is 0.03 % of the signal, a tenth of its photon noise.
        a, b, c, e = d[:, :-3], d[:, 1:-2], d[:, 2:-1], d[:, 3:]
        top = np.maximum(np.maximum(a, b), np.maximum(c, e))
        ok = top < saturation * (frame.white - black) + black
        levels.append(((a + b + c + e) / 4.0 - black)[ok] / unit)
        thirds.append((a - 3.0 * b + 3.0 * c - e)[ok] / unit)
    level, third = np.concatenate(levels), np.concatenate(thirds)
    edges = np.concatenate([[-np.inf, 4.0], np.geomspace(8.0, 65536.0, 28)])
    which = np.digitize(level, edges)
    out = {}
    for k in range(1, len(edges)):
        inside = which == k
        n = int(inside.sum())
        if n >= MIN_SAMPLES:
            t = third[inside]
            rough = MAD_TO_SIGMA * float(np.median(np.abs(t)))
            # Medians of small integers jump by tenths; the deviation of what is near does not.
            near = t[np.abs(t) <= 2.0 * rough]
            sigma = float(near.std()) / WITHIN_TWO_SIGMA / THIRD_DIFFERENCE
            out[k] = (float(level[inside].mean()), sigma**2, n)
    return out


def measure_noise(frames: Sequence[RawFrame], saturation: float = 0.9) -> NoiseModel | None:
    """Return the noise of frames of one camera and ISO, or None if they do not show it.

    Parameters
    ----------
    frames : sequence of RawFrame
        Of different exposures, so that they hold dark and bright places.
    saturation : float
        Fraction of the white level from which samples are left out.

    Notes
    -----
    Photon transfer (J. R. Janesick, *Photon Transfer*, SPIE 2007) on third differences of
    neighbours of one colour instead of pairs of flats: the scene's slope and curvature drop out.
    """
    # Of frames that show the same level, the one with the least variance shows it in the
    # smoothest place: structure adds to noise and never takes from it.
    bins: dict[int, tuple[float, float, int]] = {}
    for frame in frames:
        for k, found in _bins(frame, saturation).items():
            if k not in bins or found[1] < bins[k][1]:
                bins[k] = found
    if not bins:
        return None
    level, variance, n = (np.array(v, float) for v in zip(*bins.values(), strict=True))
    if level.max() < 50.0 or level.max() < 10.0 * max(level.min(), 1.0):
        return None
    model = variance.copy()
    light = np.maximum(level, 0.0)
    for _ in range(5):
        # A variance from a quantile of n differences is known to about 3 / sqrt(n); a floor of
        # 5 % keeps dark sky, with most of the pixels, from setting the gain.
        weight = 1.0 / (model * np.hypot(3.0 / np.sqrt(n), 0.05))
        design = np.column_stack([light, np.ones_like(light), light**2]) * weight[:, None]
        (gain, read2, spread2), _ = nnls(design, variance * weight)
        model = np.maximum(gain * light + read2 + spread2 * light**2, 1e-6)
    if gain <= 0.0:
        return None
    read = float(np.sqrt(max(read2, 1.0 / 12.0)))  # rounding to integers alone gives 1/12
    unit = _unit(frames[0])
    return NoiseModel(gain=float(gain) * unit, read=read * unit, spread=float(np.sqrt(spread2)))
