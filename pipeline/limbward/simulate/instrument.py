"""The camera: from brightness to the numbers in a RAW file.

The sensor keeps its size whatever the number of pixels, and what a pixel holds goes with its area:
a frame of few megapixels has the same exposure, field and saturation as one of many.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from limbward.compiled import kernel
from limbward.simulate.corona import PINK
from limbward.simulate.dng import RawLayout
from limbward.simulate.scene import Scene

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]

CFA = {
    "RGGB": ((0, 1), (1, 2)),
    "BGGR": ((2, 1), (1, 0)),
    "GRBG": ((1, 0), (2, 1)),
    "GBRG": ((1, 2), (0, 1)),
}
REFERENCE_PITCH_UM = 6.0
# Electrons a second from the mean solar disc in a green pixel of 6 um at f/8: the corona at 1.05
# solar radii (2.2e-6) then fills the well of 60 000 electrons in 1/60 s.
DISC_RATE = 1.64e12
WELL_ELECTRONS = 60_000.0
READ_ELECTRONS = 2.0  # of the pixel, 6 um
READ_DN = 1.1  # of the converter: enough to smooth its steps
DARK_RATE = 0.08  # electrons a second in a 6 um pixel
HOT_FRACTION = 2e-4
SMALL_COUNT = 60.0  # electrons; above, a Poisson distribution is a normal one within 1 % of sigma

# Linear sRGB to CIE XYZ (D65): IEC 61966-2-1.
SRGB_TO_XYZ = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
)
# The filters of the mosaic let through some of their neighbours' light; rows sum to 1.
CROSSTALK = np.array([[0.76, 0.22, 0.02], [0.12, 0.76, 0.12], [0.02, 0.22, 0.76]])
SKY_COLOUR = np.array([0.85, 1.0, 1.3])  # twilight, linear sRGB


@dataclass(frozen=True)
class Instrument:
    """A camera body.

    Attributes
    ----------
    make, model, serial : str
        Invented.
    megapixels : float
    sensor_mm : tuple of float
        Width and height.
    cfa : str
        ``RGGB``, ``BGGR``, ``GRBG`` or ``GBRG``.
    response : tuple of float
        Relative sensitivity of R, G, B to daylight.
    black : tuple of float
        Black level of the four places of the mosaic, ADU.
    white : int
        Saturation that its files declare, ADU.
    clip : float
        Part of the range from black to white at which the numbers really end.
    bend : float
        Part of the range up to there at which the numbers begin to fall behind the light.
    margins : tuple of int
        Masked rows and columns round the visible area: top, left, bottom, right.
    pixel_spread : float
        Standard deviation of the pixels' relative sensitivities.
    vignetting : float
        Relative loss in the corners.
    """

    make: str = "Aurelia"
    model: str = "Aurelia L8"
    serial: str = "AL8-004417"
    megapixels: float = 4.0
    sensor_mm: tuple[float, float] = (36.0, 24.0)
    cfa: str = "RGGB"
    response: tuple[float, float, float] = (0.5, 1.0, 0.7)
    black: tuple[float, float, float, float] = (511.0, 513.0, 512.0, 514.0)
    white: int = 16200
    clip: float = 1.0
    bend: float = 1.0
    margins: tuple[int, int, int, int] = (0, 0, 0, 0)
    pixel_spread: float = 0.003
    vignetting: float = 0.22

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the visible area, even."""
        width, height = self.sensor_mm
        columns = math.sqrt(self.megapixels * 1e6 * width / height)
        return 2 * round(columns * height / width / 2), 2 * round(columns / 2)

    @property
    def pixel_pitch_um(self) -> float:
        """Distance between pixels."""
        return self.sensor_mm[0] * 1000.0 / self.shape[1]

    @property
    def area_ratio(self) -> float:
        """Area of a pixel in units of a 6 um one."""
        return (self.pixel_pitch_um / REFERENCE_PITCH_UM) ** 2

    @property
    def top(self) -> int:
        """The largest number there is, ADU."""
        black = float(np.mean(self.black))
        return round(black + self.clip * (self.white - black))

    def bent(self, signal: Pixels) -> Pixels:
        """Return numbers over black, ADU, for a signal that would be so in a straight line.

        Above the knee k the excess s - k becomes (s - k) / (1 + (s - k) / w), with w twice what
        is left to the end of the range: the slope falls from 1 at the knee to a quarter there.
        """
        if self.bend >= 1.0:
            return signal
        room = self.top - float(np.mean(self.black))
        knee = np.float32(self.bend * room)
        over = np.maximum(signal - knee, np.float32(0.0))
        width = np.float32(2.0 * (1.0 - self.bend) * room)
        return np.minimum(signal, knee) + over / (np.float32(1.0) + over / width)

    def gain(self, iso: int) -> float:
        """Return electrons per ADU."""
        span = self.white - float(np.mean(self.black))
        return WELL_ELECTRONS * self.area_ratio / span * 100.0 / iso

    def read_noise_electrons(self, iso: int) -> float:
        """Return the read noise of one pixel: its own, and the converter's."""
        return math.hypot(READ_ELECTRONS * math.sqrt(self.area_ratio), READ_DN * self.gain(iso))

    def disc_rate(self, f_number: float) -> float:
        """Return electrons a second in a green pixel from the mean solar disc."""
        return DISC_RATE * self.area_ratio * (8.0 / f_number) ** 2

    @property
    def pattern(self) -> NDArray[np.int64]:
        """Colour of each place of the mosaic."""
        return np.array(CFA[self.cfa])

    @property
    def layout(self) -> RawLayout:
        """What a raw decoder has to be told."""
        neutral = np.array(self.response) / max(self.response)
        matrix = neutral[:, None] * CROSSTALK @ np.linalg.inv(SRGB_TO_XYZ)
        return RawLayout(
            pattern=self.pattern,
            black=np.array(self.black).reshape(2, 2),
            white=self.white,
            colour_matrix=matrix,
            neutral=neutral,
            margins=self.margins,
        )

    def colour(self, linear_srgb: NDArray[Any]) -> Floats:
        """Return the camera's R, G, B for a colour; white gives ``response``."""
        return np.asarray(np.array(self.response) * (CROSSTALK @ linear_srgb))


