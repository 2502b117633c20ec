"""From light to numbers: a Bayer sensor, or the three-colour pictures that programs make of one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

# Electrons at ISO 100, f/8 for one mean solar disc and one second fill the well this many times
# through a filter of density 5: 1/640 s gives 0.55 of white in green.
FILLINGS = 0.55 * 640 / 1e-5


@dataclass(frozen=True)
class Sensor:
    """One body's sensor."""

    seed: int
    shape: tuple[int, int]
    full_well: float = 45000.0
    read_noise: float = 4.0  # electrons
    black: tuple[int, int, int, int] = (512, 512, 512, 512)  # of the four places of the pattern
    white: int = 15871  # declared
    clip: float = 1.0  # of white - black, where numbers really end
    bend: float | None = None  # of the clip, where the answer starts to bend
    banding: float = 0.0  # ADU
    uneven: float = 0.003  # of the answer
    hot: float = 2e-5  # of the pixels
    dark_current: float = 0.3  # electrons a second
    response: tuple[float, float, float] = (0.52, 1.0, 0.68)
    pattern: tuple[int, int, int, int] = (0, 1, 1, 2)  # RGGB

    def fixed(self) -> tuple[np.ndarray, np.ndarray]:
        """The pixels' answer and their dark current, always the same for one body."""
        rng = np.random.default_rng(self.seed)
        answer = 1 + self.uneven * rng.standard_normal(self.shape, dtype=np.float32)
        dark = np.full(self.shape, self.dark_current, np.float32)
        n = int(self.hot * dark.size)
        dark.flat[rng.integers(0, dark.size, n)] += rng.exponential(4000.0, n)
        return answer, dark

    def mosaic(self, planes: list[np.ndarray]) -> np.ndarray:
        out = np.empty(self.shape, np.float32)
        for k, c in enumerate(self.pattern):
            i, j = divmod(k, 2)
            out[i::2, j::2] = planes[c][i::2, j::2] * self.response[c]
        return out

    def numbers(self, part: np.ndarray, seconds: float, iso: int, stop: float, rng, fixed):
        """ADU of relative light ``part`` (mean solar discs times the response of the colour)."""
        answer, dark = fixed
        signal = part * (FILLINGS * seconds * (8 / stop) ** 2 * self.full_well) * answer
        signal = np.minimum(signal, 40 * self.full_well) + dark * seconds
        noise = rng.standard_normal(signal.shape, dtype=np.float32)
        few = signal < 25
        counted = signal + noise * np.sqrt(signal)
        counted[few] = rng.poisson(signal[few])
        counted = np.minimum(counted, self.full_well * 1.15)
        counted += self.read_noise * rng.standard_normal(signal.shape, dtype=np.float32)
        span = self.white - min(self.black)
        dn = counted / self.full_well * (iso / 100) * span
        top = self.clip * span
        if self.bend is not None:
            knee = self.bend * top
            room = 1.02 * (top - knee)
            over = dn > knee
            dn[over] = knee + room * (1 - np.exp(-(dn[over] - knee) / room))
        dn = np.minimum(dn, top)
        if self.banding:
            dn += self.banding * rng.standard_normal((signal.shape[0], 1), dtype=np.float32)
        return dn

    def raw(self, planes, seconds, iso, stop, rng, fixed) -> np.ndarray:
        """Bayer numbers, uint16."""
        dn = self.numbers(self.mosaic(planes), seconds, iso, stop, rng, fixed)
        for k, black in enumerate(self.black):
            i, j = divmod(k, 2)
            dn[i::2, j::2] += black
        top = min(self.black) + self.clip * (self.white - min(self.black))
        return np.clip(np.rint(dn), 0, top).astype(np.uint16)

    def mono(self, planes, seconds, iso, stop, rng, fixed) -> np.ndarray:
        """Numbers of a sensor without colour filters, uint16, the first black under each."""
        light = sum(p * r for p, r in zip(planes, self.response, strict=True))
        dn = self.numbers(light / sum(self.response), seconds, iso, stop, rng, fixed)
        top = self.clip * (self.white - min(self.black))
        return np.rint(np.clip(dn + self.black[0], 0, self.black[0] + top)).astype(np.uint16)

    def colour(self, planes, seconds, iso, stop, rng, fixed) -> np.ndarray:
        """(H, W, 3) linear, white-balanced, 1 is white, float32."""
        out = []
        span = self.white - min(self.black)
        for c in range(3):
            dn = self.numbers(planes[c] * self.response[c], seconds, iso, stop, rng, fixed)
            out.append(dn / span / self.response[c])
        return np.clip(np.stack(out, -1), 0, 1)


def gamma(linear: np.ndarray) -> np.ndarray:
    """IEC 61966-2-1 (sRGB)."""
    return np.where(
        linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 1e-9) ** (1 / 2.4) - 0.055
    )
