"""From a camera's plan to its frames: where everything stands, and the pixels."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from astropy.time import Time, TimeDelta
from numpy.typing import NDArray

from limbward.geometry.orientation import Orientation
from limbward.simulate.corona import corona
from limbward.simulate.instrument import (
    flat_electrons,
    read_out,
    scene_electrons,
    sensor_maps,
)
from limbward.simulate.moon import moon
from limbward.simulate.mount import pointing
from limbward.simulate.plan import FLAT_LEVEL, Shot, clock_reading, shots
from limbward.simulate.scenario import Camera, Scenario
from limbward.simulate.scene import Placement, blur, paint
from limbward.sky.air import standard_air
from limbward.sky.contacts import overlap_fraction
from limbward.sky.ephemeris import SkyView, view
from limbward.sky.refraction import refraction_matrix

Floats = NDArray[np.float64]

# The blue sky near the Sun by day, in units of the mean disc: it goes with the sunlight that is
# left, and 1e-4 of the photosphere at a contact adds less than the corona's own light does.
DAY_SKY = 2e-6


@dataclass(frozen=True)
class SimulatedFrame:
    """One exposure with its truth.

    Attributes
    ----------
    camera : Camera
    shot : Shot
    place : Placement or None
        None for darks and flats.
    up_position_angle : float
        Of the image, in this frame; NaN for darks and flats.
    sky : tuple of float
        Brightness of the air at pixel (0, 0) and its slopes along x and y.
    time_camera : datetime
        Reading of the camera's clock when the exposure began.
    seed : tuple of int
        Entropy of the frame's noise.
    """

    camera: Camera
    shot: Shot
    place: Placement | None
    up_position_angle: float
    sky: tuple[float, float, float]
    time_camera: datetime
    seed: tuple[int, ...]


def camera_frames(
    scenario: Scenario,
    index: int,
    contacts: dict[str, datetime],
    seed: int,
) -> list[SimulatedFrame]:
    """Return the frames of one camera in time order.

    Parameters
    ----------
    scenario : Scenario
    index : int
        Of the camera.
    contacts : dict
        From `limbward.simulate.plan.eclipse_of`.
    seed : int
    """
    camera = scenario.cameras[index]
    rng = np.random.default_rng(np.random.SeedSequence([seed, 4, index]))
    taken = shots(scenario, camera, contacts, rng)
    lit = [s for s in taken if s.kind not in ("dark", "flat")]
    places: dict[int, tuple[Placement, float, tuple[float, float, float]]] = {}
    if lit:
        places = _places(scenario, camera, lit, contacts["greatest"], rng)
    frames = []
    for shot in taken:
        place, up, sky = places.get(shot.index, (None, math.nan, (0.0, 0.0, 0.0)))
        frames.append(
            SimulatedFrame(
                camera=camera,
                shot=shot,
                place=place,
                up_position_angle=up,
                sky=sky,
                time_camera=clock_reading(camera.clock, shot.start, contacts["greatest"]),
                seed=(seed, 5, index, shot.index),
            )
        )
    return frames


def _places(
    scenario: Scenario,
    camera: Camera,
    taken: list[Shot],
    greatest: datetime,
    rng: np.random.Generator,
) -> dict[int, tuple[Placement, float, tuple[float, float, float]]]:
    """Return placement, image up and sky of each lit shot, by its index."""
    exposure = np.array([s.exposure_s for s in taken])
    middle = Time([s.start for s in taken]) + TimeDelta(exposure / 2, format="sec")

    def seen(time: Time) -> SkyView:
        return view(time, scenario.site, radii=scenario.radii, ephemeris=scenario.ephemeris)

    sky, later = seen(middle), seen(middle + TimeDelta(1.0, format="sec"))
    at_greatest = Time([greatest])
    since = (middle - at_greatest[0]).to_value("sec")
    shape, scale = camera.instrument.shape, camera.pixel_scale_arcsec
    aim = pointing(
        camera.mount,
        sky,
        later,
        np.asarray(since, float),
        seen(at_greatest),
        shape=shape,
        scale_arcsec=scale,
        rng=rng,
    )
    air = standard_air(scenario.site.height)
    refraction = (
        refraction_matrix(sky, air.pressure_hpa, air.temperature_c)
        if scenario.refraction
        else np.tile(np.eye(2), (len(sky.sun_ra), 1, 1))
    )
    bright = 1.0 - overlap_fraction(
        sky.separation_arcsec, sky.sun_radius_arcsec, sky.moon_radius_arcsec
    )
    out: dict[int, tuple[Placement, float, tuple[float, float, float]]] = {}
    for i, shot in enumerate(taken):
        up = float(aim.up_position_angle[i])
        camera_axes = Orientation(scale, up, camera.mount.mirrored)
        offset = np.array([sky.moon_east_arcsec[i], sky.moon_north_arcsec[i]])
        moved = np.array([later.moon_east_arcsec[i], later.moon_north_arcsec[i]]) - offset
        dx, dy = camera_axes.to_pixels(*(refraction[i] @ offset))
        tx, ty = camera_axes.to_pixels(*(moved * shot.exposure_s))
        east, north = camera_axes.to_sky(np.array([1.0, 0.0]), np.array([0.0, 1.0]))
        to_sky = np.linalg.inv(refraction[i]) @ np.stack([east, north])
        zx, zy = camera_axes.towards(float(sky.parallactic_angle[i]))
        place = Placement(
            sun_x=float(aim.sun_x[i]),
            sun_y=float(aim.sun_y[i]),
            moon_x=float(aim.sun_x[i] + dx),
            moon_y=float(aim.sun_y[i] + dy),
            to_sky=to_sky,
            sun_radius_arcsec=float(sky.sun_radius_arcsec[i]),
            moon_radius_arcsec=float(sky.moon_radius_arcsec[i]),
            sun_axis_position_angle=float(sky.sun_axis_position_angle[i]),
            pixel_scale_arcsec=scale,
            trail_x=float(aim.trail_x_per_s[i] * shot.exposure_s),
            trail_y=float(aim.trail_y_per_s[i] * shot.exposure_s),
            moon_trail_x=float(tx),
            moon_trail_y=float(ty),
        )
        weather = scenario.weather
        level = weather.sky_brightness + DAY_SKY * float(bright[i])
        slope = level * weather.sky_gradient * scale / 3600.0
        rows, columns = shape
        slope_x, slope_y = -float(zx) * slope, -float(zy) * slope
        corner = level - slope_x * columns / 2 - slope_y * rows / 2
        out[shot.index] = (place, up, (corner, slope_x, slope_y))
    return out


def expose(scenario: Scenario, frame: SimulatedFrame, seed: int) -> NDArray[np.uint16]:
    """Return a frame's mosaic in ADU, masked margins included.

    Parameters
    ----------
    scenario : Scenario
    frame : SimulatedFrame
        From `camera_frames`.
    seed : int
        Of the whole simulation: fixes corona, Moon and sensor.
    """
    camera, shot = frame.camera, frame.shot
    body = camera.instrument
    maps = sensor_maps(body, seed)
    rng = np.random.default_rng(np.random.SeedSequence(list(frame.seed)))
    iso = camera.plan.iso
    if frame.place is not None:
        scene = paint(body.shape, frame.place, corona(seed), moon(seed, scenario.limb_rms_arcsec))
        scene = blur(scene, frame.place, camera.psf_sigma_px)
        electrons = scene_electrons(
            body,
            maps,
            scene,
            frame.sky,
            exposure_s=shot.exposure_s,
            f_number=camera.f_number,
            transmission=shot.transmission * 10.0**-shot.filter_density,
        )
    elif shot.kind == "flat":
        electrons = flat_electrons(body, maps, FLAT_LEVEL, iso)
    else:
        electrons = np.zeros(body.shape, dtype=np.float32)
    return read_out(body, maps, electrons, exposure_s=shot.exposure_s, iso=iso, rng=rng)