@dataclass(frozen=True)
class SensorMaps:
    """What is fixed in one sensor: relative sensitivity and hot pixels (index, electrons/s)."""

    sensitivity: Pixels
    hot_index: NDArray[np.int64]
    hot_rate: Floats


@lru_cache(maxsize=2)
def sensor_maps(instrument: Instrument, seed: int) -> SensorMaps:
    """Return the fixed pattern of a sensor, the same for every frame."""
    text = f"{instrument.make}|{instrument.model}|{instrument.serial}".encode()
    rng = np.random.default_rng(np.random.SeedSequence([seed, 3, *text]))
    rows, columns = instrument.shape
    y = (np.arange(rows, dtype=np.float32)[:, None] - (rows - 1) * 0.505) / columns
    x = (np.arange(columns, dtype=np.float32) - (columns - 1) * 0.49) / columns
    corner = 0.25 * (1.0 + (rows / columns) ** 2)
    sensitivity = 1.0 - np.float32(instrument.vignetting / corner) * (x * x + y * y)
    if instrument.pixel_spread:
        spread = rng.standard_normal((rows, columns), dtype=np.float32)
        sensitivity *= 1.0 + np.float32(instrument.pixel_spread) * spread
    count = int(HOT_FRACTION * rows * columns)
    index = rng.choice(rows * columns, count, replace=False)
    rate = np.exp(rng.normal(math.log(300.0), 1.4, count)) * instrument.area_ratio
    return SensorMaps(sensitivity.astype(np.float32), np.sort(index), rate)


def _mosaic_kernel(
    out: Any, white: Any, pink: Any, sky: Any, sensitivity: Any, pattern: Any, colours: Any
) -> None:
    """Fill ``out`` with electrons: per colour, sunlight, pink light and sky (level, x, y slope)."""
    rows, columns = out.shape
    for y in range(rows):
        for x in range(columns):
            c = pattern[y & 1, x & 1]
            air = sky[0] + sky[1] * x + sky[2] * y
            light = colours[0, c] * white[y, x] + colours[1, c] * pink[y, x] + colours[2, c] * air
            out[y, x] = light * sensitivity[y, x]


