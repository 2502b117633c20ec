"""The noise of raw frames, measured on the frames themselves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from limbward.camera.calibration import blacks_of, colour_planes
from limbward.camera.frame import RawFrame, smallest_step
from limbward.radiance.kernels.noise import sample_variance

THIRD_DIFFERENCE = np.sqrt(20.0)  # sum of the squares of 1, -3, 3, -1
MAD_TO_SIGMA = 1.4826
WITHIN_TWO_SIGMA = 0.8796  # deviation of normal values within two sigma, in sigma
CONVERTER = 16383.0  # frames in smaller units, such as 0 to 1, are measured on this scale
ENOUGH = 1_000_000  # samples of a place of the mosaic; rows are skipped in larger frames
MIN_SAMPLES = 400  # a bin's variance is then known to 10 %


@dataclass(frozen=True)
class NoiseModel:
    """Variance of a raw sample: ``gain * signal + read**2 + (spread * signal)**2``, in ADU.

    Attributes
    ----------
    gain : float
        ADU an electron.
    read : float
        Noise of a sample without light, ADU.
    spread : float
        Standard deviation of the pixels' sensitivities, relative.
    """

    gain: float
    read: float
    spread: float = 0.0

    def variance(self, signal: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return the variance in ADU**2 of a signal in ADU above black; never below black's."""
        gain, read2, spread2 = np.array([self.gain, self.read**2, self.spread**2], np.float32)
        return sample_variance(np.asarray(signal, np.float32), gain, read2, spread2)


@dataclass(frozen=True)
class MeasuredNoise:
    """The noise of a camera at one ISO, as measured for the merge; see noise.json."""

    iso: float
    gain_electrons_per_adu: float
    read_noise_adu: float
    read_noise_electrons: float
    pixel_spread: float
    origin: str
    linear_up_to: list[float]


@dataclass(frozen=True)
class NoiseRecord:
    """What noise.json holds.

    Attributes
    ----------
    camera, serial : str
    models : list of MeasuredNoise
    sky : list of float or None
        That was taken off the merge, ADU/s in R, G, B at the Sun's centre; None if it was left in.
    ghost : dict or None
        A reflection inside the lens that was subtracted; see `limbward.radiance.ghost`.
    cloud : dict or None
        ``frames`` in which cloud was seen, and the ``least_transmission`` near the Sun.
    """

    camera: str
    serial: str
    models: list[MeasuredNoise]
    sky: list[float] | None
    ghost: dict[str, Any] | None = None
    cloud: dict[str, Any] | None = None

    def by_iso(self) -> dict[float, tuple[float, float]]:
        """Return gain, ADU an electron, and read noise, ADU, by ISO."""
        return {m.iso: (1.0 / m.gain_electrons_per_adu, m.read_noise_adu) for m in self.models}


def nominal_noise(iso: float, white: float) -> NoiseModel:
    """Return what a full-frame camera has, for frames too few or too small to measure it.

    A full well of 60 000 electrons at ISO 100 fills the range up to ``white``; 3 electrons and half
    a step of a 14-bit converter of read noise.
    """
    gain = white / 60000.0 * iso / 100.0
    return NoiseModel(gain=gain, read=float(np.hypot(3.0 * gain, 0.5 * white / CONVERTER)))


def _unit(frame: RawFrame) -> float:
    return frame.white / CONVERTER if frame.white < 1000.0 else 1.0


Pair = tuple[RawFrame, RawFrame, tuple[int, int]]
Bins = dict[int, tuple[float, float, int]]


