"""What carries the camera: where the Sun stands on the sensor, and how the sky is turned there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from limbward.geometry.angle import half_turn
from limbward.geometry.orientation import Orientation
from limbward.simulate.axes import level_error, polar_error
from limbward.sky.ephemeris import ARCSEC, SkyView
from limbward.sky.refraction import refraction_arcsec

Floats = NDArray[np.float64]
MountKind = Literal["equatorial", "altazimuth", "fixed"]


@dataclass(frozen=True)
class Mount:
    """A mount and how well it does.

    Attributes
    ----------
    kind : {'equatorial', 'altazimuth', 'fixed'}
        ``equatorial`` tracks and keeps north; ``altazimuth`` tracks and keeps the zenith;
        ``fixed`` does not track.
    up_position_angle : float
        Position angle of the image's up at greatest eclipse, degrees.
    mirrored : bool
    drift_arcsec_per_min : tuple of float
        Of the Sun on the sensor, along celestial east and north, while tracking.
    jitter_arcsec : float
        Random pointing error of each frame, standard deviation on each axis.
    field_rotation_deg_per_hour : float
        Rate of ``up_position_angle`` of an equatorial mount whose axis is off the pole.
    reframe_s : float
        How often the photographer brings the Sun back to the centre of a fixed camera.
    jumps : tuple
        Of (seconds from greatest eclipse, arcsec east, arcsec north): the Sun moves on the sensor
        by so much from then on.
    recentred_s : tuple of float
        Seconds from greatest eclipse at which the photographer brings the Sun back, by hand, to
        where it was at greatest eclipse.
    recentring_arcsec : float
        How far off it then is, standard deviation on each axis.
    polar_error_arcmin : tuple of float
        Of an equatorial mount: how much too high its axis is, and how far east of the pole.
    lean_deg : tuple of float
        Of an alt-azimuth head that turns as if it stood level: how far its vertical axis leans
        towards the Sun and to the right of it, at greatest eclipse.
    knocked : float
        Part of the frames that are taken while the mount shakes.
    knock_arcsec, knock_hz : float
        Amplitude and frequency of the shaking.
    centre_offset : tuple of float
        Where the Sun is at greatest eclipse: fractions of the width and height from the centre.
    """

    kind: MountKind = "equatorial"
    up_position_angle: float = 0.0
    mirrored: bool = False
    drift_arcsec_per_min: tuple[float, float] = (0.0, 0.0)
    jitter_arcsec: float = 0.0
    field_rotation_deg_per_hour: float = 0.0
    reframe_s: float = 120.0
    jumps: tuple[tuple[float, float, float], ...] = ()
    recentred_s: tuple[float, ...] = ()
    recentring_arcsec: float = 60.0
    polar_error_arcmin: tuple[float, float] = (0.0, 0.0)
    lean_deg: tuple[float, float] = (0.0, 0.0)
    knocked: float = 0.0
    knock_arcsec: float = 12.0
    knock_hz: float = 12.0
    centre_offset: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class Pointing:
    """Of N frames: the Sun's place (pixels), the image's up (degrees), the trail (pixels/s)."""

    sun_x: Floats
    sun_y: Floats
    up_position_angle: Floats
    trail_x_per_s: Floats
    trail_y_per_s: Floats

    def orientation(self, index: int, scale_arcsec: float, mirrored: bool) -> Orientation:
        """Return the orientation of one frame."""
        return Orientation(scale_arcsec, float(self.up_position_angle[index]), mirrored)


def _apparent_vector(sky: SkyView, index: int | slice) -> Floats:
    """Return the refracted direction of the Sun in horizon axes (north, east, up)."""
    altitude = np.asarray(sky.sun_altitude[index], float)
    lifted = np.radians(altitude + refraction_arcsec(altitude) / 3600.0)
    azimuth = np.radians(sky.sun_azimuth[index])
    return np.stack(
        [np.cos(lifted) * np.cos(azimuth), np.cos(lifted) * np.sin(azimuth), np.sin(lifted)],
        axis=-1,
    )


def horizontal_offset(sky: SkyView, index: int, origin: int) -> tuple[float, float]:
    """Return how far the Sun has moved on the local sky, arcsec.

    Parameters
    ----------
    sky : SkyView
    index, origin : int
        The instant, and the one at which the camera was pointed.

    Returns
    -------
    right, up : float
        On the plane that touches the sky where the Sun was: towards larger azimuth, and towards
        the zenith.
    """
    o = _apparent_vector(sky, origin)
    v = _apparent_vector(sky, index)
    level = np.hypot(o[0], o[1])
    right = np.array([-o[1] / level, o[0] / level, 0.0])
    up = np.array([-o[2] * o[0] / level, -o[2] * o[1] / level, level])
    along = float(o @ v)
    return float(right @ v) / along * ARCSEC, float(up @ v) / along * ARCSEC


def pointing(
    mount: Mount,
    sky: SkyView,
    later: SkyView,
    from_greatest_s: Floats,
    greatest: SkyView,
    *,
    shape: tuple[int, int],
    scale_arcsec: float,
    rng: np.random.Generator,
) -> Pointing:
    """Return where the Sun stands on the sensor in each frame.

    Parameters
    ----------
    mount : Mount
    sky : SkyView
        At the middle of each of N exposures, in time order.
    later : SkyView
        One second after, for the speed of the trail.
    from_greatest_s : ndarray, shape (N,)
    greatest : SkyView
        At greatest eclipse, one instant.
    shape : tuple of int
        Rows and columns of the visible area.
    scale_arcsec : float
    rng : Generator
        For the jitter.
    """
    n = len(from_greatest_s)
    jitter = rng.normal(0.0, 1.0, (n, 2)) * mount.jitter_arcsec
    wrong = _wrong_axes(mount, sky, from_greatest_s, greatest)
    soon = _wrong_axes(mount, later, from_greatest_s + 1.0, greatest)
    steady_east = mount.drift_arcsec_per_min[0] * from_greatest_s / 60.0 + wrong[0]
    steady_north = mount.drift_arcsec_per_min[1] * from_greatest_s / 60.0 + wrong[1]
    for when, jump_east, jump_north in mount.jumps:
        after = from_greatest_s >= when
        steady_east = steady_east + after * jump_east
        steady_north = steady_north + after * jump_north
    _recentre(mount, from_greatest_s, steady_east, steady_north, rng)
    east, north = steady_east + jitter[:, 0], steady_north + jitter[:, 1]

    up = np.full(n, mount.up_position_angle) + wrong[2]
    speed_east = np.full(n, mount.drift_arcsec_per_min[0] / 60.0) + soon[0] - wrong[0]
    speed_north = np.full(n, mount.drift_arcsec_per_min[1] / 60.0) + soon[1] - wrong[1]
    if mount.kind == "equatorial":
        up = up + mount.field_rotation_deg_per_hour * from_greatest_s / 3600.0
    else:
        turned = sky.parallactic_angle - greatest.parallactic_angle[0]
        up = up + half_turn(turned)
    if mount.kind == "fixed":
        framed = np.floor(from_greatest_s / mount.reframe_s)
        for i in range(n):
            # The Sun is put back to the centre at the first frame of each period.
            first = int(np.flatnonzero(framed == framed[i])[0])
            level = Orientation(1.0, float(sky.parallactic_angle[first]))  # the zenith is up
            right, high = horizontal_offset(sky, i, first)
            # Facing the Sun, larger azimuth is to the right, which is away from celestial east.
            moved = level.to_sky(right, -high)
            east[i], north[i] = east[i] + moved[0], north[i] + moved[1]
            right1, high1 = _drift_in_a_second(sky, later, i)
            speed = level.to_sky(right1, -high1)
            speed_east[i], speed_north[i] = speed_east[i] + speed[0], speed_north[i] + speed[1]

    rows, columns = shape
    x0 = (columns - 1) / 2 + mount.centre_offset[0] * columns
    y0 = (rows - 1) / 2 + mount.centre_offset[1] * rows
    out = np.empty((4, n))
    for i in range(n):
        if mount.kind != "equatorial":
            up[i] += _converged(mount, sky, i, float(up[i]), scale_arcsec, (x0, y0), shape,
                                (east[i], north[i]))  # fmt: skip
        camera = Orientation(scale_arcsec, float(up[i]), mount.mirrored)
        dx, dy = camera.to_pixels(east[i], north[i])
        tx, ty = camera.to_pixels(speed_east[i], speed_north[i])
        out[:, i] = x0 + float(dx), y0 + float(dy), float(tx), float(ty)
    return Pointing(out[0], out[1], up, out[2], out[3])


def _converged(
    mount: Mount,
    sky: SkyView,
    index: int,
    up: float,
    scale_arcsec: float,
    at: tuple[float, float],
    shape: tuple[int, int],
    offset: tuple[float, float],
) -> float:
    """Return how far the picture is turned at a Sun beside its middle, degrees.

    The camera is upright where it points, and verticals come together towards the zenith: by the
    distance to the left times the tangent of the altitude.
    """
    camera = Orientation(scale_arcsec, up, mount.mirrored)
    dx, dy = camera.to_pixels(*offset)
    rows, columns = shape
    beside = camera.to_sky(at[0] + dx - (columns - 1) / 2, at[1] + dy - (rows - 1) / 2)
    q = np.radians(sky.parallactic_angle[index])
    left = float(beside[0] * np.cos(q) - beside[1] * np.sin(q)) / 3600.0
    return left * float(np.tan(np.radians(sky.sun_altitude[index])))


def _wrong_axes(
    mount: Mount, sky: SkyView, from_greatest_s: Floats, greatest: SkyView
) -> tuple[Floats, Floats, Floats]:
    """Return what wrong axes do: the Sun's offset east and north, arcsec, and the field's turn."""
    if mount.kind == "equatorial" and any(mount.polar_error_arcmin):
        return polar_error(mount.polar_error_arcmin, from_greatest_s, greatest)
    if mount.kind == "altazimuth" and any(mount.lean_deg):
        return level_error(mount.lean_deg, sky, greatest)
    nothing = np.zeros(len(from_greatest_s))
    return nothing, nothing, nothing


def _recentre(
    mount: Mount, from_greatest_s: Floats, east: Floats, north: Floats, rng: np.random.Generator
) -> None:
    """Bring the Sun back, in place, from the first frame after each moment on."""
    for when in sorted(mount.recentred_s):
        after = np.flatnonzero(from_greatest_s >= when)
        if len(after):
            missed = rng.normal(0.0, mount.recentring_arcsec, 2)
            east[after] += missed[0] - east[after[0]]
            north[after] += missed[1] - north[after[0]]


def knocks(
    mount: Mount, exposures_s: Floats, scale_arcsec: float, rng: np.random.Generator
) -> Floats:
    """Return how far the picture runs in frames taken while the mount shakes, (N, 2) pixels.

    A shutter that is open for less than half a period sees a part of one swing, at its fastest; a
    longer one the whole swing.

    Parameters
    ----------
    mount : Mount
    exposures_s : ndarray, shape (N,)
    scale_arcsec : float
    rng : Generator
    """
    n = len(exposures_s)
    hit = rng.random(n) < mount.knocked
    way = rng.uniform(0.0, 2.0 * np.pi, n)
    phase = np.minimum(np.pi * mount.knock_hz * exposures_s, 0.5 * np.pi)
    length = hit * 2.0 * mount.knock_arcsec * np.sin(phase) / scale_arcsec
    return np.stack([length * np.cos(way), length * np.sin(way)], axis=-1)


def _drift_in_a_second(sky: SkyView, later: SkyView, index: int) -> tuple[float, float]:
    """Return the Sun's motion on the local sky in one second: right and up, arcsec."""
    daz = np.radians(half_turn(later.sun_azimuth[index] - sky.sun_azimuth[index]))
    altitude = np.array([sky.sun_altitude[index], later.sun_altitude[index]])
    lifted = altitude + refraction_arcsec(altitude) / 3600.0
    right = float(daz * np.cos(np.radians(lifted[0]))) * ARCSEC
    return right, float(lifted[1] - lifted[0]) * 3600.0
