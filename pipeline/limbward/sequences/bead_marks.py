"""Ticks and angles at beads on a strip."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from limbward.sequences.beads import Bead
from limbward.sequences.canvas import Canvas, Label
from limbward.sequences.cut import View

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]

# Ticks, in lunar radii from the centre: observed beads outside the limb, expected ones on the Moon.
OBSERVED_AT, EXPECTED_AT = np.array([1.03, 1.2]), np.array([0.84, 0.92])
OBSERVED = np.full(3, 0.8, np.float32)
EXPECTED = np.array([0.25, 0.62, 0.85], np.float32)  # blue, which no bead is
LABEL = 1.75  # heights: half the width of an angle with its degree sign


def mark_observed(
    canvas: Canvas, beads: Sequence[Bead], view: View, x: float, y: float, radius: float
) -> None:
    """Put a tick and the angle outside the limb at each bead that was found.

    Parameters
    ----------
    canvas : Canvas
    beads : sequence of Bead
    view : View
        Of the cut that stands there.
    x, y : float
        Of the Moon's centre on the canvas, pixels.
    radius : float
        Of the Moon, pixels.
    """
    height = max(10.0, 0.04 * view.side)
    placed: list[tuple[float, float]] = []
    for bead in sorted(beads, key=lambda bead: -bead.light):  # the brightest keep their places
        ux, uy = _tick(canvas, view, bead.position_angle, x, y, radius * OBSERVED_AT, OBSERVED)
        # No further out than the cell and the strip are wide.
        half = LABEL * height
        reach = min(1.32 * radius * abs(ux), 0.5 * view.side - half)
        tx = max(x + math.copysign(reach, ux), half)
        ty = y + uy * 1.27 * radius - 0.5 * height
        while any(abs(tx - a) < 2.0 * half and abs(ty - b) < 0.95 * height for a, b in placed):
            ty += math.copysign(0.2 * height, uy)
        placed.append((tx, ty))
        canvas.labels.append(Label(f"{bead.position_angle:.1f}°", tx, ty, height))


def mark_expected(
    canvas: Canvas, beads: Sequence[Bead], view: View, x: float, y: float, radius: float
) -> None:
    """Put a tick on the Moon at each bead that its limb makes; see `mark_observed`."""
    for bead in beads:
        _tick(canvas, view, bead.position_angle, x, y, radius * EXPECTED_AT, EXPECTED)


def _tick(
    canvas: Canvas, view: View, angle: float, x: float, y: float, reach: Floats, colour: Pixels
) -> tuple[float, float]:
    """Draw a line from the disc's centre outwards; return its direction."""
    ux, uy = (float(d) for d in view.orientation.towards(angle))
    for step in np.linspace(reach[0], reach[1], 24):
        row, column = round(y + uy * step), round(x + ux * step)
        if 0 <= row < canvas.picture.shape[1] and 0 <= column < canvas.picture.shape[2]:
            canvas.picture[:, row, column] = colour
    return ux, uy
