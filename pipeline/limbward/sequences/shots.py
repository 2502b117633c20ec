"""The frames of one camera as sequences need them: where the discs are, when, and what is up."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.time import Time, TimeDelta
from numpy.typing import ArrayLike, NDArray

from limbward.camera.response import Response
from limbward.geometry.lens import STRAIGHT, Lens
from limbward.geometry.orientation import Orientation
from limbward.geometry.pointing import Pointing
from limbward.sequences.cut import View
from limbward.sky.aside import turned_aside
from limbward.sky.circumstances import iso_utc
from limbward.sky.track import SkyTrack

Floats = NDArray[np.float64]
Disc = tuple[float, float, float]  # centre (x, y) and radius, pixels

UP_WORDS = {
    "solar_north": "solar north up",
    "celestial_north": "celestial north up",
    "zenith": "zenith up",
    "camera": "as the camera was held",
}


def up_angles(
    direction: str, solar_north: ArrayLike, zenith: ArrayLike, camera: ArrayLike
) -> Floats:
    """Return the position angle of what is to be up, of four directions, degrees."""
    angles = {
        "solar_north": solar_north,
        "celestial_north": np.zeros_like(solar_north),
        "zenith": zenith,
        "camera": camera,
    }
    return np.asarray(angles[direction], float)


@dataclass(frozen=True)
class Shots:
    """N frames of one camera in the order of taking; angles in degrees, places in raw pixels.

    ``middle_s`` is the middle of the exposure, seconds from ``epoch`` (greatest eclipse);
    ``sun`` and ``moon`` have shape (N, 3): x, y, radius as ``lens`` draws them, NaN where not
    known. ``light`` is the exposure in seconds at the ISO and f-number that most frames have,
    ``response`` the curve of those that are not linear; ``lens_name`` is empty where not known.
    """

    camera: str
    serial: str
    epoch: Time
    track: SkyTrack
    file: NDArray[np.object_]
    path: list[Path]
    digest: NDArray[np.object_]
    response: list[Response | None]
    phase: NDArray[np.object_]
    middle_s: Floats
    sigma_s: Floats
    light: Floats
    sun: Floats
    moon: Floats
    orientation: list[Orientation]
    solar_north: Floats
    zenith: Floats
    lens: Lens = STRAIGHT
    lens_name: str = ""

    def __len__(self) -> int:
        return len(self.path)

    def take(self, index: Sequence[int] | NDArray[np.int64]) -> Shots:
        """Return some of the frames."""
        at = np.asarray(index, np.int64)
        return Shots(
            self.camera, self.serial, self.epoch, self.track,
            self.file[at], [self.path[i] for i in at], self.digest[at],
            [self.response[i] for i in at],
            self.phase[at], self.middle_s[at], self.sigma_s[at], self.light[at],
            self.sun[at], self.moon[at],
            [self.orientation[i] for i in at], self.solar_north[at], self.zenith[at],
            self.lens, self.lens_name,
        )  # fmt: skip

    def up(self, direction: str) -> Floats:
        """Return the position angle of what is to be up, one a frame."""
        camera = np.array([o.up_position_angle for o in self.orientation])
        return np.asarray(up_angles(direction, self.solar_north, self.zenith, camera))

    def views(self, side: int, scale_arcsec: float, direction: str) -> list[View]:
        """Return how a cut out of each frame lies on the sky, with a direction up in it."""
        return [View(side, scale_arcsec, float(u)) for u in self.up(direction)]

    def span_utc(self) -> tuple[str, str]:
        """Return the times of the first and the last frame, rounded to a second."""
        first, last = (self._utc(i, 0).isot for i in (0, len(self) - 1))
        return f"{first}Z", f"{last}Z"

    def utc_sigma_s(self, i: int, digits: int = 3) -> float | None:
        """Return the standard error of a frame's time, rounded; None where it is not known."""
        sigma = float(self.sigma_s[i])
        return round(sigma, digits) if math.isfinite(sigma) else None

    def straight(self, discs: Floats) -> Floats:
        """Return some of ``sun`` or ``moon`` as the lens would draw them without distortion."""
        x, y, radius = np.moveaxis(discs, -1, 0)
        radius = self.lens.straight_disc(x, y, radius)[2]
        return np.stack([*self.lens.straight(x, y), radius], axis=-1)

    def sun_radius_px(self, i: int, scale_arcsec: float) -> float:
        """Return the Sun's radius in pixels of a cut of a given scale."""
        return float(self.straight(self.sun[i])[2]) * self.scale_arcsec() / scale_arcsec

    def discs_in(self, i: int, view: View) -> tuple[Disc, Disc | None]:
        """Return Sun and Moon in a Sun-centred cut of a frame; the Moon None where not known."""
        camera = self.orientation[i]
        ratio = camera.pixel_scale_arcsec / view.scale_arcsec
        c = view.centre
        moon, sun, other = None, self.straight(self.sun[i]), self.straight(self.moon[i])
        if np.isfinite(other).all():
            offset = camera.to_sky(*(other[:2] - sun[:2]))
            dx, dy = view.orientation.to_pixels(*offset)
            moon = (c + float(dx), c + float(dy), float(other[2]) * ratio)
        return (c, c, float(sun[2]) * ratio), moon

    def utc(self, i: int) -> str:
        """Return the middle of a frame's exposure in ISO 8601."""
        return str(iso_utc(self.epoch + TimeDelta(float(self.middle_s[i]), format="sec")))

    def clock_text(self, i: int, digits: int = 0) -> str:
        """Return the time of day, rounded to a tenth of a second or to a second."""
        return str(self._utc(i, digits).iso).split(" ")[1]

    def _utc(self, i: int, digits: int) -> Time:
        time = self.epoch + TimeDelta(float(self.middle_s[i]), format="sec")
        return Time(time.utc, precision=digits)

    def scale_arcsec(self) -> float:
        """Return the size of the camera's pixels."""
        return self.orientation[0].pixel_scale_arcsec


