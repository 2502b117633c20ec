"""The air at a site, where nobody has measured it: the standard atmosphere."""

from __future__ import annotations

from dataclasses import dataclass

SEA_LEVEL_HPA = 1013.25
SEA_LEVEL_C = 15.0
LAPSE_C_PER_M = 0.0065
TROPOPAUSE_M = 11000.0


@dataclass(frozen=True)
class Air:
    """Air at the camera.

    Attributes
    ----------
    pressure_hpa : float
        Not reduced to sea level; 0 is no air.
    temperature_c : float
    """

    pressure_hpa: float
    temperature_c: float


def standard_air(height: float) -> Air:
    """Return the mean air at a height above the sea, metres.

    A season moves the pressure by 10 hPa and the temperature by 10 K or more, that is refraction
    by 1 and 4 %; ignoring 2200 m of height is 24 % in pressure.

    References
    ----------
    ISO 2533:1975, *Standard Atmosphere*: 1013.25 hPa and 15 degrees C at sea level, 6.5 K less a
    kilometre up to 11 km. Above that, the air at 11 km is returned.
    """
    h = min(height, TROPOPAUSE_M)
    pressure = SEA_LEVEL_HPA * (1.0 - 2.25577e-5 * h) ** 5.25588
    return Air(pressure, SEA_LEVEL_C - LAPSE_C_PER_M * h)
