"""From a camera's plan to its frames: where everything stands, and the pixels."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np
from astropy.time import Time, TimeDelta
from numpy.typing import NDArray

from limbward.geometry.orientation import Orientation
from limbward.simulate.air import Blur, blur_of
from limbward.simulate.cloud import GLOW, exposed
from limbward.simulate.corona import corona
from limbward.simulate.instrument import (
    flat_electrons,
    read_out,
    scene_electrons,
    sensor_maps,
)
from limbward.simulate.limb import moon_at
from limbward.simulate.mount import knocks, pointing
from limbward.simulate.optics import lateral_colour
from limbward.simulate.passage import Ghost, Passage, gain_nodes, pass_through
from limbward.simulate.plan import FLAT_LEVEL, Shot, clock_reading, shots
from limbward.simulate.scenario import Camera, Scenario, Weather
from limbward.simulate.scene import Placement, Scene, paint
from limbward.simulate.spread import blur
from limbward.sky.air import standard_air
from limbward.sky.contacts import overlap_fraction
from limbward.sky.ephemeris import SkyView, view
from limbward.sky.refraction import refraction_matrix

Floats = NDArray[np.float64]

# The blue sky near the Sun by day, in units of the mean disc: it goes with the sunlight that is
# left, and 1e-4 of the photosphere at a contact adds less than the corona's own light does.
DAY_SKY = 2e-6
# Cloud is looked at in places so far apart; a sixth of its smallest structure.
GAIN_STEP_ARCSEC = 60.0


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
    blur : Blur or None
        None for darks and flats.
    knocked : bool
        True if the mount shook.
    cloud_shift_arcsec : tuple of float
        How far the cloud had drifted since greatest eclipse when the exposure began, from the
        Sun, east and north.
    """

    camera: Camera
    shot: Shot
    place: Placement | None
    up_position_angle: float
    sky: tuple[float, float, float]
    time_camera: datetime
    seed: tuple[int, ...]
    blur: Blur | None = None
    knocked: bool = False
    cloud_shift_arcsec: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class _Lit:
    """What a frame of the sky has and a dark has not; see `SimulatedFrame`."""

    place: Placement
    up: float
    sky: tuple[float, float, float]
    blur: Blur
    knocked: bool
    cloud_shift: tuple[float, float]


def camera_frames(
    scenario: Scenario,
    index: int,
    contacts: dict[str, datetime],
    seed: int,
    *,
    total: bool = True,
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
    total : bool
        Whether the eclipse is total.
    """
    camera = scenario.cameras[index]
    rng = np.random.default_rng(np.random.SeedSequence([seed, 4, index]))
    taken = shots(scenario, camera, contacts, rng, total=total)
    under_sky = [s for s in taken if s.kind not in ("dark", "flat")]
    lit: dict[int, _Lit] = {}
    if under_sky:
        # Of its own, so that a fault added to a scenario leaves all else as it was.
        faults = np.random.default_rng(np.random.SeedSequence([seed, 8, index]))
        lit = _places(scenario, camera, under_sky, contacts["greatest"], rng, faults)
    frames = []
    for shot in taken:
        seen = lit.get(shot.index)
        frame = SimulatedFrame(
            camera=camera,
            shot=shot,
            place=None,
            up_position_angle=math.nan,
            sky=(0.0, 0.0, 0.0),
            time_camera=clock_reading(camera.clock, shot.start, contacts["greatest"]),
            seed=(seed, 5, index, shot.index),
        )
        if seen is not None:
            frame = replace(
                frame,
                place=seen.place,
                up_position_angle=seen.up,
                sky=seen.sky,
                blur=seen.blur,
                knocked=seen.knocked,
                cloud_shift_arcsec=seen.cloud_shift,
            )
        frames.append(frame)
    return frames


def _blurs(
    scenario: Scenario, camera: Camera, since_greatest_s: Floats, rng: np.random.Generator
) -> list[Blur]:
    """Return each frame's blur: the seeing of its moment, and a focus that drifts evenly."""
    seeing = rng.uniform(*scenario.weather.seeing_arcsec, len(since_greatest_s))
    ages = since_greatest_s - since_greatest_s[0]
    drift = camera.optics.focus_drift_px * ages / max(float(ages[-1]), 1.0)
    scale = camera.pixel_scale_arcsec
    return [
        blur_of(camera.psf_sigma_px, float(a), float(d), scale)
        for a, d in zip(seeing, drift, strict=True)
    ]


def _places(
    scenario: Scenario,
    camera: Camera,
    taken: list[Shot],
    greatest: datetime,
    rng: np.random.Generator,
    faults: np.random.Generator,
) -> dict[int, _Lit]:
    """Return what is true of each lit shot, by its index."""
    exposure = np.array([s.exposure_s for s in taken])
    middle = Time([s.start for s in taken]) + TimeDelta(exposure / 2, format="sec")

    def seen(time: Time) -> SkyView:
        return view(time, scenario.site, radii=scenario.sizes, ephemeris=scenario.ephemeris)

    sky, later = seen(middle), seen(middle + TimeDelta(1.0, format="sec"))
    at_greatest = Time([greatest])
    since = np.asarray((middle - at_greatest[0]).to_value("sec"), float)
    shape, scale = camera.instrument.shape, camera.pixel_scale_arcsec
    aim = pointing(
        camera.mount,
        sky,
        later,
        since,
        seen(at_greatest),
        shape=shape,
        scale_arcsec=scale,
        rng=rng,
    )
    blurs = _blurs(scenario, camera, since, faults)
    knock = knocks(camera.mount, exposure, scale, faults)
    air = standard_air(scenario.site.height)
    refraction = (
        refraction_matrix(sky, air.pressure_hpa, air.temperature_c)
        if scenario.refraction
        else np.tile(np.eye(2), (len(sky.sun_ra), 1, 1))
    )
    bright = 1.0 - overlap_fraction(
        sky.separation_arcsec, sky.sun_radius_arcsec, sky.moon_radius_arcsec
    )
    out: dict[int, _Lit] = {}
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
            trail_x=float(aim.trail_x_per_s[i] * shot.exposure_s + knock[i, 0]),
            trail_y=float(aim.trail_y_per_s[i] * shot.exposure_s + knock[i, 1]),
            moon_trail_x=float(tx),
            moon_trail_y=float(ty),
        )
        out[shot.index] = _Lit(
            place,
            up,
            _sky(scenario.weather, float(bright[i]), (float(zx), float(zy)), scale, shape),
            blurs[i],
            bool(np.any(knock[i])),
            scenario.weather.cloud.shift_arcsec(float(since[i]) - shot.exposure_s / 2),
        )
    return out


