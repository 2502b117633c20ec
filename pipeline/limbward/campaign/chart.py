"""Pictures of a campaign: where its stations stood, the mean corona, and how it changed."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from limbward.campaign.cells import Cells
from limbward.campaign.motion import Changes
from limbward.campaign.view import Floats, Pixels, View

FILM_SIDE = 480  # pixels
SPAN = 0.06  # relative change that is shown black and white


@dataclass(frozen=True)
class Stand:
    """A station on the map.

    Attributes
    ----------
    name : str
    latitude, longitude : float
        Degrees north and east.
    quality : float
        Noise of its corona relative to the best station's; NaN if it has none.
    """

    name: str
    latitude: float
    longitude: float
    quality: float


def map_of(stands: Sequence[Stand]) -> bytes:
    """Return a map of the stations as PNG: coloured by noise, crosses where there is no corona."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8.0, 5.0), dpi=110, layout="constrained")
    axes = figure.subplots()
    have = [s for s in stands if np.isfinite(s.quality)]
    rest = [s for s in stands if not np.isfinite(s.quality)]
    if have:
        dots = axes.scatter(
            [s.longitude for s in have], [s.latitude for s in have],
            c=[s.quality for s in have], cmap="viridis_r", s=60, edgecolors="black", zorder=3,
            vmin=1.0, vmax=max(2.0, *(s.quality for s in have)),
        )  # fmt: skip
        figure.colorbar(dots, ax=axes, label="noise of the corona, the quietest station = 1")
    if rest:
        axes.scatter(
            [s.longitude for s in rest], [s.latitude for s in rest],
            marker="x", color="firebrick", s=50, label="no corona", zorder=3,
        )  # fmt: skip
        axes.legend(loc="best")
    if len(stands) <= 40:  # more names would lie on each other
        for s in stands:
            axes.annotate(
                s.name, (s.longitude, s.latitude), xytext=(5, 5), textcoords="offset points",
                fontsize=8,
            )  # fmt: skip
    axes.set_xlabel("longitude, degrees east")
    axes.set_ylabel("latitude, degrees north")
    axes.margins(0.15)
    axes.locator_params(nbins=6)
    axes.grid(alpha=0.3)
    middle = np.mean([s.latitude for s in stands]) if stands else 0.0
    axes.set_aspect(1.0 / max(np.cos(np.radians(middle)), 0.1), adjustable="datalim")
    out = io.BytesIO()
    figure.savefig(out, format="png", metadata={"Software": None})
    return out.getvalue()


def flattened(light: Pixels, view: View) -> NDArray[np.uint8]:
    """Return a corona for the eye: at each distance, mean and spread made alike.

    Parameters
    ----------
    light : ndarray, shape (3, S, S)
    view : View

    Returns
    -------
    ndarray of uint8, shape (S, S, 3)

    References
    ----------
    H. Morgan, S. R. Habbal, R. Woo, Sol. Phys. 236 (2006) 263: the normalising radial filter.
    """
    west, north = view.places()
    rho = np.hypot(west, north)
    width = max(view.step * 2.0, 0.01)
    out = np.zeros((*rho.shape, 3), np.uint8)
    for c, plane in enumerate(light):
        good = np.isfinite(plane) & (rho > 1.0)
        value = np.where(good, plane, 0.0).astype(float)
        mean = _around(value, good, rho, width)
        mean *= _around(value / mean, good, rho, width)  # a ring's mean is not that of its middle
        away = value - mean
        spread = np.sqrt(_around(away**2, good, rho, width))
        shown = np.clip(0.45 + away / spread / 5.0, 0.0, 1.0)
        out[..., c] = np.where(good, 255.0 * shown, 0.0).astype(np.uint8)
    return out


def _around(value: Floats, good: NDArray[np.bool_], rho: Floats, width: float) -> Floats:
    """Return the mean over rings, straight between them in its logarithm: no ring's edge shows."""
    bins = (rho / width).astype(int)
    number = np.bincount(bins[good], minlength=bins.max() + 1)
    mean = np.bincount(bins[good], value[good], bins.max() + 1) / np.maximum(number, 1)
    known = (number > 0) & (mean > 0)
    if not known.any():
        return np.ones(rho.shape)
    middle = np.bincount(bins[good], rho[good], bins.max() + 1)[known] / number[known]
    return np.asarray(np.exp(np.interp(rho, middle, np.log(mean[known]))))


def change_frames(
    found: Changes, cells: Cells, labels: Sequence[str]
) -> Iterator[NDArray[np.uint8]]:
    """Yield the pictures of a film of changes, in the order of time, solar north up.

    Parameters
    ----------
    found : Changes
    cells : Cells
    labels : sequence of str
        Of each time.

    Yields
    ------
    ndarray of uint8, shape (480, 480, 3)
        Grey is the mean corona, white is brighter by 6 %, black fainter; dark blue is not seen.
    """
    from PIL import Image, ImageDraw

    side = FILM_SIDE
    step = 2.0 * cells.outer / side
    y, x = np.mgrid[:side, :side]
    west, north = (x - (side - 1) / 2) * step, ((side - 1) / 2 - y) * step
    rho, angle = np.hypot(west, north), np.arctan2(-west, north) / (2 * np.pi) % 1.0
    r = np.floor((rho - cells.inner) / cells.step).astype(int)
    a = np.floor(angle * cells.angles).astype(int) % cells.angles
    inside = (r >= 0) & (r < cells.radii)
    r = np.clip(r, 0, cells.radii - 1)
    for value, label in zip(found.value, labels, strict=True):
        seen = np.where(inside, value[r, a], np.nan)
        grey = np.clip(127.5 + 127.5 * np.nan_to_num(seen) / SPAN, 0, 255).astype(np.uint8)
        picture = np.repeat(grey[..., None], 3, axis=2)
        picture[~np.isfinite(seen)] = (0, 0, 40)
        image = Image.fromarray(picture)
        ImageDraw.Draw(image).text((8, side - 20), label, fill=(255, 255, 200))
        yield np.asarray(image)
