"""The strip along the horizon and the brightness of the sky, as pictures with axes."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from numpy.typing import NDArray

from limbward.landscape.brightness import SkyCurve, Strip

Floats = NDArray[np.float64]

PAPER, INK, FAINT = "#101214", "#e6e2d4", "#8a8a86"
FIRST, SECOND = "#7fb4e6", "#f0a860"
DPI = 150
DEPTH = 6.0  # times the darkest that is drawn black: totality is dark, not black


def _figure(width: float, height: float, panels: int) -> tuple[Figure, list[Axes]]:
    figure = Figure(figsize=(width, height), dpi=DPI, facecolor=PAPER, layout="constrained")
    axes = figure.subplots(1, panels, squeeze=False)[0]
    for axis in axes:
        axis.set_facecolor(PAPER)
        axis.tick_params(colors=INK, labelsize=8)
        for spine in axis.spines.values():
            spine.set_color(FAINT)
    return figure, list(axes)


def _words(axis: Axes, x: str, y: str, title: str) -> None:
    axis.set_xlabel(x, color=INK, fontsize=9)
    axis.set_ylabel(y, color=INK, fontsize=9)
    axis.set_title(title, color=INK, fontsize=10, loc="left")


def _bytes(figure: Figure) -> NDArray[np.uint8]:
    canvas: Any = FigureCanvasAgg(figure)  # its functions have no types
    canvas.draw()
    return np.asarray(canvas.buffer_rgba())[..., :3].copy()


def horizon_chart(strip: Strip, contacts: tuple[float, float] | None) -> NDArray[np.uint8]:
    """Return the strip: azimuth to the right, time downwards.

    Parameters
    ----------
    strip : Strip
    contacts : tuple of float or None
        Second and third contact, minutes from greatest eclipse.
    """
    azimuth, minutes, colours = strip.azimuth, strip.t / 60.0, strip.colours
    light = np.nanmean(colours, axis=1)
    low, high = np.nanquantile(light[light > 0], (0.01, 0.995))
    low = low / DEPTH
    with np.errstate(invalid="ignore", divide="ignore"):
        # Logarithmic: totality is a thousand times darker, and both ends are to be seen.
        shown = np.log(np.maximum(light, low) / low) / np.log(high / low)
        colour = colours / np.maximum(np.nanmax(colours, axis=1, keepdims=True), 1e-12)
    picture = np.moveaxis(0.06 + 0.94 * shown[:, None] * np.sqrt(colour), 1, -1)
    picture = np.clip(np.nan_to_num(picture, nan=0.07), 0.0, 1.0)
    figure, (axis,) = _figure(10.0, 6.0, 1)
    extent = (azimuth[0], azimuth[-1], minutes[-1], minutes[0])
    axis.imshow(picture, aspect="auto", extent=extent, interpolation="nearest")
    for when in contacts or ():
        if minutes[0] < when < minutes[-1]:
            axis.axhline(when, color=SECOND, linewidth=0.8, linestyle="--")
    axis.xaxis.set_major_formatter(lambda v, _: f"{v % 360:.0f}°")
    _words(
        axis, "azimuth", "minutes from greatest eclipse", "Sky along the horizon, 1.5 to 6° high"
    )
    return _bytes(figure)


def brightness_chart(curve: SkyCurve, contacts: tuple[float, float] | None) -> NDArray[np.uint8]:
    """Return the curve of the sky's brightness, and beside it a map of one frame.

    Parameters
    ----------
    curve : SkyCurve
    contacts : tuple of float or None
        Second and third contact, minutes from greatest eclipse.
    """
    minutes, surface = curve.t / 60.0, curve.surface
    figure, axes = _figure(11.0, 4.4, 1 if surface is None else 2)
    axis = axes[0]
    for values, colour, words in (
        (curve.high, FIRST, "above 10°"), (curve.low, SECOND, "1.5 to 6° above the horizon"),
    ):  # fmt: skip
        known = np.isfinite(values)
        axis.plot(minutes[known], values[known], ".-", color=colour, label=words, markersize=4)
    for when in contacts or ():
        axis.axvline(when, color=FAINT, linewidth=0.8, linestyle="--")
    if curve.calibrated:
        axis.invert_yaxis()
        unit = "magnitudes per square arcsecond"
    else:
        axis.set_yscale("log")
        unit = "brightness, relative"
    axis.legend(frameon=False, labelcolor=INK, fontsize=8)
    _words(axis, "minutes from greatest eclipse", unit, "Brightness of the sky")
    if surface is not None:
        bright, dark = np.nanquantile(surface, (0.01, 0.99))
        shown = axes[1].imshow(surface, cmap="viridis_r", vmin=bright, vmax=dark)
        bar = figure.colorbar(shown, ax=axes[1], shrink=0.8)
        bar.ax.tick_params(colors=INK, labelsize=8)
        bar.ax.invert_yaxis()
        axes[1].set_xticks([])
        axes[1].set_yticks([])
        _words(axes[1], "", "", "In totality, magnitudes per square arcsecond")
    return _bytes(figure)
