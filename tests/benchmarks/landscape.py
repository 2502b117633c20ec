"""How well wide frames are solved, on the sessions of the tests: ``python -m`` this module."""

from __future__ import annotations

import numpy as np
from astropy.time import Time, TimeDelta
from scipy.optimize import brentq
from skyfield.api import load, load_file, wgs84

from limbward.landscape.crescent import light_left
from limbward.landscape.path import sun_path
from limbward.landscape.session import Known, solve_session
from limbward.sky.apparent import solar_system
from limbward.sky.ephemeris import Site
from limbward.sky.kernel import kernel_path
from limbward.sky.umbra import umbra_edge
from tests.apart.wide import Session, Wide
from tests.landscape import test_pictures, test_places, test_umbra
from tests.landscape.sessions import over, sun_place, taken, worst_direction
from tests.landscape.test_session import around_totality, names_of

FISHEYE = ("venus", "jupiter", "mercury", "Regulus", "Arcturus", "Vega", "Capella", "Deneb",
           "Spica", "Pollux", "Alioth")  # fmt: skip


def directions(sky) -> None:
    shown = ("venus", "jupiter", "mercury", "Regulus", "Denebola")
    session = Session(Wide(azimuth=232, altitude=18, roll=2.0, bend=-0.02), shown=shown)
    frames = around_totality(session, 60.0, 37.0, 1 / 100)
    found = solve_session(frames, sky, Known((410.0,), 0.05, 0.0, 900.0))
    _say("24 mm", session, found, 6, names_of(sky, found))
    for law in ("equisolid", "equidistant", "stereographic"):
        lens = Wide(width=900, height=600, focal=200.0, azimuth=225, altitude=35, roll=1.0,
                    bend=-0.004, projection=law)  # fmt: skip
        session = Session(lens, shown=FISHEYE, dusk=3e-11)
        frames = around_totality(session, 90.0, -20.0, 1 / 20)
        found = solve_session(frames, sky, Known((205.0,), 0.05, 0.0, 900.0))
        _say(f"8 mm, {law}", session, found, 4, names_of(sky, found))


def _say(what: str, session: Session, found, frame: int, names: set[str]) -> None:
    print(
        f"{what}: {worst_direction(session, found.camera(frame)):.4f} degrees at worst, "
        f"{found.fit.lens.projection}, clock {found.fit.offset_s:.2f} ± "
        f"{found.fit.offset_sigma_s:.2f} s; named {', '.join(sorted(names))}",
        flush=True,
    )


def crescents(sky) -> None:
    lens = Wide(focal=583.0, azimuth=240, altitude=20, roll=-1.0, bend=-0.03)
    session = Session(lens, haze=0.02)
    since = np.arange(-4500.0, 4501.0, 250.0)
    frames = [taken(session, t, 1 / 500, filtered=True, clock_s=7159.0) for t in since]
    found = solve_session(frames, sky, Known((590.0,), 0.05, 7200.0, 900.0))
    errors = []
    for k, frame in enumerate(frames):
        if frame.seen.sun is not None:
            t = np.array(since[k])
            aside = sky.vector_of(0, t) - light_left(sky, t).middle
            seen = found.camera(k).to_sky(np.array([frame.seen.sun.x, frame.seen.sun.y]))
            errors.append(np.degrees(np.linalg.norm(seen + aside - sun_place(session, since[k]))))
    print(
        f"35 mm: {len(errors)} crescents, {max(errors):.4f} degrees at worst; clock off by "
        f"{found.fit.offset_s - 7159:+.2f} ± {found.fit.offset_sigma_s:.2f} s",
        flush=True,
    )


def shadow() -> None:
    worst = 0.0
    for second in test_umbra.INSTANTS:
        time = Time(f"{test_umbra.DAY}T00:00:00") + TimeDelta(second, format="sec")
        site = Site(test_umbra.LATITUDE, test_umbra.LONGITUDE, 0.0)
        edge = umbra_edge(time, site, height_km=10.0, points=720)
        altitude, azimuth = edge.altitude[0], edge.azimuth[0]
        up = np.flatnonzero(altitude > 3.0)
        for k in up[:: max(1, up.size // 5)]:
            level = np.cos(np.radians(altitude[k]))
            rise = altitude[(k + 1) % 720] - altitude[k - 1]
            aside = (azimuth[(k + 1) % 720] - azimuth[k - 1] + 180) % 360 - 180
            step = (0.0, 1 / level) if abs(rise) > abs(aside) * level else (1.0, 0.0)
            off = brentq(
                lambda t, k=k, step=step, second=second, a=altitude, z=azimuth: test_umbra.depth(
                    a[k] + t * step[0], z[k] + t * step[1], 10.0, second
                ),
                -0.3, 0.3, xtol=1e-4,
            )  # fmt: skip
            worst = max(worst, abs(off))
    print(f"umbra's edge: {worst:.4f} degrees at worst", flush=True)


def path() -> None:
    _, _, ground, suns = test_pictures.scene.__wrapped__()
    made = sun_path(ground, suns, 1.0)
    y, x = np.mgrid[: made.shape[1], : made.shape[2]]
    places, seams = [], []
    for frame, sun in suns:
        r = np.hypot(x - sun.x, y - sun.y)
        own = np.where(r < 2.2 * sun.radius, frame.picture[1], 0)
        own = np.where(own > 0.05 * own.max(), own, 0)
        added = np.where((r < 2.2 * sun.radius) & (own > 0), made[1], 0)
        a, b = (np.array([(w * x).sum(), (w * y).sum()]) / w.sum() for w in (own, added))
        places.append(np.linalg.norm(a - b))
        skirt = (r > 1.15 * sun.radius + 3) & (r < 2.0 * sun.radius + 6)
        change = made[:, skirt] / np.maximum(ground.picture[:, skirt], 1e-4) - 1
        seams.append(np.quantile(change, 0.99))
    far = np.all([np.hypot(x - s.x, y - s.y) > 2.2 * s.radius for _, s in suns], axis=0)
    same = np.abs(made[:, far] - ground.picture[:, far]).max()
    print(
        f"path: places {max(places):.3f} px, skirts {100 * max(seams):.2f} %, foreground changed "
        f"by {same:g}",
        flush=True,
    )


def planets() -> None:
    kernel, timescale = load_file(str(kernel_path("de421"))), load.timescale(builtin=True)
    worst = 0.0
    for utc, latitude, longitude in test_places.ECLIPSES:
        t = timescale.from_astropy(Time(utc))
        here = (kernel["earth"] + wgs84.latlon(latitude, longitude, 100.0)).at(t)
        ours = solar_system(Time(utc), Site(latitude, longitude, 100.0), pressure_hpa=0.0)
        for k, name in enumerate(ours.name):
            seen = here.observe(kernel[test_places.TARGET[name]]).apparent()
            there = test_places.unit(*seen.radec("date")[:2])
            worst = max(worst, test_places.apart_arcsec(ours.equatorial[0, k], there))
    print(f"planets, Sun and Moon against Skyfield: {worst:.3f} arcsec at worst", flush=True)


if __name__ == "__main__":
    planets()
    shadow()
    path()
    SKY = over(Session(Wide()))
    crescents(SKY)
    directions(SKY)
