"""What the air does: refraction, extinction, sky light, thin cloud."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import map_coordinates

EXTINCTION = np.array([0.10, 0.15, 0.24])  # magnitudes an air mass at sea level: R, G, B


def pressure_hpa(height: float) -> float:
    """Standard atmosphere, ISO 2533."""
    return float(1013.25 * (1 - 2.25577e-5 * height) ** 5.25588)


def temperature_c(height: float) -> float:
    return 15.0 - 0.0065 * height


def refraction_deg(true_altitude, height: float):
    """Saemundsson's formula (Sky & Telescope 72, 1986, 70), scaled to the site's air."""
    h = np.asarray(true_altitude, float)
    arcmin = 1.02 / np.tan(np.radians(h + 10.3 / (h + 5.11)))
    return arcmin / 60 * pressure_hpa(height) / 1010 * 283 / (273 + temperature_c(height))


def lift(v: np.ndarray, height: float) -> np.ndarray:
    """Observed directions of true ones, (..., 3) east, north, up."""
    altitude = np.degrees(np.arcsin(np.clip(v[..., 2], -1, 1)))
    return _raised(v, refraction_deg(altitude, height))


def unlift(v: np.ndarray, height: float) -> np.ndarray:
    """True directions of observed ones."""
    seen = np.degrees(np.arcsin(np.clip(v[..., 2], -1, 1)))
    true = seen
    for _ in range(6):
        true = seen - refraction_deg(true, height)
    return _raised(v, true - seen)


def _raised(v: np.ndarray, degrees) -> np.ndarray:
    flat = np.hypot(v[..., 0], v[..., 1])
    altitude = np.arctan2(v[..., 2], flat) + np.radians(degrees)
    ratio = np.cos(altitude) / flat
    return np.stack([v[..., 0] * ratio, v[..., 1] * ratio, np.sin(altitude)], -1)


def air_mass(altitude_deg: float) -> float:
    """F. Kasten and A. T. Young, Applied Optics 28 (1989) 4735."""
    h = max(altitude_deg, 0.0)
    return float(1 / (np.sin(np.radians(h)) + 0.50572 * (h + 6.07995) ** -1.6364))


def transmission(altitude_deg: float, height: float) -> np.ndarray:
    """Of R, G and B."""
    thick = EXTINCTION * np.exp(-height / 8000) * air_mass(altitude_deg)
    return 10 ** (-0.4 * thick)


@dataclass(frozen=True)
class Sky:
    """Sky light in totality: a plane whose slope swings over as the shadow passes."""

    level: float  # mean solar discs, mid-totality
    slope: float  # relative change a degree
    direction: float  # position angle of the shadow's way, radians
    tint: np.ndarray  # R, G, B

    def at(self, x, y, fraction: float):
        """Relative to ``tint``; x, y arcseconds, fraction -1 at C2 to +1 at C3."""
        along = (x * np.sin(self.direction) + y * np.cos(self.direction)) / 3600
        swing = min(max(fraction, -1.5), 1.5)
        return self.level * (1 + 0.6 * fraction**2) * (1 + self.slope * (0.5 - swing) * along)


class Cloud:
    """A drifting patchy veil: optical depth over the sky, the same for all colours."""

    def __init__(self, depth: float, cover: float, seed: int) -> None:
        self.depth = depth
        rng = np.random.default_rng(seed)
        n = 512
        f = np.hypot(*np.meshgrid(np.fft.fftfreq(n), np.fft.fftfreq(n)))
        amplitude = np.where(f > 0, 1 / np.maximum(f, 3 / n) ** 1.7, 0)
        amplitude *= np.exp(-((f * 14) ** 2))
        field = np.fft.ifft2(np.fft.fft2(rng.standard_normal((n, n))) * amplitude).real
        field = (field - field.mean()) / field.std()
        edge = np.quantile(field, 1 - cover)
        self.field = np.clip(field - edge, 0, None).astype(np.float32)
        angle = rng.uniform(0, 2 * np.pi)
        self.wind = 60.0 * np.array([np.cos(angle), np.sin(angle)])  # arcsec a second

    def tau(self, x, y, seconds: float) -> np.ndarray:
        """Optical depth; one texel of the field is 2 arcminutes."""
        if self.depth == 0:
            return np.zeros(np.broadcast(x, y).shape, np.float32)
        u = (x - self.wind[0] * seconds) / 120
        v = (y - self.wind[1] * seconds) / 120
        u, v = np.broadcast_arrays(u, v)
        return self.depth * map_coordinates(self.field, [v, u], order=1, mode="grid-wrap")
