"""Light around the Sun: K and F corona, prominences, chromosphere; the photosphere's law."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter, gaussian_filter1d, map_coordinates

# H. Neckel and D. Labs, Solar Physics 153 (1994) 91, at 541.76 nm.
NECKEL = (0.26892, 1.34319, -1.58427, 1.91271, -1.31350, 0.37295)
# The darkening as a power of mu grows as -0.023 + 0.292 / (wavelength in um) (D. Hestroffer and
# C. Magnan, A&A 333 (1998) 338): relative to 540 nm at 620, 540 and 450 nm.
STEEPNESS = (0.865, 1.0, 1.21)

RADII = np.geomspace(0.9, 40.0, 480)
ANGLES = 2048


def darkening(mu, colour: int):
    """Intensity relative to the centre of the disc."""
    mu = np.clip(mu, 1e-3, 1)
    law = np.polynomial.polynomial.polyval(mu, NECKEL)
    return law ** STEEPNESS[colour]


def disc_mean(colour: int) -> float:
    mu = (np.arange(20000) + 0.5) / 20000
    return float(np.sum(2 * mu * darkening(mu, colour)) / 20000)


def baumbach(rho):
    """Mean coronal brightness (Baumbach 1937, in Allen's Astrophysical Quantities)."""
    rho = np.asarray(rho, float)
    return 1e-6 * (0.0532 * rho**-2.5 + 1.425 * rho**-7 + 2.565 * rho**-17)


def f_corona(rho, angle):
    """Dust corona; ``angle`` from solar north."""
    return 4.7396e-8 * (1 + 0.23732 * np.sin(angle) ** 2) * np.asarray(rho, float) ** -2.72375


class Corona:
    """Radiance by solar radius and position angle from solar north (through east)."""

    def __init__(self, seed: int, activity: float = 0.5) -> None:
        rng = np.random.default_rng(seed)
        angle = np.arange(ANGLES) * 2 * np.pi / ANGLES
        rho = np.maximum(RADII, 0.97)[:, None]
        k = 1e-6 * (1.425 * rho**-7 + 2.565 * rho**-17)
        # Holes at the poles, deeper at solar minimum.
        width = np.radians(36 - 14 * activity)
        polar = np.exp(-((_turn(angle, 0) / width) ** 4)) + np.exp(
            -((_turn(angle, np.pi) / width) ** 4)
        )
        shape = 1 - (0.7 - 0.4 * activity) * polar[None, :] * np.ones_like(rho)
        outer = 1e-6 * 0.012 * rho**-2.6  # streamers fall less steeply than the rest
        rays = np.zeros_like(shape)
        for _ in range(int(6 + 8 * activity)):
            belt = rng.choice([np.pi / 2, 3 * np.pi / 2])
            at = belt + rng.normal(0, 0.35 + 0.5 * activity)
            base, tip = np.radians(rng.uniform(12, 22)), np.radians(rng.uniform(2, 5))
            bend = rng.normal(0, 0.08)
            w = tip + (base - tip) * np.exp(-(rho - 1) / rng.uniform(0.4, 0.9))
            d = _turn(angle[None, :], at + bend * np.log(rho))
            strength = rng.uniform(0.4, 1.3)
            shape += strength * np.exp(-((d / w) ** 2))
            rays += strength * np.exp(-((d / w) ** 2)) * (1 - np.exp(-((rho - 1) ** 2) / 0.3))
        # Plumes at the poles and fine rays everywhere, coherent along the radius.
        for degrees, size in ((0.7, 0.10), (1.8, 0.12), (5.0, 0.10)):
            few = gaussian_filter1d(
                rng.standard_normal((9, ANGLES)), degrees / 360 * ANGLES, axis=1, mode="wrap"
            )
            at = np.linspace(0, 7.999, len(RADII))
            low = at.astype(int)
            part = (at - low)[:, None]
            noise = few[low] * (1 - part) + few[low + 1] * part
            shape *= 1 + size * noise / noise.std() * (0.6 + 0.8 * polar[None, :])
        shape = np.maximum(shape, 0.05)
        loops = np.zeros_like(shape)
        for _ in range(8):  # arches over active regions
            at, foot = rng.normal(rng.choice([1, 3]) * np.pi / 2, 0.5), rng.uniform(0.05, 0.2)
            d = np.hypot(_turn(angle[None, :], at) * rho, rho - 1.0)
            loops += rng.uniform(0.1, 0.5) * np.exp(-(((d - foot) / 0.012) ** 2))
        k = k * shape * (1 + loops) + outer * rays
        self.white = k + f_corona(rho, angle[None, :])
        self._log = np.log(self.white).astype(np.float32)
        self.pink = self._prominences(rng, angle)
        self._pink = [np.log(self.pink[c] + 1e-12).astype(np.float32) for c in range(3)]

    @staticmethod
    def _prominences(rng, angle) -> np.ndarray:
        """(3, radii, angles): red, little green, some blue."""
        rho = np.linspace(0.99, 1.15, 161)[:, None]
        height = (rho - 1) * 960  # arcsec
        rough = 1 + 0.25 * gaussian_filter1d(rng.standard_normal(ANGLES), 3, mode="wrap") * 4
        grey = 3e-4 * np.exp(-np.maximum(height, 0) / (1.6 * np.clip(rough, 0.6, 2)))
        texture = gaussian_filter(rng.standard_normal((161, ANGLES)), (3, 5), mode="wrap")
        texture = np.clip(texture / texture.std(), 0, None)
        for _ in range(7):
            at, tall = rng.uniform(0, 2 * np.pi), rng.uniform(15, 80)
            wide = np.radians(rng.uniform(0.8, 3.0))
            lump = np.exp(-((_turn(angle[None, :], at) / wide) ** 4) - (height / tall) ** 4)
            grey = grey + rng.uniform(2e-5, 8e-5) * lump * (0.25 + texture)
        grey = grey * (height > -8)
        return np.stack([grey, 0.10 * grey, 0.22 * grey])

    def turn(self, seconds: float) -> None:
        """Set the time; this corona is always the same."""

    def radiance(self, rho: np.ndarray, angle: np.ndarray) -> np.ndarray:
        """White corona; any shape, mean solar discs."""
        u = (np.log(np.clip(rho, RADII[0], RADII[-1])) - np.log(RADII[0])) * (
            (len(RADII) - 1) / np.log(RADII[-1] / RADII[0])
        )
        return np.exp(self._lookup(self._log, u, angle))

    def prominences(self, rho: np.ndarray, angle: np.ndarray, colour: int) -> np.ndarray:
        """Only meant for rho below 1.15."""
        u = np.clip((rho - 0.99) / 0.16 * 160, 0, 160)
        found = np.exp(self._lookup(self._pink[colour], u, angle)) - 1e-12
        return np.where(rho < 1.15, np.maximum(found, 0), 0)

    @staticmethod
    def _lookup(table, u, angle) -> np.ndarray:
        v = (angle % (2 * np.pi)) * (ANGLES / (2 * np.pi))
        wide = np.concatenate([table, table[:, :1]], 1)
        return map_coordinates(wide, [u, v], order=1, mode="nearest", prefilter=False)


class Moving(Corona):
    """A corona in which a blob moves outwards: a Gaussian, as a part of the light around it.

    ``start`` is when it is at ``radius`` (solar radii), seconds of the date.
    """

    SUN_KM = 695_700.0  # IAU 2015 Resolution B3

    def __init__(
        self,
        seed: int,
        start: float,
        position_angle: float = 100.0,
        radius: float = 1.35,
        speed_kms: float = 300.0,
        height: float = 0.08,
        width: tuple[float, float] = (0.07, 5.0),  # solar radii, degrees
    ) -> None:
        super().__init__(seed)
        self.start, self.begun, self.height, self.width = start, radius, height, width
        self.position_angle, self.speed_kms = position_angle, speed_kms
        self.at = radius

    def turn(self, seconds: float) -> None:
        """Set the time."""
        self.at = self.begun + self.speed_kms * (seconds - self.start) / self.SUN_KM

    def radiance(self, rho: np.ndarray, angle: np.ndarray) -> np.ndarray:
        """White corona; any shape, mean solar discs."""
        away = np.degrees(_turn(angle, np.radians(self.position_angle)))
        blob = ((rho - self.at) / self.width[0]) ** 2 + (away / self.width[1]) ** 2
        return super().radiance(rho, angle) * (1 + self.height * np.exp(-blob / 2))


class MoonLimb:
    """Height of the limb in arcseconds by position angle, and earthshine."""

    def __init__(self, rms: float, seed: int, earthshine: float) -> None:
        rng = np.random.default_rng(seed)
        noise = rng.standard_normal(4096)
        smooth = gaussian_filter1d(noise, 1.5 / 360 * 4096, mode="wrap")
        smooth += 0.35 * np.std(smooth) * gaussian_filter1d(
            rng.standard_normal(4096), 0.25 / 360 * 4096, mode="wrap"
        ) / 0.1  # fmt: skip
        # No mean, no shift: the mean limb has the Moon's radius and is centred on its centre.
        spectrum = np.fft.rfft(smooth)
        spectrum[:2] = 0
        smooth = np.fft.irfft(spectrum, 4096)
        self.profile = (rms * smooth / smooth.std()).astype(np.float32)
        self.rms = rms
        self.earthshine = earthshine
        self.maria = rng.uniform(-0.6, 0.6, (12, 2))

    def turn(self, seconds: float) -> None:
        """Set the time; an invented limb is always the same."""

    @property
    def highest(self) -> float:
        return float(np.abs(self.profile).max())

    def height(self, angle: np.ndarray) -> np.ndarray:
        at = (angle % (2 * np.pi)) * (4096 / (2 * np.pi))
        i = at.astype(int) % 4096
        f = at - np.floor(at)
        return self.profile[i] * (1 - f) + self.profile[(i + 1) % 4096] * f

    def disc(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Earthshine by place on the disc in Moon's radii."""
        dark = np.zeros(np.shape(x), np.float32)
        for a, b in self.maria:
            dark += 0.18 * np.exp(-((x - a) ** 2 + (y - b) ** 2) / 0.05)
        return self.earthshine * np.clip(1 - dark, 0.4, 1)


def _turn(angle, at):
    """Signed angular distance."""
    return (angle - at + np.pi) % (2 * np.pi) - np.pi
