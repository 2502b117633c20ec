"""Contacts from polynomial Besselian elements on the fundamental plane, as a test oracle.

Method: J. Meeus, *Elements of Solar Eclipses 1951-2200* (Willmann-Bell, 1989), and the
*Explanatory Supplement to the Astronomical Almanac*, chapter on eclipses. It shares no code with
the product: polynomials in hours of TDT, a point (xi, eta, zeta) on a rotating spheroid, and the
distance of the shadow axis from it.
"""

import csv
import math
from dataclasses import dataclass
from pathlib import Path

from scipy.optimize import brentq, minimize_scalar

DATA = Path(__file__).parent / "data" / "besselian_elements.csv"
EQUATORIAL_RADIUS_M = 6378137.0
ONE_MINUS_F = 1.0 - 1.0 / 298.257223563


@dataclass(frozen=True)
class Elements:
    """Polynomials in hours from ``t0`` (TDT hours of the date)."""

    t0: float
    terms: dict[str, list[float]]

    def __call__(self, name: str, t: float) -> float:
        a = self.terms[name]
        return a[0] + t * (a[1] + t * (a[2] + t * a[3]))


def load(date: str) -> Elements:
    """Read the elements of one eclipse."""
    terms, t0 = {}, 0.0
    with DATA.open() as lines:
        for row in csv.DictReader(line for line in lines if not line.startswith("#")):
            if row["date"] == date:
                t0 = float(row["t0_tdt_h"])
                terms[row["element"]] = [float(row[f"a{i}"]) for i in range(4)]
    return Elements(t0, terms)


def local(
    e: Elements, latitude: float, longitude: float, height_m: float, delta_t_s: float
) -> dict[str, float]:
    """Return contacts as seconds of UT1 from 0h of the date."""
    phi = math.radians(latitude)
    u = math.atan(ONE_MINUS_F * math.tan(phi))
    rho_sin = ONE_MINUS_F * math.sin(u) + height_m / EQUATORIAL_RADIUS_M * math.sin(phi)
    rho_cos = math.cos(u) + height_m / EQUATORIAL_RADIUS_M * math.cos(phi)

    def gap(t: float) -> tuple[float, float, float]:
        """Return m, L1 and L2: the axis' distance, and the radii of the shadow at the observer."""
        hour_angle = math.radians(e("mu", t) + longitude - 0.00417807 * delta_t_s)
        d = math.radians(e("d", t))
        xi = rho_cos * math.sin(hour_angle)
        eta = rho_sin * math.cos(d) - rho_cos * math.cos(hour_angle) * math.sin(d)
        zeta = rho_sin * math.sin(d) + rho_cos * math.cos(hour_angle) * math.cos(d)
        m = math.hypot(e("x", t) - xi, e("y", t) - eta)
        return (
            m,
            e("l1", t) - zeta * e("tan_f1", t),
            e("l2", t) - zeta * e("tan_f2", t),
        )

    def penumbra(t: float) -> float:
        m, l1, _ = gap(t)
        return m - l1

    def umbra(t: float) -> float:
        m, _, l2 = gap(t)
        return m - abs(l2)

    def minus_magnitude(t: float) -> float:
        m, l1, l2 = gap(t)
        return -(l1 - m) / (l1 + l2)

    nearest = minimize_scalar(lambda t: gap(t)[0], bounds=(-4, 4), method="bounded").x
    middle = float(
        minimize_scalar(
            minus_magnitude,
            bounds=(nearest - 0.2, nearest + 0.2),
            method="bounded",
            options={"xatol": 1e-10},
        ).x
    )
    hours = {}
    if penumbra(middle) < 0:
        hours["greatest"] = middle
        hours["C1"] = brentq(penumbra, middle - 2.5, middle, xtol=1e-11)
        hours["C4"] = brentq(penumbra, middle, middle + 2.5, xtol=1e-11)
    if umbra(middle) < 0:
        hours["C2"] = brentq(umbra, hours["C1"], middle, xtol=1e-11)
        hours["C3"] = brentq(umbra, middle, hours["C4"], xtol=1e-11)
    return {name: (e.t0 + t) * 3600.0 - delta_t_s for name, t in hours.items()}
