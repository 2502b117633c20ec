"""Prominences: the red light of hydrogen above the Sun's limb, found and measured."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label, map_coordinates, median_filter

from limbward.geometry.orientation import Orientation
from limbward.sequences.edges import Unrolled, end_sigma, ends
from limbward.sky.ephemeris import ARCSEC

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]

# What counts as a prominence is redder than the corona by this part of the corona's light there.
# The ratio needs no calibration, and neither thin cloud nor the exposure changes it.
RED_EXCESS = 0.5
# A prominence shines in green as well, a tenth or two of its red; the corona behind it is what the
# limb shows some degrees beside.
BESIDE_DEG, BESIDE_STEP = 6.0, 20
LEAST_HEIGHT_ARCSEC = 6.0  # the chromosphere reaches 2 to 4 arcsec everywhere
CHROMOSPHERE_ARCSEC = 4.0
EDGE_PX = 3.0  # a blurred limb is about this wide
ARCSEC_PER_DEG = 16.7  # along the Sun's limb
TOP_ARCSEC = 240.0  # looked for up to here: 175 000 km
STEP_ARCSEC, STEPS_PER_PIXEL = 0.25, 6.0
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
        Its greatest light: in white light the red excess, in units of the corona beside it.
    moon_arcsec : float
        Height of the Moon's limb above the Sun's there, when it was lowest in totality; NaN where
        that is not known.
    sigma_arcsec : float
        Standard error of the height, from `limbward.sequences.edges.end_sigma`; NaN where not
        known.
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


def heights_of(scale_arcsec: float) -> Floats:
    """Return the heights of an unrolled picture, arcsec: six a pixel, at most four an arcsec."""
    return np.arange(0.0, TOP_ARCSEC, max(STEP_ARCSEC, scale_arcsec / STEPS_PER_PIXEL))


def excess_map(
    linear: Pixels,
    sun: tuple[float, float],
    sun_radius: float,
    scale_arcsec: float,
    up_position_angle: float,
    blur_px: float = 0.0,
) -> Unrolled:
    """Return the red excess above the Sun's limb, unrolled: (R - G) over the corona behind.

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
    blur_px : float
        Of the picture, standard deviation; 0 where it is finer than the steps of height.
    """
    angle = np.arange(0.0, 360.0, STEP_DEG)
    height = heights_of(scale_arcsec)
    r = sun_radius + height / scale_arcsec
    dx, dy = Orientation(scale_arcsec, up_position_angle).towards(angle)
    at = [sun[1] + dy[:, None] * r, sun[0] + dx[:, None] * r]

    def unrolled(plane: Pixels) -> Floats:
        return np.asarray(
            map_coordinates(plane, at, order=1, mode="constant", cval=np.nan, output=np.float64)
        )

    green = unrolled(linear[1])
    behind = np.where(green > 0, np.fmin(green, _beside(green)), np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        light = unrolled(linear[0] - linear[1]) / behind
    # Not sharpened: beside the Moon, where nothing is known, that leaves waves higher than the
    # least, and a contour's end is found as well without.
    pixel = scale_arcsec if blur_px else 0.0
    blur = scale_arcsec * blur_px
    return Unrolled(angle, height, light, RED_EXCESS, pixel, blur, contour=True)


def _beside(green: Floats) -> Floats:
    """Return the middle of the green some degrees to both sides, at each height."""
    some = green[::BESIDE_STEP]
    size = 2 * round(BESIDE_DEG / (STEP_DEG * BESIDE_STEP)) + 1
    # Where the Moon's limb is about, there is none beside: it is the least there.
    found = median_filter(np.nan_to_num(some, nan=np.inf), (size, 1), mode="wrap")
    return np.repeat(np.where(np.isfinite(found), found, np.nan), BESIDE_STEP, axis=0)


def find_prominences(unrolled: Unrolled) -> list[Prominence]:
    """Find prominences in light above the limb.

    Parameters
    ----------
    unrolled : Unrolled
        Such as from `excess_map`. What reaches no further than three pixels above the lowest place
        in sight is the chromosphere spread over the Moon's limb. Where the Moon always covered the
        chromosphere by more than that, it is enough to stand out by half a pixel.

    Returns
    -------
    list of Prominence
        The highest first. Those cut off by the edge of what was seen are among them only if their
        top is in sight.
    """
    angle, height, light = unrolled.angle, unrolled.height, unrolled.light
    pixel = unrolled.pixel_arcsec
    # What floats above the limb belongs to what is below it, if that is near.
    reach = ends(unrolled, light, unrolled.least, unrolled.blur_arcsec)
    lowest = height[np.argmax(np.isfinite(light), axis=1)]
    edge = EDGE_PX * pixel
    floor = np.maximum(CHROMOSPHERE_ARCSEC + edge, lowest + 0.5 * pixel)
    least = max(LEAST_HEIGHT_ARCSEC, unrolled.limb_arcsec)
    high = (reach > least) & (reach > np.minimum(lowest + edge, floor))
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
        if members.size < max(3.0, pixel / (STEP_DEG * ARCSEC_PER_DEG)):
            continue
        k = int(members[np.argmax(reach[members])])
        found.append(
            Prominence(
                float(angle[k]),
                float(angle[members[0]]),
                float(angle[members[-1]]),
                float(reach[k]),
                float(np.nanmax(light[members][:, height > LEAST_HEIGHT_ARCSEC])),
                sigma_arcsec=end_sigma(unrolled, members, reach),
            )
        )
    return sorted(found, key=lambda p: -p.height_arcsec)