def _sky(
    weather: Weather,
    bright: float,
    zenith: tuple[float, float],
    scale_arcsec: float,
    shape: tuple[int, int],
) -> tuple[float, float, float]:
    """Return the air's brightness at pixel (0, 0) and its slopes; ``zenith`` is a unit step."""
    level = weather.sky_brightness + DAY_SKY * bright
    slope = level * weather.sky_gradient * scale_arcsec / 3600.0
    rows, columns = shape
    slope_x, slope_y = -zenith[0] * slope, -zenith[1] * slope
    corner = level - slope_x * columns / 2 - slope_y * rows / 2
    return corner, slope_x, slope_y


def cloud_gain(
    scenario: Scenario, frame: SimulatedFrame, seed: int, x: Floats, y: Floats
) -> Floats:
    """Return what cloud lets through in a frame, mean over the exposure.

    Parameters
    ----------
    scenario : Scenario
    frame : SimulatedFrame
        With a placement.
    seed : int
        Of the whole simulation.
    x, y : ndarray
        Pixels; they are broadcast against each other.
    """
    place = frame.place
    if place is None:
        raise ValueError("A dark has no sky.")
    dx, dy = x - place.sun_x, y - place.sun_y
    m = place.to_sky
    east, north = m[0, 0] * dx + m[0, 1] * dy, m[1, 0] * dx + m[1, 1] * dy
    cloud = scenario.weather.cloud
    return exposed(cloud, seed, east, north, frame.cloud_shift_arcsec, frame.shot.exposure_s)


def _passage(scenario: Scenario, frame: SimulatedFrame, seed: int) -> Passage:
    """Return what lies between the scene and the sensor in a frame."""
    weather, camera = scenario.weather, frame.camera
    body, scale = camera.instrument, camera.pixel_scale_arcsec
    gain, step = None, GAIN_STEP_ARCSEC / scale
    if weather.cloud.absorption:
        x, y = gain_nodes(body.shape, step)
        gain = cloud_gain(scenario, frame, seed, x, y[:, None])
    ghost = None
    if camera.optics.ghost:
        # An even disc has a standard deviation of a quarter of its diameter on each axis.
        sigma = 0.25 * camera.optics.ghost_mm * 1000.0 / body.pixel_pitch_um
        axis = camera.optics.axis_px(body.shape, body.pixel_pitch_um)
        ghost = Ghost(camera.optics.ghost, sigma, axis)
    level = frame.sky[0] + 0.5 * (frame.sky[1] * body.shape[1] + frame.sky[2] * body.shape[0])
    return Passage(
        scale_arcsec=scale,
        aureole=weather.aureole,
        aureole_arcsec=weather.aureole_arcsec,
        gain=gain,
        gain_step=step,
        glow=GLOW * level,
        ghost=ghost,
    )


def _scene(scenario: Scenario, frame: SimulatedFrame, place: Placement, seed: int) -> Scene:
    """Return the light that falls on the sensor, but for the sky's."""
    camera = frame.camera
    body, optics = camera.instrument, camera.optics
    sigma = frame.blur.sigma_px if frame.blur else camera.psf_sigma_px
    middle = frame.shot.start + timedelta(seconds=0.5 * frame.shot.exposure_s)
    scene = paint(body.shape, place, corona(seed), moon_at(scenario, middle, seed))
    scene = pass_through(blur(scene, place, sigma), _passage(scenario, frame, seed))
    axis = optics.axis_px(body.shape, body.pixel_pitch_um)
    seen = (
        lateral_colour(light, body.pattern, optics.lateral, axis, optics.distortion)
        for light in (scene.white, scene.pink)
    )
    return Scene(*seen)


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
    iso = shot.iso
    if frame.place is not None:
        electrons = scene_electrons(
            body,
            maps,
            _scene(scenario, frame, frame.place, seed),
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
