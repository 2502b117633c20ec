"""Where the merge lies: its grid under the sky of greatest eclipse, and the header that says so."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from astropy.io.fits import Header
from astropy.time import Time, TimeDelta
from numpy.typing import NDArray

from limbward.geometry.disc import Disc
from limbward.geometry.grid import Grid, Observer, add_moon, add_uncertainty, world_header
from limbward.geometry.lens import STRAIGHT, Lens
from limbward.geometry.orientation import Orientation
from limbward.geometry.pointing import Pointing, camera_up
from limbward.radiance.selection import Frames
from limbward.sky.air import Air
from limbward.sky.ephemeris import SkyView
from limbward.sky.refraction import apparent_moon_offset, refraction_matrix

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Field:
    """The merge's grid with Sun and Moon on it.

    Attributes
    ----------
    grid : Grid
    camera : Orientation
        How the camera stood at greatest eclipse.
    epoch : Time
        Of greatest eclipse.
    sky : SkyView
        At that instant.
    pressure_hpa, temperature_c : float
        Of the air; a pressure of 0 stands for no refraction.
    north_known : bool
        Whether the camera's orientation is known. If not, ``camera`` has its own up as position
        angle 0, and the frames' Suns are where the Moon was on average.
    sun_sigma_px : float
        Standard error of the Sun's centre that all frames share.
    lens : Lens
        What it bends is taken out of the frames.
    """

    grid: Grid
    camera: Orientation
    epoch: Time
    sky: SkyView
    pressure_hpa: float
    temperature_c: float
    north_known: bool = True
    sun_sigma_px: float = 0.0
    lens: Lens = STRAIGHT

    @property
    def moon(self) -> Disc:
        """The Moon on the grid, where refraction shows it; in the middle if north is not known."""
        if not self.north_known:
            radius = float(self.sky.moon_radius_arcsec[0]) / self.grid.scale_arcsec
            return Disc(self.grid.sun_x, self.grid.sun_y, radius)
        offset = apparent_moon_offset(self.sky, self.pressure_hpa, self.temperature_c)[0]
        radius = float(self.sky.moon_radius_arcsec[0]) / self.grid.scale_arcsec
        return Disc(*self.grid.place(*offset), radius)

    @property
    def sun_radius_px(self) -> float:
        """The Sun's radius on the grid."""
        return float(self.sky.sun_radius_arcsec[0]) / self.grid.scale_arcsec


def shared_sigma(total: Floats, relative: Floats) -> float:
    """Return the error of the Sun's centre that all frames share, pixels.

    Parameters
    ----------
    total, relative : ndarray, shape (N,)
        Of each frame's Sun, and of that against the other frames'.
    """
    return float(np.median(np.sqrt(np.maximum(total**2 - relative**2, 0.0))))


def field_of(
    frames: Frames,
    pointing: Pointing | None,
    epoch: Time,
    sky: SkyView,
    air: Air,
    *,
    side: int | None = None,
    sun_sigma_px: float = 0.0,
) -> Field:
    """Return the grid of a merge as the camera stood.

    Parameters
    ----------
    frames : Frames
    pointing : Pointing or None
        At greatest eclipse; None if it is not known.
    epoch : Time
        Of greatest eclipse.
    sky : SkyView
        At that instant.
    air : Air
    side : int, optional
        Pixels of the grid's sides; the frames' own if not given.
    sun_sigma_px : float
    """
    if pointing is None:
        # The alignment has measured the scale by the Moon, and kept it as the Sun's size.
        sun = float(np.median([disc.radius for disc in frames.sun]))
        body = frames.camera, frames.serial
        pointing = camera_up(body, float(sky.sun_radius_arcsec[0]) / sun)
    camera = pointing.orientation
    return Field(
        grid=Grid(
            side or frames.width,
            side or frames.height,
            camera.pixel_scale_arcsec,
            camera.up_position_angle,
        ),
        camera=camera,
        epoch=epoch,
        sky=sky,
        pressure_hpa=air.pressure_hpa,
        temperature_c=air.temperature_c,
        north_known=pointing.north_known,
        sun_sigma_px=sun_sigma_px,
        lens=Lens.of_frame(frames.width, frames.height, pointing.distortion),
    )


def observer_of(sky: SkyView, sun_radius_km: float) -> Observer:
    """Return what a solar header says of a view at one instant.

    Parameters
    ----------
    sky : SkyView
    sun_radius_km : float
        The photosphere's, to which the coordinates refer.
    """
    return Observer(
        solar_north=float(sky.sun_axis_position_angle[0]),
        zenith=float(sky.parallactic_angle[0]),
        b0=float(sky.sun_b0[0]),
        l0=float(sky.sun_l0[0]),
        distance_km=float(sky.sun_distance_km[0]),
        sun_radius_arcsec=float(sky.sun_radius_arcsec[0]),
        sun_radius_km=sun_radius_km,
    )


def describe_field(
    field: Field, frames: Frames, failed: Collection[int], sun_radius_km: float
) -> Header:
    """Return a header with world coordinates, the times and the unit of a merge.

    Parameters
    ----------
    field : Field
    frames : Frames
    failed : collection of int
        Those that are not in it.
    sun_radius_km : float
        The photosphere's, to which the coordinates refer.
    """
    good = np.array([k not in failed for k in range(len(frames.row))])
    start, length = frames.start_s[good], frames.exposure_s[good]
    timed = np.isfinite(start)
    begun = start[timed] if timed.any() else np.zeros(1)
    lasted = length[timed] if timed.any() else np.zeros(1)

    def at(seconds: float) -> Time:
        return field.epoch + TimeDelta(seconds, format="sec")

    header = world_header(
        field.grid,
        observer_of(field.sky, sun_radius_km),
        at(float(begun.min())),
        at(float((begun + lasted / 2.0).mean())),
        at(float((begun + lasted).max())),
        refraction=refraction_matrix(field.sky, field.pressure_hpa, field.temperature_c)[0]
        if field.north_known
        else None,
        north_known=field.north_known,
    )
    if not timed.any():
        header.add_history("No frame's time is known: the times are those of greatest eclipse.")
    add_uncertainty(
        header, field.sun_sigma_px * field.grid.scale_arcsec, north_known=field.north_known
    )
    if field.lens.bends:
        header["DISTORT"] = (field.lens.growth, "distortion of frames' corners, taken out")
    header["LINEAR"] = (frames.linear, "F: display-referred, not a measurement")
    if not frames.linear:
        header["HISTORY "] = (
            "Merged from display-referred frames, decoded with the curve they declare"
        )
        header["HISTORY"] = "or that their brackets give. The brightness is not a measurement."
    header["BUNIT"] = ("adu/s", f"at ISO {frames.iso_reference:.0f}")
    header["ISOREF"] = (frames.iso_reference, "ISO to which radiances refer")
    header["FNUMREF"] = (frames.f_reference, "f-number to which radiances refer")
    header["CAMERA"], header["SERIALNO"] = frames.camera, frames.serial
    header["INSTRUME"] = (frames.camera, "the camera: the standard's word for CAMERA")
    header["NFRAMES"] = (int(good.sum()), "frames merged")
    header["EXPTOTAL"] = (float(length.sum()), "s, sum of the exposures")
    header["XPOSURE"] = (float(length.sum()), "s, the standard's word for EXPTOTAL")
    add_moon(header, field.moon, field.grid.height)
    return header
