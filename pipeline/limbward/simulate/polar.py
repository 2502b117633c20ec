"""Heights and angles about the Sun and the mean corona there, for a line of pixels at a time.

Written without branches and calls, so that one operation serves four pixels: the library's arc
tangent, logarithm and roots, one pixel after the other, took half of the time of painting.
"""

from __future__ import annotations

import math
from typing import Any

from limbward.compiled import kernel
from limbward.geometry.law import FACTORS as LAW
from limbward.geometry.law import UNIT as LAW_UNIT
from limbward.simulate.corona import HEIGHTS, OUTER

TURN = 1.0 / (2.0 * math.pi)
PER_LOG = (HEIGHTS - 1) / math.log(OUTER)  # rows of the corona's table
# Arc tangent of t over t in powers of t^2, from 0 to 1: a fit at Chebyshev's points, within 1e-11.
ARCTAN = (
    *(0.999999999990, -0.333333329951, 0.199999803539, -0.142852624959, 0.111056562188),
    *(-0.090511374017, 0.075022318697, -0.060385495755, 0.043902885718, -0.026271591794),
    *(0.011602334493, -0.003261490225, 0.000430165480),
)
STEP = math.sqrt(OUTER)  # four of these factors reach from 1 to the square of ``OUTER``
RADIUS, ROW, MEAN, ANGLE = range(4)  # lines that `polar_line` fills


def _turn_kernel(e: float, n: float) -> float:
    """Return the angle from north through east, in turns from -1/2 to 1/2, to 1e-11."""
    a, b = abs(e), abs(n)
    t = min(a, b) / max(a, b)
    t2 = t * t
    total = ARCTAN[12]
    for k in range(11, -1, -1):
        total = total * t2 + ARCTAN[k]
    turn = total * t * TURN
    turn += (a > b) * (0.25 - 2.0 * turn)
    turn += (n < 0.0) * (0.5 - 2.0 * turn)
    return turn * (1.0 - 2.0 * (e < 0.0))


turn_of = kernel(inline="always")(_turn_kernel)


def _log_kernel(square: float) -> float:
    """Return the logarithm of the root of a number from 1 to the square of ``OUTER``, to 1e-11."""
    far = square > OUTER
    square *= 1.0 - far * (1.0 - 1.0 / OUTER)
    half = square > STEP
    square *= 1.0 - half * (1.0 - 1.0 / STEP)
    near = math.sqrt(STEP)
    s = (square - near) / (square + near)
    s2 = s * s
    total = 1.0 / 17.0
    for k in range(15, 0, -2):
        total = total * s2 + 1.0 / k
    return float(s * total + math.log(STEP) * (0.25 + far + 0.5 * half))


_log = kernel(inline="always")(_log_kernel)


def _line_kernel(y: int, place: Any, lines: Any) -> None:
    """Fill lines for the pixels of row ``y``.

    They are the distance from the Sun's centre in arcsec, the row in the corona's table, the mean
    corona, and the angle from the Sun's north in turns from 0 to 1.
    """
    a, sun_r = place.to_sky, place.sun_radius
    dy = y - place.sun_y
    for x in range(lines.shape[1]):
        dx = x - place.sun_x
        e = a[0, 0] * dx + a[0, 1] * dy
        n = a[1, 0] * dx + a[1, 1] * dy
        square = e * e + n * n + 1e-18
        lines[RADIUS, x] = math.sqrt(square)
        square = max(square / (sun_r * sun_r), 1.0)
        i2 = 1.0 / square
        i1 = math.sqrt(i2)
        i6 = i2 * i2 * i2
        far = LAW[0] * i2 * math.sqrt(i1)
        lines[MEAN, x] = LAW_UNIT * (far + i1 * i6 * (LAW[1] + LAW[2] * i6 * i2 * i2))
        lines[ROW, x] = PER_LOG * _log(min(square, OUTER * OUTER))
        angle = turn_of(e, n) - place.axis
        lines[ANGLE, x] = angle - math.floor(angle)


polar_line = kernel(fastmath=True, inner=True)(_line_kernel)
