"""The mean corona: weighted sums of all stations, joined as a tree.

`Sums` of any stations over any rows are added up in any grouping; whoever holds them holds three
planes, however many stations there are.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import reduce
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from limbward.campaign.view import Floats, Pixels

Item = TypeVar("Item")


@dataclass
class Sums:
    """Sums over stations, in rows of the common grid.

    Attributes
    ----------
    light, weight : ndarray of float64, shape (3, n, W)
        Weighted light, and weights (inverse variances).
    square : ndarray of float64, shape (3, n, W)
        Weighted squares of the light.
    count : ndarray of uint16, shape (n, W)
        Stations.
    """

    light: Floats
    weight: Floats
    square: Floats
    count: NDArray[np.uint16]

    @classmethod
    def of(cls, light: Pixels, sigma: Pixels) -> Sums:
        """Return those of one station.

        Parameters
        ----------
        light, sigma : ndarray, shape (3, n, W)
            On the common scale; NaN where there is no value.
        """
        with np.errstate(invalid="ignore", divide="ignore"):
            good = np.isfinite(light) & np.isfinite(sigma) & (sigma > 0)
            weight = np.where(good, 1.0 / np.square(sigma, dtype=float), 0.0)
        value = np.where(good, light, 0.0).astype(float)
        return cls(weight * value, weight, weight * value**2, _counted(good))

    def __add__(self, other: Sums) -> Sums:
        return Sums(
            self.light + other.light,
            self.weight + other.weight,
            self.square + other.square,
            np.asarray(self.count + other.count, np.uint16),
        )

    def result(self) -> tuple[Pixels, Pixels, NDArray[np.uint16], float]:
        """Return the mean, its sigma, the count, and the median reduced chi-square.

        NaN where no station has a value. Sigma is that of the weights; where the chi-square of all
        rows together is above 1, stations differ by more than they say, and sigma is too small by
        its root.
        """
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = np.where(self.weight > 0, self.light / self.weight, np.nan)
            sigma = np.where(self.weight > 0, 1.0 / np.sqrt(self.weight), np.nan)
            chi2 = self.square - self.light**2 / self.weight
            reduced = chi2 / np.maximum(self.count - 1.0, 1.0)
            # Half of all chi-squares lie below this part of their mean (E. B. Wilson, M. M.
            # Hilferty, PNAS 17 (1931) 684): 0.70 with three stations, 0.97 with nine.
            half = (1.0 - 2.0 / (9.0 * np.maximum(self.count - 1.0, 1.0))) ** 3
            told = (reduced / half)[:, self.count >= 3]
        misfit = float(np.nanmedian(told)) if np.isfinite(told).any() else np.nan
        return mean.astype(np.float32), sigma.astype(np.float32), self.count, misfit


def _counted(good: NDArray[np.bool_]) -> NDArray[np.uint16]:
    return np.asarray(good.all(axis=0), np.uint16)


def on_scale(
    light: NDArray[Any], sigma: NDArray[Any], gain: Floats, offset: Floats, misfit: Floats
) -> tuple[Pixels, Pixels]:
    """Return a station's light and its sigma on the common scale.

    Parameters
    ----------
    light, sigma : ndarray, shape (3, n, W)
    gain, offset, misfit : ndarray, shape (3,)
        Of each colour; see `limbward.campaign.scale.Scales`. The misfit is part of the sigma, so
        that a station whose corona is uneven counts for less where its noise is small.
    """
    g, o, m = (np.asarray(v, np.float32)[:, None, None] for v in (gain, offset, misfit))
    out = g * light + o
    return out, np.sqrt(np.square(g * sigma) + np.square(m * out))


def as_tree(items: Iterable[Item], join: Callable[[Item, Item], Item]) -> Item:
    """Return items joined in pairs, the pairs in pairs and so on; only a few are held at a time.

    The order of joining follows from the number of items alone, so the result is the same bytes
    whoever computes which part.

    Examples
    --------
    >>> as_tree("abcde", lambda x, y: f"({x}{y})")
    '(((ab)(cd))e)'
    """
    held: list[tuple[int, Item]] = []  # how many levels deep, and what was joined
    for item in items:
        held.append((0, item))
        while len(held) > 1 and held[-1][0] == held[-2][0]:
            level, right = held.pop()
            _, left = held.pop()
            held.append((level + 1, join(left, right)))
    if not held:
        raise ValueError("there is nothing to join")
    rest = [item for _, item in reversed(held)]
    return reduce(lambda right, left: join(left, right), rest)
