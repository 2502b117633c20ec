"""Prominences: the red light of hydrogen above the Sun's limb, found and measured."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label, map_coordinates

from limbward.geometry.orientation import Orientation
from limbward.sky.ephemeris import ARCSEC

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]

# A prominence ends where its red excess over the green is this part of the corona's light there.
# The ratio needs no calibration, and neither thin cloud nor the exposure changes it.
RED_EXCESS = 0.5
LEAST_HEIGHT_ARCSEC = 6.0  # the chromosphere reaches 2 to 4 arcsec everywhere
CHROMOSPHERE_ARCSEC = 4.0
EDGE_PX = 3.0  # a blurred limb is about this wide
ARCSEC_PER_DEG = 16.7  # along the Sun's limb
TOP_ARCSEC = 240.0  # looked for up to here: 175 000 km
STEP_ARCSEC = 0.25
STEP_DEG = 0.05
JOIN_DEG = 0.8  # what is nearer together is one


@dataclass(frozen=True)
class Prominence:
    """One prominence.

    Attributes
    ----------
    position_angle : float
        Of its highest point, degrees from celestial north through east.
    first, last : float
        Position angles between which it reaches above the chromosphere, degrees.
    height_arcsec : float
        Above the Sun's limb, of its highest point.
    excess : float
        Its greatest red excess, in units of the corona beside it.
    moon_arcsec : float
        Height of the Moon's limb above the Sun's there, when it was lowest in totality; NaN where
        that is not known.
    sigma_arcsec : float
        Standard error of the height: noise over the slope of the red, and the blur, which makes
        what is bright higher than it is; NaN where not known.
    """

    position_angle: float
    first: float
    last: float
    height_arcsec: float
    excess: float
    moon_arcsec: float = math.nan
    sigma_arcsec: float = math.nan

    @property
    def seen_arcsec(self) -> float:
        """Its height above the Moon's limb at the lowest: so much of it can have been seen."""
        return self.height_arcsec - self.moon_arcsec

    def thousand_km(self, km_per_arcsec: float) -> float:
        """Return the height in thousand km."""
        return self.height_arcsec * km_per_arcsec / 1000.0

    def entry(self, km_per_arcsec: float) -> dict[str, Any]:
        """Return place and height, for other programs."""
        return {
            "position_angle": round(self.position_angle, 2),
            "from_position_angle": round(self.first, 2),
            "to_position_angle": round(self.last, 2),
            "height_arcsec": round(self.height_arcsec, 2),
            "height_sigma_arcsec": (
                round(self.sigma_arcsec, 2) if math.isfinite(self.sigma_arcsec) else None
            ),
            "height_thousand_km": round(self.thousand_km(km_per_arcsec), 2),
        }

    def words(self, km_per_arcsec: float) -> str:
        """Return position angle and heights."""
        seen = "" if math.isnan(self.moon_arcsec) else f", {self.seen_arcsec:.1f} above the Moon"
        return (
            f"position angle {self.position_angle:.1f}°, {self.height_text()} arcsec "
            f"({self.thousand_km(km_per_arcsec):.0f} thousand km) high{seen}"
        )

    def height_text(self) -> str:
        """Return the height in arcsec with its error, if that is known."""
        error = f" ± {self.sigma_arcsec:.1f}" if math.isfinite(self.sigma_arcsec) else ""
        return f"{self.height_arcsec:.1f}{error}"


def km_per_arcsec(distance_m: float) -> float:
    """Return how many kilometres an arcsecond is at a distance in metres, such as the Sun's."""
    return distance_m / 1000.0 / ARCSEC


