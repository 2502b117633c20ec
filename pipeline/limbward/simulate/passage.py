"""A picture's way through cloud, haze and lens: what is dimmed, what is spread, what comes back.

Everything wide is computed on a small copy of the picture, whose cells are a little smaller than
the narrowest thing that it has to hold, in one pass through Fourier space.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from limbward.compiled import kernel
from limbward.simulate.air import aureole_sigmas
from limbward.simulate.cloud import FORWARD, FORWARD_ARCSEC
from limbward.simulate.coarse import binned, cell_at, fill_line
from limbward.simulate.scene import Scene

Floats = NDArray[np.float64]

CELLS_A_SIGMA = 1.6  # a Gaussian sampled and interpolated that finely keeps its light within 3 %
MARGIN_SIGMAS = 2.5  # of dark sky round the picture, so that light does not come in on the far side


@dataclass(frozen=True)
class Ghost:
    """A reflection: part of the light, sigma of its blur, and the axis (x, y); all in pixels."""

    part: float
    sigma_px: float
    axis: tuple[float, float]


@dataclass(frozen=True)
class Passage:
    """What lies between a scene and the sensor in one exposure.

    Attributes
    ----------
    scale_arcsec : float
        A pixel.
    aureole : float
        Part of the light that goes into wide wings.
    aureole_arcsec : tuple of float
        Where the wings begin and end.
    gain : ndarray, shape (h, w), or None
        Transmission of the cloud at the nodes of a grid with its first node at pixel (0, 0).
    gain_step : float
        Pixels from node to node.
    glow : float
        Brightness that an opaque cloud would have of its own.
    ghost : Ghost or None
    """

    scale_arcsec: float
    aureole: float = 0.0
    aureole_arcsec: tuple[float, float] = (20.0, 1200.0)
    gain: Floats | None = None
    gain_step: float = 1.0
    glow: float = 0.0
    ghost: Ghost | None = None

    @property
    def clear(self) -> bool:
        """True if the light comes through as it is."""
        return self.aureole == 0.0 and self.gain is None and self.ghost is None


def _finish_kernel(
    white: Any, pink: Any, gain: Any, step: float, spread: Any, cell: int, core: float
) -> None:
    """Dim both pictures by gain and core, and add the light that was spread to the white one."""
    rows, columns = white.shape
    h, w = spread.shape
    gh, gw = gain.shape
    added, passed = np.empty(w), np.empty(gw)
    j_of, fj_of = np.empty(columns, np.int64), np.empty(columns)
    m_of, a_of = np.empty(columns, np.int64), np.empty(columns)
    for x in range(columns):
        j_of[x], fj_of[x] = cell_at(x, cell, w)
        m_of[x] = min(int(x / step), gw - 2)
        a_of[x] = x / step - m_of[x]
    for y in range(rows):
        i, fi = cell_at(y, cell, h)
        fill_line(spread, i, fi, added)
        b = y / step
        k = min(int(b), gh - 2)
        fill_line(gain, k, b - k, passed)
        for x in range(columns):
            j, fj, m, a = j_of[x], fj_of[x], m_of[x], a_of[x]
            through = core * (passed[m] * (1.0 - a) + passed[m + 1] * a)
            white[y, x] = through * white[y, x] + added[j] * (1.0 - fj) + added[j + 1] * fj
            pink[y, x] = through * pink[y, x]


_finish = kernel(_finish_kernel)


def gain_nodes(shape: tuple[int, int], step: float) -> tuple[Floats, Floats]:
    """Return the pixel coordinates x (w,) and y (h,) of a grid that covers a picture."""
    h, w = (max(2, 2 + math.ceil((n - 1) / step)) for n in shape)
    x, y = (np.arange(n, dtype=np.float64) * step for n in (w, h))
    return np.asarray(x), np.asarray(y)


def _at(nodes: Floats, step: float, y: Floats, x: Floats) -> Floats:
    """Interpolate linearly in a grid of nodes, at rows y and columns x in pixels."""

    def rows_at(grid: Floats, places: Floats) -> Floats:
        at = np.clip(places / step, 0.0, len(grid) - 1.0)
        i = np.minimum(at.astype(int), len(grid) - 2)
        part = (at - i)[:, None]
        return np.asarray(grid[i] * (1.0 - part) + grid[i + 1] * part)

    return rows_at(rows_at(nodes, y).T.copy(), x).T.copy()


@lru_cache(maxsize=4)
def _gaussians(size: tuple[int, int], sigmas: tuple[float, ...]) -> Floats:
    """Return the mean transfer function of Gaussians, the same in all frames of a camera."""
    return np.asarray(sum(_gaussian(size, s) for s in sigmas) / len(sigmas))


def _gaussian(size: tuple[int, int], sigma: float) -> Floats:
    """Return the transfer function of a Gaussian, sigma in cells, for `scipy.fft.rfft2`.

    Means over cells have a variance of 1/12 of a cell, linear interpolation between them of 1/6;
    this quarter is taken off the Gaussian's own.
    """
    sigma = math.sqrt(max(sigma * sigma - 0.25, 0.0))
    fy, fx = np.fft.fftfreq(size[0]), np.fft.rfftfreq(size[1])
    gy, gx = np.exp(-2 * (np.pi * sigma * fy) ** 2), np.exp(-2 * (np.pi * sigma * fx) ** 2)
    return np.asarray(gy[:, None] * gx)


def _mirrored(spectrum: Any, size: tuple[int, int], centre: tuple[float, float]) -> Any:
    """Return the spectrum of a real picture turned by half a turn about (x, y), in cells."""
    fy, fx = np.fft.fftfreq(size[0]), np.fft.rfftfreq(size[1])
    along = np.exp(-4j * np.pi * fx * centre[0])
    return np.conj(spectrum) * np.exp(-4j * np.pi * fy * centre[1])[:, None] * along


def pass_through(scene: Scene, passage: Passage) -> Scene:
    """Return a scene as it arrives at the sensor.

    The light of prominences is dimmed like the rest, but its own wings are left out: all of it is
    under a thousandth of the corona's.

    Parameters
    ----------
    scene : Scene
        Blurred; its pictures are overwritten.
    passage : Passage
    """
    if passage.clear:
        return scene
    scale, ghost = passage.scale_arcsec, passage.ghost
    wings = aureole_sigmas(*passage.aureole_arcsec) / scale if passage.aureole else np.empty(0)
    forward = FORWARD_ARCSEC / scale if passage.gain is not None else 0.0
    sigmas = [float(s) for s in wings] + [s for s in (forward,) if s]
    sigmas += [ghost.sigma_px] if ghost else []
    cell = max(1, int(min(sigmas) / CELLS_A_SIGMA))
    coarse = binned(scene.white, cell)
    h, w = coarse.shape
    y, x = (np.arange(n, dtype=np.float64) * cell + 0.5 * (cell - 1) for n in (h, w))
    nodes = np.ones((2, 2)) if passage.gain is None else passage.gain
    step = max(scene.white.shape) if passage.gain is None else passage.gain_step
    gain = _at(nodes, float(step), y, x)
    margin = math.ceil(MARGIN_SIGMAS * max(sigmas) / cell)
    size = (
        fft.next_fast_len(h + margin, real=True),
        fft.next_fast_len(w + margin, real=True),
    )

    # Double precision: a bead of photosphere is 1e9 times brighter than the sky beside it.
    spectrum = fft.rfft2(coarse * gain, size)
    total = np.zeros_like(spectrum)
    if passage.aureole:
        transfer = _gaussians(size, tuple(float(s) / cell for s in wings))
        total += passage.aureole * transfer * spectrum
    if ghost:
        # The middle of cell 0 is pixel (cell - 1) / 2. Under a cell of blur, a point would ring.
        centre = tuple((a - 0.5 * (cell - 1)) / cell for a in ghost.axis)
        soft = _gaussians(size, (max(ghost.sigma_px / cell, 1.1),))
        total += ghost.part * soft * _mirrored(spectrum, size, (centre[0], centre[1]))
    if passage.gain is not None:
        lost = fft.rfft2(coarse * (1.0 - gain), size)
        total += FORWARD * _gaussians(size, (forward / cell,)) * lost
    spread = np.maximum(fft.irfft2(total, size)[:h, :w], 0.0) + passage.glow * (1.0 - gain)
    _finish(scene.white, scene.pink, nodes, float(step), spread, cell, 1.0 - passage.aureole)
    return scene
