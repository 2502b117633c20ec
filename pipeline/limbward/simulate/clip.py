"""A simulated device that films: H.264 in MP4 with a creation time of its own clock."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from astropy.time import Time, TimeDelta
from numpy.typing import NDArray

from limbward.geometry.orientation import Orientation
from limbward.simulate.corona import corona
from limbward.simulate.limb import moon_at
from limbward.simulate.plan import eclipse_of
from limbward.simulate.scenario import Scenario
from limbward.simulate.scene import Placement, blur, paint
from limbward.sky.air import standard_air
from limbward.sky.ephemeris import view
from limbward.sky.refraction import refraction_matrix


@dataclass(frozen=True)
class Filming:
    """A film to take.

    Attributes
    ----------
    start_s, seconds : float
        From greatest eclipse, and how long.
    rate : float
    width, height : int
    scale_arcsec, up_position_angle : float
    gain : float
        Signal over brightness in units of the mean disc: 0.6 behind a filter, 1e5 in totality.
    clock_fast_s : float
        What the device's clock reads more than UTC. The file holds whole seconds of it.
    drift_px_per_s : float
        Of the Sun, to the right.
    noise : float
        Standard deviation, part of the range.
    make, model : str
        Invented.
    """

    start_s: float
    seconds: float
    rate: float = 25.0
    width: int = 640
    height: int = 480
    scale_arcsec: float = 6.0
    up_position_angle: float = -20.0
    gain: float = 0.6
    clock_fast_s: float = 0.0
    drift_px_per_s: float = 0.02
    noise: float = 0.008
    make: str = "Meridian"
    model: str = "Meridian V2"


def write_clip(path: Path, scenario: Scenario, filming: Filming, seed: int) -> datetime:
    """Write a film and return when it truly began, UTC.

    Parameters
    ----------
    path : Path
        ``.mp4`` or ``.mov``.
    scenario : Scenario
        Gives the place, the day and the Moon's limb.
    filming : Filming
    seed : int
    """
    _, contacts = eclipse_of(scenario)
    began = contacts["greatest"] + timedelta(seconds=filming.start_s)
    count = round(filming.seconds * filming.rate)
    since = np.arange(count) / filming.rate
    times = Time(began) + TimeDelta(since, format="sec")
    sky = view(times, scenario.site, radii=scenario.sizes, ephemeris=scenario.ephemeris)
    air = standard_air(scenario.site.height)
    refraction = refraction_matrix(sky, air.pressure_hpa, air.temperature_c)
    rng = np.random.default_rng(np.random.SeedSequence([seed, 6]))
    exact = Fraction(filming.rate).limit_denominator(1001)
    reading = began + timedelta(seconds=filming.clock_fast_s)
    path.parent.mkdir(parents=True, exist_ok=True)
    # Without the flag the MP4 writer leaves out tags that it does not know.
    flags = {"movflags": "use_metadata_tags"}
    with av.open(str(path), "w", options=flags) as container:
        container.metadata["creation_time"] = reading.replace(microsecond=0).isoformat() + "Z"
        container.metadata["make"] = filming.make
        container.metadata["model"] = filming.model
        stream: Any = container.add_stream("libx264", rate=exact, options={"crf": "18"})
        stream.width, stream.height, stream.pix_fmt = filming.width, filming.height, "yuv420p"
        # A film is so short that the limb stays as it is.
        face = moon_at(scenario, began, seed)
        camera = Orientation(filming.scale_arcsec, filming.up_position_angle)
        east, north = camera.to_sky(np.array([1.0, 0.0]), np.array([0.0, 1.0]))
        for i in range(count):
            offset = np.array([sky.moon_east_arcsec[i], sky.moon_north_arcsec[i]])
            dx, dy = camera.to_pixels(*(refraction[i] @ offset))
            x = 0.5 * filming.width + filming.drift_px_per_s * (since[i] - filming.seconds / 2)
            y = 0.5 * filming.height
            place = Placement(
                x,
                y,
                float(x + dx),
                float(y + dy),
                np.linalg.inv(refraction[i]) @ np.stack([east, north]),
                float(sky.sun_radius_arcsec[i]),
                float(sky.moon_radius_arcsec[i]),
                float(sky.sun_axis_position_angle[i]),
                filming.scale_arcsec,
            )
            shape = (filming.height, filming.width)
            scene = paint(shape, place, corona(seed), face)
            light = blur(scene, place, 0.8).white * np.float32(filming.gain)
            picture = av.VideoFrame.from_ndarray(_signal(light, filming.noise, rng), format="gray")
            picture = picture.reformat(format="yuv420p")
            picture.pts, picture.time_base = i, 1 / exact
            for packet in stream.encode(picture):
                container.mux(packet)
        for packet in stream.encode(None):
            container.mux(packet)
    return began


def _signal(
    light: NDArray[np.float32], noise: float, rng: np.random.Generator
) -> NDArray[np.uint8]:
    """Return linear light as bytes by the transfer curve of ITU-R BT.709, with noise."""
    light = np.clip(light, 0.0, 1.0)
    curve = np.where(light < 0.018, 4.5 * light, 1.099 * light**0.45 - 0.099)
    grain = noise * rng.standard_normal(light.shape, dtype=np.float32)
    return np.rint(np.clip(curve + grain, 0.0, 1.0) * 255.0).astype(np.uint8)
