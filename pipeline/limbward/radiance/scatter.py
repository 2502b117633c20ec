"""What the errors of a merge have beyond photon and read noise.

Frames differ by more than their noise: they are registered to a tenth of a pixel, the seeing
changes, thin cloud is mended to half a per cent. And they share an error that no number of them
averages away: the pixels' own sensitivities, as far as the flats leave them, if a guided camera
puts the corona on the same pixels in every frame.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates, uniform_filter

from limbward.radiance.kernels.inputs import BLOCK
from limbward.radiance.kernels.sums import SHARPER
from limbward.radiance.registered import effective_number
from limbward.radiance.scratch import ROWS, let_go
from limbward.radiance.taps import Taps

if TYPE_CHECKING:
    from limbward.radiance.merge import Accumulator, MergeFrame

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]

SMOOTH = 3  # blocks, over which the scatter is averaged: 2 % with ten frames
NOISE_SURE = 0.1  # of the noise's variance: by so much the model of it may be off
SHARED_PX = 0.7  # of shift (standard deviation), beyond which frames see other pixels
COARSE = 8  # pixels of the small grid of a place where shared weights are summed


@dataclass(frozen=True)
class Coarse:
    """The sums of a merge by blocks, (3, rows, columns) each.

    ``scatter`` and ``expected`` are those of `limbward.radiance.merge.Accumulator`, ``weight`` and
    ``light`` the sums over a block's pixels.
    """

    scatter: Pixels
    expected: Pixels
    weight: Floats
    light: Floats

    @classmethod
    def of(cls, sums: Accumulator) -> Coarse:
        """Return the sums over blocks; the fine ones may then be given up."""
        return cls(
            sums.scatter,
            sums.expected,
            np.stack([_blocks(w) for w in sums.weight]),
            np.stack([_blocks(v) for v in sums.light]),
        )

    @classmethod
    def below_each_other(cls, parts: Sequence[Coarse]) -> Coarse:
        """Return the sums of a merge whose bands of rows these are, from the top."""
        names = "scatter", "expected", "weight", "light"
        return cls(*(np.concatenate([getattr(p, n) for p in parts], axis=1) for n in names))


def beyond_noise(
    sums: Coarse,
    frames: Sequence[MergeFrame],
    taps: Taps,
    sharp: Pixels,
    place: Floats,
    change: Pixels | None = None,
) -> Pixels:
    """Return the variance of a merge beyond noise, relative, by blocks (3, rows, columns).

    Parameters
    ----------
    sums : Coarse
        Of all frames.
    frames : sequence of MergeFrame
    taps : Taps
    sharp : ndarray of float32, shape (3, h, w)
        As `limbward.radiance.merge.add_frames` takes it.
    place : ndarray, shape (3,)
        Scale and shifts from pixels of the result to the small grid.
    change : ndarray of float32, shape (h, w), optional
        Standard deviation, relative, of the frames' transmission. What a cloud does to all of them
        alike is not mended, and about as large as what changes.

    Notes
    -----
    A frame's value has the variance of its noise and a common ``q`` besides. The squares about the
    weighted mean are then larger than the noise makes them by ``q * (W - sum w**2 / W)``, and the
    mean has ``q * sum w**2 / W**2`` more (the moments of R. DerSimonian and N. Laird, Controlled
    Clinical Trials 7 (1986) 177). Where one frame only has any weight nothing can be seen.
    """
    weights = [f.weight for f in frames]
    share = 1.0 / np.maximum(effective_number(weights), 1.0) * _unequal(taps, sharp)
    fixed = _pattern(frames, taps, share)
    rows, columns = sums.scatter.shape[1:]
    y, x = np.meshgrid(_middles(rows), _middles(columns), indexing="ij")
    at = np.stack([place[0] * y + place[2], place[0] * x + place[1]])
    out = np.empty(sums.scatter.shape, np.float32)
    for c in range(3):
        own = np.minimum(map_coordinates(share[c], at, order=1, mode="nearest"), 1.0)
        weight, light = sums.weight[c], sums.light[c]
        known = (weight > 0) & (light > 0)
        level = np.where(known, light / np.where(known, weight, 1.0), 1.0)
        noise = (1.0 + NOISE_SURE) * sums.expected[c].astype(np.float64)
        beyond = (sums.scatter[c] - noise) / level**2 * known
        room = uniform_filter(weight * (1.0 - own), SMOOTH)
        q = np.where(room > 0, uniform_filter(beyond, SMOOTH) / np.where(room > 0, room, 1.0), 0.0)
        shared = map_coordinates(fixed[c], at, order=1, mode="nearest")
        out[c] = np.maximum(q, 0.0) * own + shared
        if change is not None:
            out[c] += map_coordinates(change, at, order=1, mode="nearest") ** 2
    return out


def widen(sigma: Pixels, radiance: Pixels, relative: Pixels) -> None:
    """Add relative variances, given by blocks, to the standard deviations of a picture, in place.

    Parameters
    ----------
    sigma, radiance : ndarray of float32, shape (3, H, W)
    relative : ndarray of float32, shape (3, rows, columns)
        Of `beyond_noise`.
    """
    rows, columns = relative.shape[1:]
    x, middles = np.arange(sigma.shape[2]), _middles(columns)
    for c in range(3):
        across = np.array([np.interp(x, middles, line) for line in relative[c]], np.float32)
        for y in range(sigma.shape[1]):
            if y % ROWS == 0:
                let_go(sigma, radiance)
            v = min(max((y - _middles(1)[0]) / BLOCK, 0.0), rows - 1.0)
            i = min(int(v), max(rows - 2, 0))
            j = min(i + 1, rows - 1)
            more = across[i] + np.float32(v - i) * (across[j] - across[i])
            more *= np.square(radiance[c, y])
            more += np.square(sigma[c, y])
            np.sqrt(more, out=sigma[c, y])
        let_go(sigma, radiance)


def _middles(n: int) -> Floats:
    return np.asarray((np.arange(n) + 0.5) * BLOCK - 0.5)


def _blocks(image: Pixels) -> Floats:
    # Strided sums take a third of the time of one along the columns.
    down = np.zeros((-(-image.shape[0] // BLOCK), image.shape[1]))
    for k in range(BLOCK):
        part = image[k::BLOCK]
        down[: len(part)] += part
    return np.asarray(np.add.reduceat(down, np.arange(0, image.shape[1], BLOCK), axis=1))


def _unequal(taps: Taps, sharp: Pixels) -> Floats:
    """Return by how much the taps' unequal powers reduce the number of frames that count."""
    out = np.empty(sharp.shape)
    for c in range(3):
        p = taps.power[..., c].astype(np.float64).ravel()
        plain, peaked = 1.0 / p, float(SHARPER) * p**3
        s = sharp[c].astype(np.float64)
        mean = (1.0 - s) * plain.mean() + s * peaked.mean()
        square = (1.0 - s) ** 2 * (plain**2).mean() + s**2 * (peaked**2).mean()
        square += 2.0 * s * (1.0 - s) * (plain * peaked).mean()
        out[c] = square / mean**2
    return out


