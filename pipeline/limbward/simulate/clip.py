"""A simulated device that films: H.264 in MP4, or SER, with times of its own clock."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from astropy.time import Time, TimeDelta
from numpy.typing import NDArray

from limbward.camera.ser import HEADER, MAGIC
from limbward.geometry.orientation import Orientation
from limbward.simulate.corona import corona
from limbward.simulate.limb import moon_at
from limbward.simulate.plan import eclipse_of
from limbward.simulate.scenario import Scenario
from limbward.simulate.scene import Placement, paint
from limbward.simulate.spread import blur
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
        ``.mp4`` or ``.mov``; with ``.ser`` it is that of a planetary camera, of 12 bits, with a
        stamp for each picture by the clock of the computer that records it.
    scenario : Scenario
        Gives the place, the day and the Moon's limb.
    filming : Filming
    seed : int
    """
    _, contacts = eclipse_of(scenario)
    began = contacts["greatest"] + timedelta(seconds=filming.start_s)
    rng = np.random.default_rng(np.random.SeedSequence([seed, 6]))
    path.parent.mkdir(parents=True, exist_ok=True)
    light = _scenes(scenario, filming, began, seed)
    reading = began + timedelta(seconds=filming.clock_fast_s)
    if path.suffix == ".ser":
        _write_ser(path, light, filming, reading, rng)
    else:
        _encode(path, light, filming, reading, rng)
    return began


def _scenes(
    scenario: Scenario, filming: Filming, began: datetime, seed: int
) -> Iterator[NDArray[np.float32]]:
    """Yield the pictures as light, 1 at the upper end of the range."""
    count = round(filming.seconds * filming.rate)
    since = np.arange(count) / filming.rate
    times = Time(began) + TimeDelta(since, format="sec")
    sky = view(times, scenario.site, radii=scenario.sizes, ephemeris=scenario.ephemeris)
    air = standard_air(scenario.site.height)
    refraction = refraction_matrix(sky, air.pressure_hpa, air.temperature_c)
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
        scene = paint((filming.height, filming.width), place, corona(seed), face)
        yield blur(scene, place, 0.8).white * np.float32(filming.gain)


def _encode(
    path: Path,
    scenes: Iterator[NDArray[np.float32]],
    filming: Filming,
    reading: datetime,
    rng: np.random.Generator,
) -> None:
    """Write H.264 in the container of the file's suffix."""
    exact = Fraction(filming.rate).limit_denominator(1001)
    # Without the flag the MP4 writer leaves out tags that it does not know.
    flags = {"movflags": "use_metadata_tags"}
    with av.open(str(path), "w", options=flags) as container:
        container.metadata["creation_time"] = reading.replace(microsecond=0).isoformat() + "Z"
        container.metadata["make"] = filming.make
        container.metadata["model"] = filming.model
        stream: Any = container.add_stream("libx264", rate=exact, options={"crf": "18"})
        stream.width, stream.height, stream.pix_fmt = filming.width, filming.height, "yuv420p"
        for i, light in enumerate(scenes):
            picture = av.VideoFrame.from_ndarray(_signal(light, filming.noise, rng), format="gray")
            picture = picture.reformat(format="yuv420p")
            picture.pts, picture.time_base = i, 1 / exact
            for packet in stream.encode(picture):
                container.mux(packet)
        for packet in stream.encode(None):
            container.mux(packet)


def _write_ser(
    path: Path,
    scenes: Iterator[NDArray[np.float32]],
    filming: Filming,
    reading: datetime,
    rng: np.random.Generator,
) -> None:
    """Write a SER film, version 3."""
    ticks = (reading - datetime(1, 1, 1)) // timedelta(microseconds=1) * 10
    count = 0
    with path.open("wb") as file:
        file.write(bytes(HEADER.size))
        for light in scenes:
            grain = filming.noise * rng.standard_normal(light.shape, dtype=np.float32)
            file.write(np.rint(np.clip(light + grain, 0.0, 1.0) * 4095.0).astype("<u2").tobytes())
            count += 1
        stamps = ticks + np.rint(np.arange(count) / filming.rate * 1e7).astype("<i8")
        file.write(stamps.astype("<i8").tobytes())
        file.seek(0)
        names = (b"", f"{filming.make} {filming.model}".encode(), b"")
        size = filming.width, filming.height
        file.write(HEADER.pack(MAGIC, 0, 0, 0, *size, 12, count, *names, ticks, ticks))


def _signal(
    light: NDArray[np.float32], noise: float, rng: np.random.Generator
) -> NDArray[np.uint8]:
    """Return linear light as bytes by the transfer curve of ITU-R BT.709, with noise."""
    light = np.clip(light, 0.0, 1.0)
    curve = np.where(light < 0.018, 4.5 * light, 1.099 * light**0.45 - 0.099)
    grain = noise * rng.standard_normal(light.shape, dtype=np.float32)
    return np.rint(np.clip(curve + grain, 0.0, 1.0) * 255.0).astype(np.uint8)
