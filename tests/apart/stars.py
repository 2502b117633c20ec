"""Stars around the Sun at the eclipses of the cases: where they stand by Skyfield, and their light.

Skyfield takes proper motion, aberration and the bending of light at the Sun into account; the
catalogue's numbers are typed from F. van Leeuwen, Hipparcos, the New Reduction (2007), CDS I/311.
Against Gaia's third release their places are right to 0.03 arcsec (median), doubles to 0.9.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from .ephemeris import Site

SUN_MAGNITUDE = -26.74  # V, as C. Willmer, ApJS 236 (2018) 47, gives it to 0.02
SUN_AREA = np.pi * 959.63**2  # square arcseconds that one mean solar disc has at 1 au
# Number, right ascension and declination (radians, 1991.25), proper motions (mas a year), Hp.
HIPPARCOS = (
    (42911, 2.289370928, 0.316862147, -17.67, -229.26, 4.10),
    (4906, 0.274646163, 0.137707746, -80.17, 25.59, 4.43),
    (5737, 0.321707961, 0.132217232, 145.00, -55.69, 5.28),
    (39780, 2.128272039, 0.376676597, 23.00, -66.42, 5.42),
    (5346, 0.298330855, 0.098614963, -242.32, -165.07, 5.59),
    (43811, 2.336041952, 0.300742214, -2.28, 6.27, 6.17),
    (39535, 2.115144068, 0.328856118, -25.76, -19.52, 6.21),
    (5824, 0.325969318, 0.122089213, -13.45, -24.33, 6.21),
    (47096, 2.512758440, 0.250971251, -41.08, -1.82, 6.33),
    (43427, 2.315843251, 0.328684591, -11.91, -23.97, 6.42),
    (5743, 0.321807791, 0.132267724, 181.78, -40.34, 6.43),
    (46232, 2.467644760, 0.289474137, -83.39, -24.26, 6.47),
    (39180, 2.097892827, 0.345858552, 9.80, -8.24, 6.47),
    (45874, 2.448941914, 0.268280948, -36.84, -5.28, 6.57),
    (43421, 2.315500393, 0.314218474, -9.41, 13.51, 6.86),
    (42970, 2.292900728, 0.328427080, -98.73, 0.24, 6.86),
    (43635, 2.326524773, 0.303139932, -49.65, -44.32, 6.96),
    (46345, 2.473765609, 0.249638283, -21.97, -44.29, 6.97),
    (39447, 2.111157771, 0.385208383, -41.62, -3.49, 7.00),
    (5209, 0.290717804, 0.145911837, -54.61, -39.12, 7.01),
    (40361, 2.157448393, 0.361419570, 4.37, -4.83, 7.03),
    (39158, 2.096752936, 0.328875068, -12.40, -8.37, 7.10),
    (4978, 0.278317552, 0.118069204, 14.07, -12.07, 7.14),
    (39428, 2.109966749, 0.354975406, 13.93, -27.38, 7.20),
    (43672, 2.329341689, 0.306219957, -22.57, -9.62, 7.24),
    (43206, 2.304297282, 0.303597300, 3.26, -29.50, 7.36),
    (43463, 2.317712009, 0.279242142, -36.32, 13.33, 7.54),
    (39503, 2.113890387, 0.366661115, -21.59, 9.88, 7.57),
    (39296, 2.103465261, 0.344481305, -10.80, -19.58, 7.65),
    (4832, 0.271023352, 0.138586788, 13.61, 34.49, 7.72),
    (43642, 2.327151266, 0.337235991, -21.73, -13.11, 7.74),
    (39816, 2.129932892, 0.335385448, -35.09, -93.47, 7.75),
    (5216, 0.291032954, 0.154787115, 26.08, 41.83, 7.78),
    (5884, 0.329678407, 0.121408166, 8.86, 0.10, 7.79),
    (39749, 2.126838565, 0.345885056, -96.20, -39.15, 7.81),
    (45989, 2.455545146, 0.275356632, 16.03, -57.66, 7.81),
    (39064, 2.092491345, 0.363817555, 181.25, -544.95, 7.82),
    (46745, 2.494296341, 0.275240619, -22.52, -4.32, 7.83),
    (4891, 0.274115611, 0.130913293, 13.70, -11.26, 7.83),
    (46650, 2.490128868, 0.235550323, -9.74, -38.79, 7.83),
    (42770, 2.281595297, 0.287104536, -3.47, -5.57, 7.84),
    (39711, 2.125042080, 0.364628124, -37.70, -8.40, 7.84),
    (46335, 2.473156783, 0.252969020, -30.27, -35.22, 7.85),
    (47035, 2.509602563, 0.245666559, -18.40, -9.17, 7.85),
    (46415, 2.478038802, 0.239964845, -49.94, -39.06, 7.95),
    (43079, 2.297253562, 0.305361745, -26.23, -22.95, 7.96),
    (42705, 2.278442227, 0.330467731, -35.67, -13.22, 7.96),
    (5732, 0.321565236, 0.156637007, 3.91, -12.06, 7.98),
    (43613, 2.325560000, 0.285482578, -8.50, -30.26, 8.00),
    (40270, 2.152785751, 0.353964373, -1.47, -69.06, 8.00),
    (5231, 0.291898858, 0.151012520, -20.83, -16.07, 8.04),
    (43412, 2.314983189, 0.297265563, -22.14, -19.51, 8.05),
    (5073, 0.282913906, 0.122979099, 152.35, -99.59, 8.05),
    (46311, 2.472396256, 0.291440624, -10.43, -6.37, 8.06),
    (5103, 0.285370828, 0.145422074, -1.32, -31.52, 8.08),
    (42993, 2.294130547, 0.332476405, -40.12, -13.69, 8.10),
    (39344, 2.105556490, 0.381738982, 8.79, -0.40, 8.10),
)


@dataclass(frozen=True)
class Stars:
    """Some stars of one session."""

    hip: tuple[int, ...]
    direction: np.ndarray  # (k, 3) apparent, GCRS axes
    light: np.ndarray  # (k,) mean solar discs times square arcseconds, above the air
    magnitude: np.ndarray

    def only(self, chosen: np.ndarray) -> Stars:
        return Stars(
            tuple(self.hip[k] for k in chosen), self.direction[chosen], self.light[chosen],
            self.magnitude[chosen],
        )  # fmt: skip


@functools.cache
def _skyfield():
    import skyfield_data
    from skyfield.api import load, load_file

    kernel = Path(skyfield_data.__file__).parent / "data" / "de421.bsp"
    return load_file(str(kernel)), load.timescale(builtin=True)


def around(site: Site, seconds: float, magnitudes: tuple[float, float], degrees: float) -> Stars:
    """Those between two magnitudes and within some degrees of the Sun."""
    from skyfield.api import Star, wgs84

    planets, scale = _skyfield()
    time = scale.tt_jd(site.jd0 + seconds / 86400 + 69.2 / 86400)  # TT less UTC since 2017
    here = planets["earth"] + wgs84.latlon(site.latitude, site.longitude, site.height)
    seen = here.at(time)
    sun = seen.observe(planets["sun"]).apparent().position.km
    sun = sun / np.linalg.norm(sun)
    hip, way, light, bright = [], [], [], []
    for number, ra, dec, pm_ra, pm_dec, magnitude in HIPPARCOS:
        if not magnitudes[0] <= magnitude <= magnitudes[1]:
            continue
        star = Star(
            ra_hours=np.degrees(ra) / 15, dec_degrees=np.degrees(dec),
            ra_mas_per_year=pm_ra, dec_mas_per_year=pm_dec, epoch=2448349.0625,
        )  # fmt: skip
        v = seen.observe(star).apparent().position.au
        v = v / np.linalg.norm(v)
        if v @ sun > np.cos(np.radians(degrees)):
            hip.append(number)
            way.append(v)
            light.append(10 ** (-0.4 * (magnitude - SUN_MAGNITUDE)) * SUN_AREA)
            bright.append(magnitude)
    return Stars(tuple(hip), np.array(way).reshape(-1, 3), np.array(light), np.array(bright))


def add(plane: np.ndarray, x: np.ndarray, y: np.ndarray, light: float, at, scale: float) -> None:
    """Put a star's light at a place among pixels at x and y, ``scale`` arcseconds each."""
    u, v = at[0] - x[0], at[1] - y[0]
    i, j = int(np.floor(u)), int(np.floor(v))
    if not (0 <= i < len(x) - 1 and 0 <= j < len(y) - 1):
        return
    du, dv = u - i, v - j
    # What a point leaves in pixels with straight edges that it lies across.
    share = np.outer([1 - dv, dv], [1 - du, du])
    plane[j : j + 2, i : i + 2] += (light / scale**2 * share).astype(plane.dtype)


def hidden(at: np.ndarray, moon: tuple[float, float], radius: float) -> np.ndarray:
    """Which of the places (k, 2) lie behind the Moon, pixels."""
    return np.hypot(at[:, 0] - moon[0], at[:, 1] - moon[1]) < radius
