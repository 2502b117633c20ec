"""What a simulation knows to be true: for the file beside the card, and for comparing pictures."""

from __future__ import annotations

import math
from dataclasses import asdict
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from limbward.geometry.orientation import Orientation
from limbward.simulate.corona import corona
from limbward.simulate.frames import SimulatedFrame, cloud_gain
from limbward.simulate.scenario import Camera, Scenario
from limbward.sky.circumstances import Circumstances


def true_corona(
    seed: int,
    shape: tuple[int, int],
    *,
    sun_x: float,
    sun_y: float,
    sun_radius_px: float,
    up_from_solar_north: float = 0.0,
    mirrored: bool = False,
) -> NDArray[np.float32]:
    """Return the true corona on a pixel grid, sharp and without Moon, sky or camera.

    Parameters
    ----------
    seed : int
        Of the simulation.
    shape : tuple of int
        Rows and columns.
    sun_x, sun_y, sun_radius_px : float
        Centre and radius of the Sun on the grid, pixels.
    up_from_solar_north : float
        Position angle of the grid's up, degrees from *solar* north through east.
    mirrored : bool

    Returns
    -------
    ndarray of float32, shape (3, H, W)
        Linear sRGB, white being sunlight, in units of the mean solar disc. NaN on the disc.
        `limbward.simulate.instrument.Instrument.colour` turns it into a camera's colours.
    """
    y, x = np.indices(shape, dtype=float)
    dx, dy = (x - sun_x) / sun_radius_px, (y - sun_y) / sun_radius_px
    east, north = Orientation(1.0, up_from_solar_north, mirrored).to_sky(dx, dy)
    out = corona(seed).radiance(east, north).astype(np.float32)
    out[:, np.hypot(east, north) < 1.0] = np.nan
    return out


def _iso(time: datetime) -> str:
    return time.isoformat(timespec="milliseconds") + "Z"


def truth_json(
    scenario: Scenario,
    rows: list[dict[str, Any]],
    circumstances: Circumstances,
    contacts: dict[str, datetime],
    seed: int,
) -> dict[str, Any]:
    """Return the truth of a dump, ready for JSON.

    Parameters
    ----------
    scenario : Scenario
    rows : list of dict
        From `frame_truth`.
    circumstances : Circumstances
    contacts : dict
        From `limbward.simulate.plan.eclipse_of`.
    seed : int
    """
    cameras = [_camera_truth(c, contacts["greatest"]) for c in scenario.cameras]
    seen = circumstances.to_json_dict()
    return {
        "seed": seed,
        "name": scenario.name,
        "conditions": scenario.conditions,
        "date": scenario.date,
        "site": asdict(scenario.site),
        "contacts": seen["contacts"],
        "caution": seen["caution"],
        "sky_brightness": scenario.weather.sky_brightness,
        "weather": asdict(scenario.weather),
        "shutter_error": scenario.shutter_error,
        "limb": scenario.limb if isinstance(scenario.limb, str) else "given",
        "solar_radius_km": scenario.sizes.solar_radius_km,
        "cameras": cameras,
        "frames": rows,
    }


def _camera_truth(camera: Camera, greatest: datetime) -> dict[str, Any]:
    body, clock, mount = camera.instrument, camera.clock, camera.mount
    rows, columns = body.shape
    return {
        "camera": body.model if body.model.startswith(body.make) else f"{body.make} {body.model}",
        "serial": body.serial,
        "width": columns,
        "height": rows,
        "focal_length_mm": camera.focal_length_mm,
        "f_number": camera.f_number,
        "pixel_scale_arcsec": camera.pixel_scale_arcsec,
        "optics": asdict(camera.optics),
        "optical_axis": list(camera.optics.axis_px(body.shape, body.pixel_pitch_um)),
        "mount": mount.kind,
        "up_position_angle": mount.up_position_angle,
        "mirrored": mount.mirrored,
        "field_rotation_deg_per_hour": mount.field_rotation_deg_per_hour,
        "polar_error_arcmin": list(mount.polar_error_arcmin),
        "lean_deg": list(mount.lean_deg),
        "recentred_s": list(mount.recentred_s),
        "utc_offset_hours": clock.utc_offset_hours,
        "offset_s": clock.offset_s,
        "drift_s_per_hour": clock.drift_s_per_hour,
        "steps": [list(step) for step in clock.steps],
        "epoch_utc": _iso(greatest),
        "response": list(body.response),
        "black": list(body.black),
        "white": body.white,
        "clip_adu": body.top,
        "bend": body.bend,
        "electrons_per_adu": body.gain(camera.plan.iso),
        "read_noise_electrons": body.read_noise_electrons(camera.plan.iso),
        "disc_electrons_per_s": body.disc_rate(camera.f_number),
    }


def frame_truth(path: str, frame: SimulatedFrame, scenario: Scenario, seed: int) -> dict[str, Any]:
    """Return what is true of one frame, written to the file at ``path``.

    ``gain`` is what patchy cloud lets through at the Sun's centre, mean over the exposure.

    Parameters
    ----------
    path : str
    frame : SimulatedFrame
    scenario : Scenario
    seed : int
        Of the simulation.
    """
    shot, place = frame.shot, frame.place
    body = frame.camera.instrument
    row: dict[str, Any] = {
        "file": path,
        "camera": body.model if body.model.startswith(body.make) else f"{body.make} {body.model}",
        "serial": body.serial,
        "kind": shot.kind,
        "truncated": shot.truncated,
        "time_utc": _iso(shot.start),
        "time_camera": frame.time_camera.isoformat(timespec="milliseconds"),
        "exposure_s": shot.exposure_s,
        "nominal_exposure_s": shot.nominal_s,
        "iso": shot.iso,
        "filter_density": shot.filter_density,
        "transmission": shot.transmission,
    }
    if place is not None:
        sun = np.array([place.sun_x]), np.array([place.sun_y])
        gain = float(cloud_gain(scenario, frame, seed, *sun)[0])
        # Refraction makes the discs ellipses; the radius is that of the circle of equal area.
        scale = math.sqrt(abs(float(np.linalg.det(place.to_sky))))
        optics = frame.camera.optics
        for body_name, disc in (
            ("sun", (place.sun_x, place.sun_y, place.sun_radius_arcsec / scale)),
            ("moon", (place.moon_x, place.moon_y, place.moon_radius_arcsec / scale)),
        ):
            drawn = optics.drawn_disc(body.shape, body.pixel_pitch_um, disc)
            row |= dict(zip((f"{body_name}_{k}" for k in ("x", "y", "radius")), drawn, strict=True))
        row |= {
            "up_position_angle": frame.up_position_angle,
            "sun_axis_position_angle": place.sun_axis_position_angle,
            "trail_px": [place.trail_x, place.trail_y],
            "knocked": frame.knocked,
            "gain": gain,
            "cloud_shift_arcsec": list(frame.cloud_shift_arcsec),
            "sky": list(frame.sky),
        }
    if frame.blur is not None:
        row["blur"] = asdict(frame.blur)
    return row