def in_order(usable: NDArray[np.bool_], middle_s: Floats, sequence: Floats) -> NDArray[np.int64]:
    """Return the usable frames in the order of taking.

    Parameters
    ----------
    usable : ndarray of bool, shape (N,)
    middle_s : ndarray, shape (N,)
        Times of the frames, of which a millisecond counts.
    sequence : ndarray, shape (N,)
        Numbers that the camera gave them, for frames of one time; NaN where not known.
    """
    rows = np.flatnonzero(usable)
    return rows[np.lexsort((np.nan_to_num(sequence[rows]), np.round(middle_s[rows], 3)))]


def orientations(
    pointing: Pointing,
    track: SkyTrack,
    middle_s: Floats,
    turn_deg: Floats,
    beside_px: Floats | None = None,
    roll_deg: Floats | None = None,
) -> list[Orientation]:
    """Return how the camera was turned in each of N frames.

    Parameters
    ----------
    pointing : Pointing
        At greatest eclipse.
    track : SkyTrack
    middle_s : ndarray, shape (N,)
        Seconds from greatest eclipse.
    turn_deg : ndarray, shape (N,)
        How far the field had turned, as measured; NaN where the mount alone tells.
    beside_px : ndarray, shape (N, 2), optional
        From the middle of each frame to the Sun, x and y: beside it, the picture of a field that
        turns with the zenith is turned, too.
    roll_deg : ndarray, shape (N,), optional
        How far a hand has rolled the camera; counts where ``turn_deg`` is not known.
    """
    usual = np.zeros(middle_s.size)
    if pointing.rotation_deg_per_hour:
        turning = track.leaning(*pointing.lean_deg)
        usual = turning.turned(middle_s)
        if beside_px is not None:
            aside = turned_aside(pointing.orientation, turning, middle_s, *beside_px.T)
            usual = usual + np.nan_to_num(aside)
    if roll_deg is not None:
        usual = usual + roll_deg
    turned = np.where(np.isfinite(turn_deg), turn_deg, usual)
    return [pointing.orientation.turned(float(d)) for d in turned]


def comparable_light(exposure_s: Floats, iso: Floats, f_number: Floats) -> Floats:
    """Return exposures, seconds, as at the ISO and the f-number that most of the frames have."""
    return np.asarray(exposure_s * _relative(iso) / _relative(f_number) ** 2)


def _relative(values: Floats) -> Floats:
    """Return values over the most common one; 1 where not known."""
    known = values[values > 0]
    usual = Counter(known.tolist()).most_common(1)[0][0] if known.size else 1.0
    return np.where(values > 0, values, usual) / usual
