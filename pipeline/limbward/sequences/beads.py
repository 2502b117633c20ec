"""Beads and the diamond ring: where the photosphere shines over the Moon's limb, and should."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, map_coordinates

from limbward.geometry.angle import half_turn
from limbward.sequences.cut import View

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]

INSIDE_PX, OUTSIDE_PX = 8.0, 10.0  # of the Moon's limb: as far as a clipped bead spreads
STEP_PX = 0.5
# The corona at the limb has 3e-6 of the photosphere's brightness, prominences and the chromosphere
# ten times that, and of a bead that fills a hundredth of a pixel there are 3000 times. So a pixel
# this many times as bright as the corona is photosphere.
OVER_CORONA = 30.0
# Where the sensor's range ends below that, a clipped pixel is taken for photosphere down to here;
# below, prominences are clipped as well, and beads cannot be told.
CLIPPED_OVER_CORONA = 8.0
# What parts two beads, as a part of the brightest one's light: the edge of a clipped blob is a
# staircase of pixels with steps of half that.
LEAST_DIP = 0.12
EXPECTED_BLUR_PX = 1.5  # of air, lens and mosaic: what is nearer together runs into one
# An observed bead and an expected one are the same within this; beads are measured to 0.2 degrees
# rms, and at one contact the eight that stand alone longest are seldom nearer together.
SAME_DEG = 1.0


# Of a ring: what is a tenth as bright as the disc's limb is photosphere behind a filter, where
# nothing else shines. More than a pixel of it is no bead, and light along so much of the limb is
# the crescent that the ring grows from.
RING_LIT, RING_PX, CRESCENT_DEG = 0.1, 1.0, 30.0


@dataclass(frozen=True)
class Bead:
    """A bead.

    Attributes
    ----------
    position_angle : float
        About the Moon's centre, degrees from celestial north through east.
    light : float
        Along the radius, in pixels of the sensor's white, where a clipped pixel counts as one; of
        an expected bead, arcsec of photosphere.
    width_deg : float
        Along the limb, at half of its light.
    """

    position_angle: float
    light: float
    width_deg: float


@dataclass(frozen=True)
class Expected:
    """Beads that a limb makes in a frame, and those of one and two standard errors of its time."""

    beads: Sequence[Bead]
    in_doubt: Sequence[Bead]

    def near(self, position_angle: float) -> float | None:
        """Return the expected place of a bead, None if there is none within ``SAME_DEG``."""
        for beads in (self.beads, self.in_doubt):
            found = same_place((b.position_angle for b in beads), position_angle)
            if found is not None:
                return found
        return None


def limb_light(picture: Pixels, view: View, moon_radius: float) -> tuple[Floats, Floats, Floats]:
    """Return the light along the Moon's limb.

    Parameters
    ----------
    picture : ndarray, shape (3, S, S)
        Linear, the Moon's centre in the middle; clipped pixels 1 or more.
    view : View
    moon_radius : float
        Pixels of the picture.

    Returns
    -------
    angle, light, peak : ndarray
        Position angles at half-pixel steps, degrees; green light summed over the radii around the
        limb, in white pixels; the brightest of these.
    """
    count = round(2 * np.pi * moon_radius / STEP_PX)
    angle = np.asarray(np.arange(count) * (360.0 / count), float)
    r = moon_radius + np.arange(-INSIDE_PX, OUTSIDE_PX + STEP_PX / 2, STEP_PX)
    east, north = np.sin(np.radians(angle)), np.cos(np.radians(angle))
    dx, dy = view.orientation.to_pixels(east * view.scale_arcsec, north * view.scale_arcsec)
    x, y = view.centre + dx[:, None] * r, view.centre + dy[:, None] * r
    value = map_coordinates(np.minimum(picture[1], 1.0), [y, x], order=1, mode="constant")
    return angle, np.asarray(value.sum(axis=1) * STEP_PX, float), value.max(axis=1)


def find_beads(picture: Pixels, view: View, moon_radius: float) -> list[Bead] | None:
    """Find beads along the Moon's limb.

    Parameters
    ----------
    picture, view, moon_radius
        As for `limb_light`.

    Returns
    -------
    list of Bead or None
        In order of position angle; the diamond ring is one bead, wide and bright. None if the
        exposure is too long to tell beads from prominences.

    Notes
    -----
    The corona's own light, the median along the limb, is taken off. Two beads are told apart where
    the light between them falls by ``LEAST_DIP`` of the brightest; a bead's place is the centre of
    the light above half of its own and above the dips beside it, which a clipped, flat top does
    not move.
    """
    _, light, peak = limb_light(picture, view, moon_radius)
    corona = float(np.median(peak))
    if corona * CLIPPED_OVER_CORONA > 1.0:
        return None
    # A clipped pixel comes out of the interpolation a little below 1.
    photosphere = peak > min(OVER_CORONA * corona, 0.97)
    if not photosphere.any():
        return []
    light = gaussian_filter1d(light - np.median(light), 1.0 / STEP_PX, mode="wrap")
    return _parted(light, photosphere)


def find_ring_beads(picture: Pixels, view: View, moon_radius: float) -> list[Bead]:
    """Find the beads in which a ring begins and ends, in a filtered frame.

    Parameters
    ----------
    picture, view, moon_radius
        As for `limb_light`.

    Returns
    -------
    list of Bead
        In order of position angle, without the crescent on the far side.

    Notes
    -----
    The light is cut off at `RING_PX` of the limb's own, so that the crescent, tens of times as
    bright as a bead, does not set what parts two of them.
    """
    _, light, peak = limb_light(picture, view, moon_radius)
    level = float(np.quantile(peak, 0.9))
    if level <= 0.0:
        return []
    light = gaussian_filter1d(np.minimum(light, RING_PX * level), 1.0 / STEP_PX, mode="wrap")
    return _beads_of_ring(light, peak > RING_LIT * level)


def expected_ring_beads(gap_arcsec: Floats, moon_radius: float, pixel_arcsec: float) -> list[Bead]:
    """Return the beads that a limb makes of a ring at one instant.

    Parameters
    ----------
    gap_arcsec, moon_radius
        As for `expected_beads`.
    pixel_arcsec : float
        Arcsec a pixel of the camera.
    """
    blur = np.degrees(EXPECTED_BLUR_PX / moon_radius) * gap_arcsec.size / 360.0
    light = np.clip(gap_arcsec, 0.0, RING_PX * pixel_arcsec)
    return _beads_of_ring(gaussian_filter1d(light, blur, mode="wrap"), gap_arcsec > 0)


def _beads_of_ring(light: Floats, lit: NDArray[np.bool_]) -> list[Bead]:
    if not light.max() > 0:
        return []
    return [bead for bead in _parted(light, lit) if bead.width_deg < CRESCENT_DEG]


def expected_beads(gap_arcsec: Floats, moon_radius: float) -> list[Bead]:
    """Return the beads that a limb makes at one instant.

    Parameters
    ----------
    gap_arcsec : ndarray, shape (A,)
        By how much the Sun's limb overtops the Moon's, at position angles from 0 to 360 degrees in
        even steps, from `limbward.sky.limb_profile.sun_over_limb`.
    moon_radius : float
        Pixels of the camera, which tell what it can part.

    Returns
    -------
    list of Bead
        In order of position angle, parted as `find_beads` parts what was photographed.
    """
    if gap_arcsec.max() <= 0:
        return []
    blur = np.degrees(EXPECTED_BLUR_PX / moon_radius) * gap_arcsec.size / 360.0
    light = gaussian_filter1d(np.maximum(gap_arcsec, 0.0), blur, mode="wrap")
    return _parted(light, gap_arcsec > 0)


def same_place(position_angles: Iterable[float], position_angle: float) -> float | None:
    """Return the one of some position angles that is nearest; None if beyond ``SAME_DEG``."""
    nearest = min(position_angles, key=lambda a: abs(off_deg(a, position_angle)), default=None)
    if nearest is None or abs(off_deg(nearest, position_angle)) > SAME_DEG:
        return None
    return nearest


def off_deg(position_angle: float, other: float) -> float:
    """Return a position angle less another, between -180 and 180 degrees."""
    return half_turn(position_angle - other)


def _parted(light: Floats, sure: NDArray[np.bool_]) -> list[Bead]:
    """Return the beads of light around the limb (A,); each peak is ``sure`` to be photosphere."""
    from scipy.signal import find_peaks  # with it comes scipy.stats: half a second

    # The limb is cut open where it is darkest, so that no bead lies across the seam.
    seam = int(np.argmin(gaussian_filter1d(light, 8.0, mode="wrap")))
    rolled, known = np.roll(light, -seam), np.roll(sure, -seam)
    peaks, _ = find_peaks(rolled, height=0.0, prominence=LEAST_DIP * float(light.max()))
    peaks = [int(k) for k in peaks if known[max(k - 1, 0) : k + 2].any()]
    step = 360.0 / light.size
    beads = []
    for n, k in enumerate(peaks):
        base = 0.5 * rolled[k]
        for other in peaks[max(n - 1, 0) : n] + peaks[n + 1 : n + 2]:
            base = max(base, float(rolled[min(k, other) : max(k, other)].min()))
        first = last = k
        while first > 0 and rolled[first - 1] > base:
            first -= 1
        while last < rolled.size - 1 and rolled[last + 1] > base:
            last += 1
        weight = rolled[first : last + 1] - base
        place = float(np.sum(weight * np.arange(first, last + 1)) / np.sum(weight))
        beads.append(
            Bead(((place + seam) * step) % 360.0, float(rolled[k]), (last - first + 1) * step)
        )
    return sorted(beads, key=lambda bead: bead.position_angle)