def _bins(
    frame: RawFrame,
    saturation: float,
    other: RawFrame | None = None,
    shift: tuple[int, int] = (0, 0),
) -> Bins:
    """Return (level, variance, samples) of bins of equal brightness in a frame or a pair.

    ``shift`` (rows, columns of whole tiles) takes pixels of the frame to those of the other.
    """
    levels, thirds = [], []
    unit = _unit(frame)
    blacks = blacks_of(frame)
    planes = colour_planes(frame.data, frame.pattern)
    others = planes if other is None else colour_planes(other.data, frame.pattern)
    top_level = saturation * frame.white
    for plane, second, black in zip(planes, others, blacks, strict=True):
        step = max(1, plane.size // ENOUGH)
        d = plane[::step].astype(np.float32)
        if other is not None:
            first, e = _overlap(plane, second, shift)
            d, e = first[::step].astype(np.float32), e[::step].astype(np.float32)
            mean, high = (d + e) / 2.0, np.maximum(d, e)
            d = (d - e) / np.float32(np.sqrt(2.0))
        else:
            mean = high = d
        # Steps along the row: the third difference of the corona at the limb of a Sun 300 pixels
        # in radius is 0.03 % of the signal, a tenth of its photon noise.
        parts = [d[:, :-3], d[:, 1:-2], d[:, 2:-1], d[:, 3:]]
        top = np.maximum(np.maximum(high[:, :-3], high[:, 1:-2]), high[:, 2:-1])
        ok = np.maximum(top, high[:, 3:]) < top_level + (1.0 - saturation) * black
        ok &= np.isfinite(sum(parts))  # of numbers that are none, or below all, nothing is known
        level = (mean[:, :-3] + mean[:, 1:-2] + mean[:, 2:-1] + mean[:, 3:]) / 4.0 - black
        levels.append(level[ok] / unit)
        thirds.append((parts[0] - 3.0 * parts[1] + 3.0 * parts[2] - parts[3])[ok] / unit)
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


def _overlap(
    first: NDArray[Any], second: NDArray[Any], shift: tuple[int, int]
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Return the parts of two planes that show the same."""
    rows, columns = first.shape
    j, i = shift
    return (
        first[max(0, -j) : rows - max(0, j), max(0, -i) : columns - max(0, i)],
        second[max(0, j) : rows + min(0, j), max(0, i) : columns + min(0, i)],
    )


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
    Photon transfer on third differences of neighbours of one colour instead of pairs: the scene's
    slope and curvature drop out, the pixels' own sensitivities stay in.
    """
    return _fit([_bins(frame, saturation) for frame in frames], frames)


def measure_pairs(pairs: Sequence[Pair], saturation: float = 0.9) -> NoiseModel | None:
    """Return the noise of a camera from pairs of equal frames, or None if they do not show it.

    Parameters
    ----------
    pairs : sequence of (RawFrame, RawFrame, (int, int))
        Two flats, two darks, or two equal exposures of the corona, and by how many rows and columns
        of whole tiles the second shows the same further down and right.
    saturation : float

    Notes
    -----
    The photon-transfer method: half the variance of the difference of two frames of one scene, by
    level. What is left of a scene that has moved by part of a tile is smooth, and the third
    difference along the row removes it.

    References
    ----------
    J. R. Janesick, *Photon Transfer*, SPIE Press (2007).
    """
    return _fit([_bins(a, saturation, b, s) for a, b, s in pairs], [a for a, _, _ in pairs])


def _fit(measured: Sequence[Bins], frames: Sequence[RawFrame]) -> NoiseModel | None:
    # Of frames that show the same level, the one with the least variance shows it in the
    # smoothest place: structure adds to noise and never takes from it.
    bins: Bins = {}
    for found_bins in measured:
        for k, found in found_bins.items():
            if k not in bins or found[1] < bins[k][1]:
                bins[k] = found
    if not bins:
        return None
    level, variance, n = (np.array(v, float) for v in zip(*bins.values(), strict=True))
    if level.max() < 50.0 or level.max() < 10.0 * max(level.min(), 1.0):
        return None
    # Rounding alone gives 1/12 of a step squared. In the even places of an 8-bit frame neighbours
    # are equal, and a variance of nothing would weigh infinitely much.
    unit = _unit(frames[0])
    rounding = (smallest_step(frames[0].white) / unit) ** 2 / 12.0
    model = np.maximum(variance, rounding)
    light = np.maximum(level, 0.0)
    gain = read2 = spread2 = 0.0
    for _ in range(5):
        # A variance from a quantile of n differences is known to about 3 / sqrt(n); a floor of
        # 5 % keeps dark sky, with most of the pixels, from setting the gain.
        weight = 1.0 / (model * np.hypot(3.0 / np.sqrt(n), 0.05))
        design = np.column_stack([light, np.ones_like(light), light**2]) * weight[:, None]
        (gain, read2, spread2), _ = nnls(design, variance * weight)
        model = np.maximum(gain * light + read2 + spread2 * light**2, rounding)
    if gain <= 0.0:
        return None
    read = float(np.sqrt(max(read2, rounding)))
    return NoiseModel(gain=float(gain) * unit, read=read * unit, spread=float(np.sqrt(spread2)))
