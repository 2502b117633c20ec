"""Stars in the frames of one body: found, fitted, and put into numbers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from limbward.geometry.orientation import Orientation
from limbward.sky.beside_sun import Beside
from limbward.stars.fit import Seen, Solution, gather, solve
from limbward.stars.match import Match, Prior, match, seen
from limbward.stars.tracks import CLEAR_OF_MOON, Frames, Tracks, tracks_of

Floats = NDArray[np.float64]

BESIDES, SHARE = 20, 4  # stars looked for: so many, and so many for each point


@dataclass(frozen=True)
class Star:
    """A star or planet that was found.

    Attributes
    ----------
    name, kind : str
    magnitude, measured_magnitude, magnitude_sigma : float
        Of the catalogue, and of the frames' green light with the zero that fits most stars.
    east, north : float
        Where it must be, arcsec from the Sun's centre at the epoch, refraction included.
    miss_east, miss_north, sigma : float
        Where it was measured less that, and the standard error of each, arcsec.
    frames : int
    snr : float
    used : bool
        Whether the orientation rests on it.
    """

    name: str
    kind: str
    magnitude: float
    measured_magnitude: float
    magnitude_sigma: float
    east: float
    north: float
    miss_east: float
    miss_north: float
    sigma: float
    frames: int
    snr: float
    used: bool


@dataclass(frozen=True)
class StarField:
    """What the stars in a body's frames say.

    Attributes
    ----------
    orientation : Orientation
        At the epoch.
    up_sigma_deg, scale_sigma_arcsec : float
    radial, radial_sigma : float
        Distortion at the corner, relative; 0 if none shows, its error NaN with too few stars.
    chance : float
        Upper bound of the probability that so many agree by chance, to one digit.
    sun_off_arcsec : float
        By how much the Sun's centre had to be moved.
    stars : list of Star
        The brightest first.
    """

    orientation: Orientation
    up_sigma_deg: float
    scale_sigma_arcsec: float
    radial: float
    radial_sigma: float
    chance: float
    sun_off_arcsec: float
    stars: list[Star]


def find_stars(frames: Frames, sky: Beside, prior: Prior) -> StarField | None:
    """Return the stars that frames of one body show; None if none are sure.

    Parameters
    ----------
    frames : Frames
    sky : Beside
        Stars and planets around the Sun, further than the field reaches.
    prior : Prior
    """
    tracks = tracks_of(frames, prior.scale_arcsec)
    if tracks.place.size < 2:
        return None
    # Fainter stars than there are points would but make coincidences.
    reach = 1.05 * _reach(frames) * prior.scale_arcsec
    sky = sky.brightest(BESIDES + SHARE * tracks.place.size, reach)
    middle_s = float(np.mean(frames.time_s))
    found = match(
        tracks.place,
        tracks.magnitude,
        sky.offset_arcsec(np.array(middle_s)),
        sky.magnitude,
        prior,
        area_px=_area(frames),
        reach_px=_reach(frames),
    )
    if found is None:
        return None
    zero = float(np.median(sky.magnitude[found.star] - tracks.magnitude[found.track]))
    fitted = _fitted(frames, sky, found, tracks, zero, prior)
    return None if fitted is None else _told(sky, found, *fitted, zero, prior)


def _area(frames: Frames) -> float:
    moon = float(np.median(frames.moon_radius))
    disc = np.pi * (CLEAR_OF_MOON * moon) ** 2
    return max(frames.width * frames.height - disc, 0.1 * frames.width * frames.height)


def _reach(frames: Frames) -> float:
    corners = np.array([0, frames.width, 1j * frames.height, frames.width + 1j * frames.height])
    return float(np.abs(corners[None, :] - frames.sun[:, None]).max())


def _fitted(
    frames: Frames, sky: Beside, found: Match, tracks: Tracks, zero: float, prior: Prior
) -> tuple[Seen, Solution] | None:
    """Return stars and fit; first those recognised, then whatever lies where a star must be."""
    scale = prior.scale_arcsec
    offsets = sky.offset_arcsec(frames.time_s)
    at = sky.offset_arcsec(np.array(float(np.mean(frames.time_s))))
    there = found.turn * seen(at, scale, found.mirrored) + found.shift
    wide = np.abs(tracks.place[found.track] - there[found.star]).max(initial=0.0) + 2.0
    chosen = np.full(sky.magnitude.size, np.inf)
    chosen[found.star] = sky.magnitude[found.star]
    common = (frames, offsets, sky.sigma_arcsec)
    measured = gather(*common, chosen, found, zero, scale, near_px=float(wide))
    for _ in range(3):
        if measured.star.size < 2:
            return None
        solution = solve(measured)
        last = measured, solution
        measured = gather(*common, sky.magnitude, found, zero, scale, solution=solution)
    return last


def _told(
    sky: Beside, found: Match, measured: Seen, solution: Solution, zero: float, prior: Prior
) -> StarField:
    side = -1.0 if found.mirrored else 1.0
    scale = prior.scale_arcsec / abs(solution.turn)
    up = side * float(np.degrees(np.angle(solution.turn)))
    orientation = Orientation(scale, up % 360.0, found.mirrored)
    miss = orientation.to_sky(solution.rest.real, solution.rest.imag)
    at = sky.offset_arcsec(np.zeros(()))
    stars = []
    for k, j in enumerate(measured.star):
        flux, sigma = float(measured.flux[k]), float(measured.flux_sigma[k])
        stars.append(
            Star(
                sky.name[j],
                sky.kind[j],
                float(sky.magnitude[j]),
                zero - 2.5 * float(np.log10(flux)),
                1.0857 * sigma / flux,
                float(at[j, 0]),
                float(at[j, 1]),
                float(miss[0][k]),
                float(miss[1][k]),
                float(measured.sigma[k]) * scale,
                int(measured.count[k]),
                flux / sigma,
                bool(solution.used[k]),
            )
        )
    return StarField(
        orientation,
        float(np.degrees(solution.turn_sigma)),
        solution.length_sigma * scale,
        solution.radial,
        solution.radial_sigma,
        rounded_up(found.chance),
        abs(solution.shift) * scale,
        stars,
    )


def rounded_up(chance: float) -> float:
    """Return a probability to one significant digit that is not below it."""
    if chance < 1e-30:
        return 1e-30
    power = 10.0 ** np.floor(np.log10(chance))
    return float(f"{np.ceil(chance / power - 1e-9) * power:.0e}")
