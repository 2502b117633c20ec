"""The grid of the merged picture: where the Sun is in it, what is up, and its world coordinates."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray

from limbward.geometry.disc import Disc
from limbward.geometry.orientation import Orientation

if TYPE_CHECKING:
    from astropy.time import Time

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Grid:
    """The pixels of a Sun-centred picture with the parity of the sky.

    Attributes
    ----------
    width, height : int
        Pixels.
    scale_arcsec : float
        Arcsec a pixel.
    up_position_angle : float
        Position angle of the picture's upward direction, degrees from celestial north through
        east.
    """

    width: int
    height: int
    scale_arcsec: float
    up_position_angle: float

    @property
    def sun_x(self) -> float:
        """The Sun's centre, pixels from the centre of the top-left pixel to the right."""
        return (self.width - 1) / 2.0

    @property
    def sun_y(self) -> float:
        """The Sun's centre, pixels from the centre of the top-left pixel down."""
        return (self.height - 1) / 2.0

    @property
    def orientation(self) -> Orientation:
        """The mapping between sky and picture; never mirrored."""
        return Orientation(self.scale_arcsec, self.up_position_angle, mirrored=False)

    def place(self, east: float, north: float) -> tuple[float, float]:
        """Return the pixel (x, y) at an offset from the Sun's centre in arcsec."""
        dx, dy = self.orientation.to_pixels(east, north)
        return self.sun_x + float(dx), self.sun_y + float(dy)

    def reduced(self, factor: int) -> Grid:
        """Return the grid with pixels ``factor`` times as large that covers this one."""
        return Grid(
            width=-(-self.width // factor),
            height=-(-self.height // factor),
            scale_arcsec=self.scale_arcsec * factor,
            up_position_angle=self.up_position_angle,
        )


def frame_affine(
    grid: Grid,
    sun_x: float,
    sun_y: float,
    camera: Orientation,
    rotation_deg: float = 0.0,
    origin: tuple[float, float] | None = None,
) -> Floats:
    """Return the matrix that takes pixels of the grid to pixels of a frame.

    Parameters
    ----------
    grid : Grid
    sun_x, sun_y : float
        Where the Sun's centre lies in the frame, pixels.
    camera : Orientation
        Of the camera at greatest eclipse.
    rotation_deg : float
        The frame's ``up_position_angle`` less the camera's at greatest eclipse, degrees.
    origin : (float, float), optional
        The pixel of the grid that falls on (sun_x, sun_y); the grid's Sun if not given. With the
        Moon's places in grid and frame instead of the Sun's, frames register on the Moon.

    Returns
    -------
    ndarray of float64, shape (2, 3)
        Multiplies a column (x, y, 1) of the grid; gives (x, y) in the frame.
    """
    frame = Orientation(
        camera.pixel_scale_arcsec, camera.up_position_angle + rotation_deg, camera.mirrored
    )
    east, north = grid.orientation.to_sky(np.array([1.0, 0.0]), np.array([0.0, 1.0]))
    linear = np.stack(frame.to_pixels(east, north))
    start = np.array(origin if origin is not None else (grid.sun_x, grid.sun_y))
    shift = np.array([sun_x, sun_y]) - linear @ start
    return np.column_stack([linear, shift])


def reduced_affine(affine: Floats, grid_factor: int, frame_factor: int, grid: Grid) -> Floats:
    """Return the affine between a reduced grid and a reduced frame.

    Parameters
    ----------
    affine : ndarray, shape (2, 3)
        Between the full-size grid and frame.
    grid_factor, frame_factor : int
        By how much each is reduced. Pixel x of a reduced frame is centred on
        ``factor * (x + 0.5) - 0.5``; the reduced grid keeps the Sun at its centre.
    grid : Grid
        The full-size grid.
    """
    small = grid.reduced(grid_factor)
    linear = affine[:, :2] * grid_factor
    start = np.array([grid.sun_x, grid.sun_y]) - grid_factor * np.array([small.sun_x, small.sun_y])
    full = affine[:, :2] @ start + affine[:, 2]
    return np.column_stack([linear, full + 0.5]) / frame_factor - np.array([0.0, 0.0, 0.5])


@dataclass(frozen=True)
class Observer:
    """What a solar header says about the view: angles in degrees, distances in km.

    ``solar_north`` is the position angle of the Sun's north pole (P), ``zenith`` that of the
    zenith (the parallactic angle), ``b0`` and ``l0`` the heliographic latitude and Carrington
    longitude of the disc's centre.
    """

    solar_north: float
    zenith: float
    b0: float
    l0: float
    distance_km: float
    sun_radius_arcsec: float
    sun_radius_km: float = 696000.0


def world_header(
    grid: Grid,
    observer: Observer,
    start: Time,
    middle: Time,
    end: Time,
    refraction: Floats | None = None,
    *,
    north_known: bool = True,
) -> Header:
    """Return the world coordinates of a picture on the grid as a FITS header.

    The picture is expected with its last row first, as `limbward.radiance.fits` writes it, so
    that programs that show row 1 at the bottom show the sky upright.

    Parameters
    ----------
    grid : Grid
    observer : Observer
    start, middle, end : Time
        Of the exposures.
    refraction : ndarray, shape (2, 2), optional
        What refraction does to offsets (east, north); none if not given.
    north_known : bool
        If it is not, solar north is put where the picture's up is.

    Returns
    -------
    Header
        Helioprojective-cartesian axes in the first two axes (longitude grows to solar west); the
        third axis is the colour.

    References
    ----------
    W. T. Thompson, *Coordinate systems for solar image data*, A&A 449 (2006) 791.
    """
    # Columns: what one pixel to the right and one pixel up is on the sky, arcsec.
    seen: Floats = np.stack(grid.orientation.to_sky(np.array([1.0, 0.0]), np.array([0.0, -1.0])))
    if refraction is not None:
        seen = np.asarray(np.linalg.solve(refraction, seen), np.float64)
    p = np.radians(observer.solar_north if north_known else grid.up_position_angle)
    to_solar = np.array([[-np.cos(p), np.sin(p)], [np.sin(p), np.cos(p)]])  # west, north
    pc = to_solar @ seen / grid.scale_arcsec
    header = Header()
    header["WCSAXES"] = 3
    header["WCSNAME"] = "Helioprojective-cartesian"
    for axis, (name, middle_pixel) in enumerate(
        (("HPLN-TAN", grid.sun_x + 1.0), ("HPLT-TAN", grid.height - grid.sun_y)), start=1
    ):
        header[f"CTYPE{axis}"] = name
        header[f"CUNIT{axis}"] = "arcsec"
        header[f"CRPIX{axis}"] = (middle_pixel, "Sun's centre")
        header[f"CRVAL{axis}"] = 0.0
        header[f"CDELT{axis}"] = grid.scale_arcsec
    for i in (0, 1):
        for j in (0, 1):
            header[f"PC{i + 1}_{j + 1}"] = float(pc[i, j])
    header["CTYPE3"] = ("COLOUR", "1 red, 2 green, 3 blue")
    header["CRPIX3"], header["CRVAL3"], header["CDELT3"] = 1.0, 1.0, 1.0
    header["TIMESYS"] = "UTC"
    for key, time in (
        ("DATE-OBS", start),
        ("DATE-BEG", start),
        ("DATE-AVG", middle),
        ("DATE-END", end),
    ):
        header[key] = time.utc.to_value("isot", subfmt="date_hms")
    header["HGLN_OBS"] = (0.0, "deg, Stonyhurst: on the Earth, to 0.003 deg")
    header["HGLT_OBS"] = (observer.b0, "deg, B0")
    header["CRLN_OBS"] = (observer.l0, "deg, L0")
    header["CRLT_OBS"] = (observer.b0, "deg, B0")
    header["DSUN_OBS"] = (observer.distance_km * 1e3, "m")
    header["RSUN_REF"] = (observer.sun_radius_km * 1e3, "m")
    header["RSUN_OBS"] = (observer.sun_radius_arcsec, "arcsec")
    header["UPPA"] = (grid.up_position_angle, "deg, position angle of the picture's up")
    header["SOLARPA"] = (observer.solar_north, "deg, position angle of solar north, P")
    header["ZENITHPA"] = (observer.zenith, "deg, position angle of the zenith")
    return header


def add_moon(header: Header, moon: Disc, height: int) -> None:
    """Write the Moon's place at greatest eclipse into a header, counted as CRPIX is."""
    header["MOONX"] = (moon.x + 1.0, "Moon's centre at greatest eclipse, pixel")
    header["MOONY"] = (height - moon.y, "Moon's centre at greatest eclipse, pixel")
    header["MOONR"] = (moon.radius, "Moon's radius, pixels")


def add_uncertainty(header: Header, sun_sigma_arcsec: float, *, north_known: bool) -> None:
    """Write into a header how well its world coordinates are known.

    Parameters
    ----------
    header : Header
    sun_sigma_arcsec : float
        Standard error of the Sun's centre that all frames share: CSYER of both axes.
    north_known : bool
        Whether the camera's orientation is known.

    References
    ----------
    FITS standard 4.0 (2018), section 8.2.1: CRDERi, CSYERi.
    """
    for axis in (1, 2):
        header[f"CSYER{axis}"] = (sun_sigma_arcsec, "arcsec, systematic error of the Sun's centre")
    header["NORTHKN"] = (north_known, "whether north in the picture is known")
    if not north_known:
        header.add_history("North is not known: position angle 0 is the camera's up, and PC")
        header.add_history("turns by no more than that. The Sun's centre is the Moon's mean place.")


def north_known(header: Header) -> bool:
    """Return whether a merged picture's directions on the sky are known."""
    return bool(header.get("NORTHKN", True))


def read_geometry(header: Header) -> tuple[Grid, Disc, Disc | None]:
    """Return the grid, the Sun's disc and the Moon's at greatest eclipse of a written picture.

    Raises
    ------
    KeyError
        If the header is not that of a merged picture.
    """
    width, height = int(header["NAXIS1"]), int(header["NAXIS2"])
    grid = Grid(width, height, float(header["CDELT1"]), float(header["UPPA"]))
    sun = Disc(
        float(header["CRPIX1"]) - 1.0,
        height - float(header["CRPIX2"]),
        float(header["RSUN_OBS"]) / grid.scale_arcsec,
    )
    moon = None
    if "MOONX" in header:
        moon = Disc(
            float(header["MOONX"]) - 1.0, height - float(header["MOONY"]), float(header["MOONR"])
        )
    return grid, sun, moon
