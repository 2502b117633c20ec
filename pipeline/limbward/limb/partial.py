"""Sun and Moon in partial frames: as first measured, and again with their time known."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from limbward.geometry.orientation import Orientation
from limbward.limb.measurement import LimbMeasurement
from limbward.limb.refit import refit
from limbward.sky.limb_profile import LimbProfile
from limbward.sky.track import SkyTrack

Floats = NDArray[np.float64]
# Edge points of the Sun's and of the Moon's limb in the frame of a row, each of shape (K, 3).
Limbs = Callable[[int], tuple[Floats, Floats]]

RADIUS_SIGMA_PX = 0.1  # of the Sun's radius as the plate scale of all frames tells it
SIGMA_FLOOR_PX = 0.01  # no limb is measured better, whatever its scatter says
PLACES = ("sun_x", "sun_y", "sun_radius", "sun_sigma", "moon_x", "moon_y", "moon_radius")


@dataclass(frozen=True)
class Discs:
    """Sun and Moon in N partial frames, pixels; ``sigma`` is that of the vector between them."""

    rows: NDArray[np.int64]
    sun_x: Floats
    sun_y: Floats
    sun_radius: Floats
    sun_sigma: Floats
    moon_x: Floats
    moon_y: Floats
    moon_radius: Floats
    sigma: Floats


def measured_columns(found: Sequence[LimbMeasurement]) -> dict[str, Floats]:
    """Return Sun and Moon in each of N pictures as `partial_discs` takes them, NaN where not seen.

    Parameters
    ----------
    found : sequence of LimbMeasurement

    Returns
    -------
    dict
        ``sun_x`` to ``moon_sigma``, each of shape (N,), pixels.
    """
    columns = {}
    for name in (*PLACES, "moon_sigma"):
        disc, part = name.split("_")
        circles = [getattr(m, disc) for m in found]
        columns[name] = np.array([math.nan if c is None else getattr(c, part) for c in circles])
    return columns


def partial_discs(
    measured: Mapping[str, Floats], partial: NDArray[np.bool_], rows: NDArray[np.int64]
) -> Discs:
    """Return the discs as they were first measured.

    Parameters
    ----------
    measured : mapping of str to ndarray, shape (M,)
        ``PLACES`` and ``moon_sigma`` of all frames, pixels; NaN where not measured.
    partial : ndarray of bool, shape (M,)
        Whether a frame shows a partial phase.
    rows : ndarray of int
        The frames to choose from.
    """
    column = {name: measured[name] for name in (*PLACES, "moon_sigma")}
    both = partial & np.isfinite(np.sum(list(column.values()), axis=0))
    both &= (column["sun_radius"] > 0) & (column["moon_radius"] > 0)
    rows = rows[both[rows]]
    sigma = np.hypot(column.pop("moon_sigma"), column["sun_sigma"])
    taken = {name: values[rows] for name, values in column.items()}
    taken["sun_sigma"] = np.maximum(taken["sun_sigma"], SIGMA_FLOOR_PX)
    return Discs(rows=rows, sigma=np.maximum(sigma[rows], SIGMA_FLOOR_PX), **taken)


def measure_again(
    track: SkyTrack,
    discs: Discs,
    limbs: Limbs,
    t: Floats,
    orientation: Orientation,
    *,
    rotates: bool,
    aside_deg: Floats | None = None,
    roll_deg: Floats | None = None,
    limb_at: Callable[[float], LimbProfile] | None = None,
    sun_size: float = 1.0,
) -> Discs:
    """Fit the discs anew with the sizes, the refraction and the lunar limb of each frame's time.

    Parameters
    ----------
    track : SkyTrack
    discs : Discs
    limbs : callable
        Takes a row, returns the edge points of the Sun's limb and of the Moon's.
    t : ndarray, shape (N,)
        Middle of each exposure, seconds from the epoch.
    orientation : Orientation
        Of the camera at the epoch.
    rotates : bool
        Whether the field turns with the zenith.
    aside_deg : ndarray, shape (N,), optional
        What each frame is turned beside the zenith.
    roll_deg : ndarray, shape (N,), optional
        By how much a hand has rolled the camera.
    limb_at : callable, optional
        Takes seconds from the epoch, returns the Moon's limb.
    sun_size : float
        The Sun's radius over the track's.
    """
    t = np.clip(t, track.first_s, track.last_s)
    sun_arcsec = track.sun_radius_arcsec(t) * sun_size
    ratio = track.moon_radius_arcsec(t) / sun_arcsec
    # A thin crescent tells its radius badly, and with it its centre; the other frames know it.
    radius = sun_arcsec / orientation.pixel_scale_arcsec
    turn = track.turned(t) + (0.0 if aside_deg is None else aside_deg)
    turn = turn * float(rotates) + (0.0 if roll_deg is None else roll_deg)
    found = []
    for i, row in enumerate(discs.rows):
        sun_limb, moon_limb = limbs(int(row))
        starts = [
            (discs.sun_x[i], discs.sun_y[i], discs.sun_radius[i]),
            (discs.moon_x[i], discs.moon_y[i], discs.moon_radius[i]),
        ]
        turned = orientation.turned(float(turn[i]))
        refraction = turned.in_pixels(track.refraction(t[i]))
        if limb_at is not None:
            moon_limb = without_relief(moon_limb, starts[1][:2], turned, limb_at(float(t[i])))
        try:
            sun, moon = refit(
                [sun_limb, moon_limb],
                starts,
                refraction,
                radius_ratio=float(ratio[i]),
                radius=(float(radius[i]), RADIUS_SIGMA_PX),
            )
        except ValueError:  # too little of a limb: what was first measured stays
            before = (getattr(discs, name)[i] for name in PLACES)
            found.append((*before, discs.sigma[i]))
            continue
        found.append((sun.x, sun.y, sun.radius, sun.sigma, moon.x, moon.y, moon.radius, moon.sigma))
    sx, sy, sr, ss, mx, my, mr, ms = np.array(found, dtype=float).reshape(-1, 8).T
    return Discs(
        discs.rows, sx, sy, sr, np.maximum(ss, SIGMA_FLOOR_PX), mx, my, mr,
        np.maximum(np.hypot(ss, ms), SIGMA_FLOOR_PX),
    )  # fmt: skip


def without_relief(
    limb: Floats, centre: tuple[float, float], orientation: Orientation, profile: LimbProfile
) -> Floats:
    """Return edge points (N, 3) of the Moon's limb, moved to its mean limb."""
    dx, dy = limb[:, 0] - centre[0], limb[:, 1] - centre[1]
    east, north = orientation.to_sky(dx, dy)
    height = profile.height(np.degrees(np.arctan2(east, north)) % 360.0)
    share = 1.0 - height / np.hypot(east, north)
    return np.column_stack([centre[0] + dx * share, centre[1] + dy * share, limb[:, 2]])