def excess_map(
    linear: Pixels,
    sun: tuple[float, float],
    sun_radius: float,
    scale_arcsec: float,
    up_position_angle: float,
) -> tuple[Floats, Floats, Floats]:
    """Return the red excess above the Sun's limb, unrolled.

    Parameters
    ----------
    linear : ndarray, shape (3, H, W)
        White-balanced on the corona, R, G, B; NaN where there is no value.
    sun : tuple of float
        Centre (x, y), pixels.
    sun_radius : float
        Pixels.
    scale_arcsec, up_position_angle : float
        Of the picture, which is not mirrored.

    Returns
    -------
    angle, height : ndarray
        Degrees from celestial north through east; arcsec above the limb.
    excess : ndarray, shape (A, H)
        (R - G) / G; NaN where there is no value.
    """
    angle = np.arange(0.0, 360.0, STEP_DEG)
    height = np.arange(0.0, TOP_ARCSEC, STEP_ARCSEC)
    r = sun_radius + height / scale_arcsec
    dx, dy = Orientation(scale_arcsec, up_position_angle).towards(angle)
    x = sun[0] + dx[:, None] * r
    y = sun[1] + dy[:, None] * r
    red, green = (
        map_coordinates(plane, [y, x], order=1, mode="constant", cval=np.nan, output=np.float64)
        for plane in linear[:2]
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(green > 0, (red - green) / green, np.nan)
    return angle, height, ratio


def find_prominences(
    angle: Floats,
    height: Floats,
    excess: Floats,
    pixel_arcsec: float = 0.0,
    blur_arcsec: float = 0.0,
) -> list[Prominence]:
    """Find prominences in an unrolled map of the red excess.

    Parameters
    ----------
    angle, height, excess
        From `excess_map`.
    pixel_arcsec : float
        Of the picture. What reaches no further than three above the lowest place in sight is the
        chromosphere spread over the Moon's limb. Where the Moon always covered the chromosphere by
        more than that, it is enough to stand out by half a pixel.
    blur_arcsec : float
        Blur of the picture, standard deviation.

    Returns
    -------
    list of Prominence
        The highest first. Those cut off by the edge of what was seen are among them only if their
        top is in sight.
    """
    bright = np.nan_to_num(excess, nan=0.0) > RED_EXCESS
    # What floats above the limb belongs to what is below it, if that is near.
    tops = np.where(bright.any(axis=1), bright.shape[1] - 1 - np.argmax(bright[:, ::-1], axis=1), 0)
    reach = np.array([_top(height, excess[i], int(k)) if k else 0.0 for i, k in enumerate(tops)])
    lowest = height[np.argmax(np.isfinite(excess), axis=1)]
    edge = EDGE_PX * pixel_arcsec
    floor = np.maximum(CHROMOSPHERE_ARCSEC + edge, lowest + 0.5 * pixel_arcsec)
    high = (reach > LEAST_HEIGHT_ARCSEC) & (reach > np.minimum(lowest + edge, floor))
    if not high.any() or high.all():
        return []
    gap = max(1, round(JOIN_DEG / STEP_DEG))
    wide = np.convolve(np.concatenate([high[-gap:], high, high[:gap]]), np.ones(gap), "same") > 0
    start = int(np.argmin(wide[gap:-gap]))  # a place without any: the seam
    runs, count = label(np.roll(wide[gap:-gap], -start))
    found = []
    for n in range(1, count + 1):
        members = (np.flatnonzero(runs == n) + start) % angle.size
        members = members[high[members]]
        # A hot pixel is narrower than what a lens draws.
        if members.size < max(3.0, pixel_arcsec / (STEP_DEG * ARCSEC_PER_DEG)):
            continue
        k = int(members[np.argmax(reach[members])])
        light = excess[members][:, height > LEAST_HEIGHT_ARCSEC]
        found.append(
            Prominence(
                float(angle[k]),
                float(angle[members[0]]),
                float(angle[members[-1]]),
                float(reach[k]),
                float(np.nanmax(light)),
                sigma_arcsec=_height_sigma(height, excess, k, float(reach[k]), blur_arcsec),
            )
        )
    return sorted(found, key=lambda p: -p.height_arcsec)


def _top(height: Floats, column: Floats, k: int) -> float:
    """Return where the excess falls through the threshold above index ``k``, arcsec."""
    if k + 1 >= column.size or not np.isfinite(column[k + 1]):
        return 0.0  # its top is not in sight
    a, b = column[k] - RED_EXCESS, column[k + 1] - RED_EXCESS
    return float(height[k] + (height[1] - height[0]) * a / (a - b))


def _height_sigma(
    height: Floats, excess: Floats, at: int, top_arcsec: float, blur_arcsec: float
) -> float:
    """Return the standard error of a height.

    The noise is that of the excess around the limb at this height, where there is no prominence;
    the blur moves a contour by up to about its own width.
    """
    k = int(np.searchsorted(height, top_arcsec))
    around = slice(max(k - 4, 0), min(k + 5, height.size))
    quiet = excess[:, around]
    quiet = quiet[np.isfinite(quiet) & (np.abs(quiet) < RED_EXCESS / 2.0)]
    noise = 1.4826 * float(np.median(np.abs(quiet - np.median(quiet)))) if quiet.size else 0.0
    seen = np.isfinite(excess[at, around])
    if np.count_nonzero(seen) < 3:
        return math.nan
    slope = np.polyfit(height[around][seen], excess[at, around][seen], 1)[0]
    if not slope < 0.0:
        return math.nan
    return math.hypot(noise / -slope, 0.8 * blur_arcsec, (height[1] - height[0]) / 2.0)
