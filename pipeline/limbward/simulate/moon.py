"""The Moon's own face: its limb, real or invented, and the earthlit maria, always invented."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from limbward.sky.limb_profile import LimbProfile

LIMB_ANGLES = 3600  # 0.1 degrees, 1.6 arcsec along the limb
ALBEDO_SIZE = 192  # cells across the face


@dataclass(frozen=True)
class Moon:
    """The Moon of one seed.

    Attributes
    ----------
    limb_arcsec : ndarray of float32, shape (LIMB_ANGLES,)
        Height of the limb above the mean limb against position angle from celestial north through
        east. An invented one has no mean and no long waves, so that the mean limb stays where the
        ephemeris puts it; the real one's has an amplitude of half an arcsecond.
    albedo : ndarray of float32, shape (ALBEDO_SIZE, ALBEDO_SIZE)
        Brightness relative to the mean of the face; row from south to north, column from west to
        east, spanning one radius either way.
    """

    limb_arcsec: NDArray[np.float32]
    albedo: NDArray[np.float32]


def _limb(rng: np.random.Generator, rms_arcsec: float) -> NDArray[np.float32]:
    waves = np.zeros(LIMB_ANGLES // 2 + 1, dtype=complex)
    k = np.arange(6, 300)  # 60 degrees to 1.2 degrees: nothing that would shift the centre
    waves[k] = (rng.standard_normal(len(k)) + 1j * rng.standard_normal(len(k))) * k**-1.0
    profile = np.fft.irfft(waves, LIMB_ANGLES)
    spread = profile.std()
    return np.asarray(profile * (rms_arcsec / spread), dtype=np.float32)


def _albedo(rng: np.random.Generator) -> NDArray[np.float32]:
    noise = gaussian_filter(rng.standard_normal((ALBEDO_SIZE, ALBEDO_SIZE)), 9.0, mode="wrap")
    noise /= noise.std()
    maria = 1.0 / (1.0 + np.exp(-(noise - 0.5) * 6.0))
    rough = gaussian_filter(rng.standard_normal((ALBEDO_SIZE, ALBEDO_SIZE)), 1.5, mode="wrap")
    face = (1.0 - 0.4 * maria) * (1.0 + 0.08 * rough / rough.std())
    return np.asarray(face / face.mean(), dtype=np.float32)


@lru_cache(maxsize=4)
def moon(seed: int, limb_rms_arcsec: float) -> Moon:
    """Return the Moon of a seed.

    Parameters
    ----------
    seed : int
    limb_rms_arcsec : float
        Roughness of the limb; 0 for a circle. The real limb's is about 0.8 arcsec.
    """
    rng = np.random.default_rng(np.random.SeedSequence([seed, 2]))
    return Moon(limb_arcsec=_limb(rng, limb_rms_arcsec), albedo=_albedo(rng))


def with_limb(face: Moon, profile: LimbProfile) -> Moon:
    """Return a Moon with the limb of a profile."""
    angle = np.arange(LIMB_ANGLES, dtype=np.float64) * (360.0 / LIMB_ANGLES)
    return replace(face, limb_arcsec=profile.height(angle).astype(np.float32))