_mosaic = kernel(_mosaic_kernel)


def scene_electrons(
    instrument: Instrument,
    maps: SensorMaps,
    scene: Scene,
    sky: tuple[float, float, float],
    *,
    exposure_s: float,
    f_number: float,
    transmission: float,
) -> Pixels:
    """Return the expected photoelectrons of a scene.

    Parameters
    ----------
    instrument : Instrument
    maps : SensorMaps
    scene : Scene
    sky : tuple of float
        Brightness of the air at pixel (0, 0) and its slopes along x and y, a pixel.
    exposure_s : float
        True exposure.
    f_number : float
    transmission : float
        Of air, clouds and filter.
    """
    scale = instrument.disc_rate(f_number) * exposure_s * transmission
    colours = np.stack(
        [instrument.colour(np.ones(3)), instrument.colour(PINK), instrument.colour(SKY_COLOUR)]
    )
    out = np.empty(instrument.shape, dtype=np.float32)
    _mosaic(
        out,
        scene.white,
        scene.pink,
        np.array(sky),
        maps.sensitivity,
        instrument.pattern,
        colours * scale,
    )
    return out


def flat_electrons(instrument: Instrument, maps: SensorMaps, level: float, iso: int) -> Pixels:
    """Return the expected electrons of an even light; ``level`` is green's part of the range."""
    full = (instrument.white - float(np.mean(instrument.black))) * instrument.gain(iso)
    response = np.array(instrument.response, dtype=np.float32) * np.float32(level * full)
    rows, columns = instrument.shape
    tile = response[instrument.pattern]
    return np.asarray(np.tile(tile, (rows // 2, columns // 2)) * maps.sensitivity)


def read_out(
    instrument: Instrument,
    maps: SensorMaps,
    electrons: Pixels,
    *,
    exposure_s: float,
    iso: int,
    rng: np.random.Generator,
) -> NDArray[np.uint16]:
    """Return the mosaic in ADU, masked margins included.

    Parameters
    ----------
    instrument : Instrument
    maps : SensorMaps
    electrons : ndarray of float32, shape (H, W)
        Expected photoelectrons; overwritten.
    exposure_s : float
        For the dark current.
    iso : int
    rng : Generator

    Returns
    -------
    ndarray of uint16
    """
    read = np.float32(instrument.read_noise_electrons(iso))
    electrons += np.float32(DARK_RATE * instrument.area_ratio * exposure_s)
    electrons.ravel()[maps.hot_index] += (maps.hot_rate * exposure_s).astype(np.float32)
    noise = rng.standard_normal(electrons.shape, dtype=np.float32)
    few = electrons < SMALL_COUNT
    counts = rng.poisson(electrons[few]).astype(np.float32)
    spread = np.where(few, np.float32(0.0), electrons)
    spread += read * read
    np.sqrt(spread, out=spread)
    electrons[few] = counts
    electrons += noise * spread
    electrons /= np.float32(instrument.gain(iso))
    electrons = instrument.bent(electrons)

    top, left, bottom, right = instrument.margins
    rows, columns = electrons.shape
    black = np.array(instrument.black, dtype=np.float32).reshape(2, 2)
    electrons += np.tile(black, (rows // 2, columns // 2))
    visible = _to_adu(electrons, instrument.top)
    if not any(instrument.margins):
        return visible
    full = (rows + top + bottom, columns + left + right)
    masked = rng.standard_normal(full, dtype=np.float32) * read / np.float32(instrument.gain(iso))
    # The mosaic's phase counts from the visible corner; the margins there are even.
    masked += np.tile(black, (full[0] // 2 + 1, full[1] // 2 + 1))[: full[0], : full[1]]
    out = _to_adu(masked, instrument.top)
    out[top : top + rows, left : left + columns] = visible
    return out


def _to_adu(values: Pixels, white: int) -> NDArray[np.uint16]:
    np.rint(values, out=values)
    np.clip(values, 0, white, out=values)
    return values.astype(np.uint16)