def _pattern(frames: Sequence[MergeFrame], taps: Taps, share: Floats) -> Floats:
    """Return the relative variance of the sensor's pattern that frames share, (3, h, w).

    What they do not share is part of each frame's noise.
    """
    spread2 = float(np.mean([f.noise.spread**2 for f in frames]))
    if spread2 <= 0.0:
        return np.zeros(share.shape)
    height, width = share.shape[1:]
    rows, columns = np.arange(0, height, COARSE), np.arange(0, width, COARSE)
    coarse = np.array([f.weight[:, rows][:, :, columns] for f in frames], np.float64)
    shift = np.array([f.affine[:, 2] for f in frames])
    apart2 = ((shift[:, None] - shift[None]) ** 2).sum(axis=2)
    alike = np.exp(-apart2 / (2.0 * SHARED_PX**2))
    n = len(frames)
    flat = coarse.reshape(n, -1)
    total = flat.sum(axis=0)
    together = (flat * (alike @ flat)).sum(axis=0) / np.where(total > 0, total, 1.0) ** 2
    together = together.reshape(3, len(rows), len(columns))
    y, x = np.indices((height, width), dtype=np.float64) / COARSE
    out = np.empty(share.shape)
    for c in range(3):
        common = map_coordinates(together[c], np.stack([y, x]), order=1, mode="nearest")
        power = float(taps.power[..., c].mean())
        out[c] = np.maximum(common - share[c], 0.0) * spread2 * power
    return out
