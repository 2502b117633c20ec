"""A wide-angle session: landscape, twilight, planets, stars and the Sun as a camera frames them.

Shares nothing with the package. Planets and stars come from astropy, Sun and Moon from
`tests.apart.ephemeris`.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import astropy.units as u
import numpy as np
from astropy.coordinates import AltAz, EarthLocation, SkyCoord, get_body
from astropy.time import Time, TimeDelta
from scipy.ndimage import gaussian_filter
from scipy.optimize import brentq

from .ephemeris import Site

RESPONSE = (0.36998, 1.0, 0.74284)  # to daylight, as the matrix in `files` has it
FOV_DISC, FINE = 0.57, 191  # degrees around the Sun that are painted, and in how many steps
FOV_CORONA, COARSE = 4.0, 201
# ICRS degrees and V magnitudes of bright stars of the summer and spring sky, from memory.
STARS = {
    "Regulus": (152.0930, 11.9672, 1.36),
    "Arcturus": (213.9153, 19.1824, -0.05),
    "Spica": (201.2983, -11.1613, 0.98),
    "Vega": (279.2347, 38.7837, 0.03),
    "Capella": (79.1723, 45.9980, 0.08),
    "Pollux": (116.3290, 28.0262, 1.16),
    "Procyon": (114.8255, 5.2250, 0.40),
    "Deneb": (310.3580, 45.2803, 1.25),
    "Denebola": (177.2649, 14.5721, 2.14),
    "Castor": (113.6494, 31.8883, 1.58),
    "Altair": (297.6958, 8.8683, 0.76),
    "Alioth": (193.5073, 55.9598, 1.76),
    "Dubhe": (165.9320, 61.7510, 1.81),
    "Alkaid": (206.8852, 49.3133, 1.85),
}
PLANETS = {"venus": -4.2, "jupiter": -1.8, "mercury": -1.2, "mars": 1.3, "saturn": 0.5}


def enu(altitude, azimuth) -> np.ndarray:
    a, z = np.radians(altitude), np.radians(azimuth)
    return np.stack([np.cos(a) * np.sin(z), np.cos(a) * np.cos(z), np.sin(a)], axis=-1)


def raised(altitude: np.ndarray) -> np.ndarray:
    """Apparent altitude by Bennett's formula (1982), which goes from apparent to true."""

    def true(h: float) -> float:
        return h - 1 / np.tan(np.radians(h + 7.31 / (h + 4.4))) / 60

    flat = [brentq(lambda h, a=a: true(h) - a, a - 0.1, a + 2) if a > -1 else a for a in
            np.ravel(altitude)]  # fmt: skip
    return np.reshape(flat, np.shape(altitude))


@dataclass(frozen=True)
class Wide:
    """A camera on a tripod. ``focal`` is in pixels, ``bend`` the share of g squared."""

    width: int = 600
    height: int = 400
    focal: float = 400.0
    projection: str = "rectilinear"
    bend: float = 0.0
    azimuth: float = 240.0
    altitude: float = 20.0
    roll: float = 0.0

    def axes(self) -> np.ndarray:
        """Right, down and forward of the camera in east, north, up."""
        ahead = enu(self.altitude, self.azimuth)
        level = enu(0.0, self.azimuth + 90.0)
        over = np.cross(level, ahead)
        c, s = np.cos(np.radians(self.roll)), np.sin(np.radians(self.roll))
        return np.stack([c * level + s * over, -(c * over - s * level), ahead])

    def g(self, theta: np.ndarray) -> np.ndarray:
        return {
            "rectilinear": lambda t: np.where(t < 1.5, np.tan(np.minimum(t, 1.5)), 1e3),
            "equidistant": lambda t: t,
            "equisolid": lambda t: 2 * np.sin(t / 2),
            "stereographic": lambda t: 2 * np.tan(t / 2),
        }[self.projection](theta)

    def pixels(self, ray: np.ndarray) -> np.ndarray:
        """Where directions (..., 3) east, north, up fall."""
        x, y, z = np.moveaxis(ray @ self.axes().T, -1, 0)
        across = np.hypot(x, y)
        g = self.g(np.arctan2(across, z))
        r = self.focal * g * (1 + self.bend * g**2)
        unit = np.maximum(across, 1e-12)
        return np.stack(
            [(self.width - 1) / 2 + r * x / unit, (self.height - 1) / 2 + r * y / unit], axis=-1
        )

    def rays(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """The directions of pixels, by bisection of the lens' own law."""
        dx, dy = x - (self.width - 1) / 2, y - (self.height - 1) / 2
        r = np.hypot(dx, dy)
        table = np.linspace(0, 1.45 if self.projection == "rectilinear" else 2.2, 20001)
        g = self.g(table)
        law = self.focal * g * (1 + self.bend * g**2)
        rising = np.cumprod(np.r_[True, np.diff(law) > 0]).astype(bool)
        theta = np.interp(r, law[rising], table[rising])
        unit = np.maximum(r, 1e-12)
        local = np.stack(
            [np.sin(theta) * dx / unit, np.sin(theta) * dy / unit, np.cos(theta)], axis=-1
        )
        return local @ self.axes()


@dataclass
class Session:
    """One place, one camera, and what it would show at any second of the day."""

    camera: Wide
    latitude: float = 65.0
    longitude: float = -24.5
    day: str = "2026-08-12"
    seed: int = 1
    full: float = 15000.0  # ADU of white above black
    blur: float = 0.8  # pixels
    shown: tuple[str, ...] = ("venus", "jupiter", "mercury", "Regulus", "Arcturus")
    lamps: int = 4
    haze: float = 0.0  # of the light, from frame to frame
    dusk: float = 2e-10  # of the Sun's surface brightness, in the zenith in totality
    site: Site = field(init=False)

    def __post_init__(self) -> None:
        self.site = Site(self.latitude, self.longitude, 0.0, self.day)
        self.rng = np.random.default_rng(self.seed)
        self.contacts = self.site.contacts()
        y, x = np.mgrid[: self.camera.height, : self.camera.width].astype(float)
        ray = self.camera.rays(x, y)
        self.alt = np.degrees(np.arcsin(np.clip(ray[..., 2], -1, 1)))
        self.az = np.degrees(np.arctan2(ray[..., 0], ray[..., 1])) % 360
        # Beyond 95 degrees from the axis a fisheye has no light.
        self.dark = ray @ self.camera.axes()[2] < np.cos(np.radians(95))
        hills = 0.5 + 0.4 * np.sin(np.radians(7 * self.az)) + 0.2 * np.sin(np.radians(23 * self.az))
        self.land = self.alt < hills

    def altaz(self, second: float, name: str) -> tuple[float, float, float]:
        """Apparent altitude, azimuth and magnitude of a planet or star."""
        time = Time(f"{self.day}T00:00:00") + TimeDelta(second, format="sec")
        place = EarthLocation.from_geodetic(self.longitude, self.latitude, 0.0)
        if name in PLANETS:
            seen, magnitude = get_body(name, time, place), PLANETS[name]
        else:
            ra, dec, magnitude = STARS[name]
            seen = SkyCoord(ra * u.deg, dec * u.deg)
        local = seen.transform_to(AltAz(obstime=time, location=place))
        return float(raised(np.array(local.alt.deg))), float(local.az.deg), magnitude

    def sun_moon(self, second: float) -> tuple[np.ndarray, np.ndarray, float, float]:
        """Apparent (altitude, azimuth) of Sun and Moon, and their radii in degrees."""
        seen = self.site.look([second])
        found = []
        for name in ("sun", "moon"):
            e, n, up = seen.local(name)[0]
            h = float(np.degrees(np.arcsin(up)))
            found.append(np.array([float(raised(np.array(h))), np.degrees(np.arctan2(e, n)) % 360]))
        sun, moon = self.site.radii(seen)
        return found[0], found[1], float(sun[0] / 3600), float(moon[0] / 3600)

    def sun_patch(self, second: float, across: float, n: int, *, disc: bool) -> tuple:
        """Directions around the Sun and the light there of the photosphere or of the corona.

        Light is in mean solar discs of surface brightness; the last value is a step's size.
        """
        sun, moon, rs, rm = self.sun_moon(second)
        side = np.linspace(-across / 2, across / 2, n)
        dx, dy = np.meshgrid(side, side)
        altitude = sun[0] + dy
        azimuth = sun[1] + dx / np.cos(np.radians(sun[0]))
        aside = (moon[1] - sun[1] + 180) % 360 - 180
        mx, my = aside * np.cos(np.radians(sun[0])), moon[0] - sun[0]
        r = np.hypot(dx, dy) / rs
        step = side[1] - side[0]
        # Edges are shared out over a step, so that the light does not depend on the grid.
        shown = np.clip((np.hypot(dx - mx, dy - my) - rm) / step + 0.5, 0, 1)
        if disc:
            mu = np.sqrt(np.clip(1 - r**2, 0, 1))
            light = (0.4 + 0.6 * mu) / 0.8 * np.clip((1 - r) * rs / step + 0.5, 0, 1)
        else:
            outer = np.maximum(r, 1)
            light = np.where(r > 1, 2e-6 * outer**-6 + 1e-7 * outer**-2.5, 0.0)
            light *= np.clip((across / 2 / rs - r) / 3, 0, 1)  # no edge of the painted square
            light *= 1 + 0.3 * np.cos(2 * np.arctan2(dy, dx))
        return enu(altitude, azimuth), shown * light, step

    def light_left(self, second: float) -> float:
        """Share of the Sun's light that is left."""
        _, disc, step = self.sun_patch(second, FOV_DISC, FINE, disc=True)
        _, _, rs, _ = self.sun_moon(second)
        return float(disc.sum() * step**2 / (np.pi * rs**2))

    def frame(
        self, second: float, exposure: float, *, filtered: bool, iso: int = 100, stop: float = 8.0
    ) -> np.ndarray:
        """ADU above black in three colours, (3, H, W), clipped at `full`, of a frame's middle."""
        cam = self.camera
        light = np.zeros((cam.height, cam.width))
        # ADU of a mean solar disc's surface: the filtered one is at 0.5 of white after 1/500 s at
        # ISO 100 and f/8.
        gain = iso / 100 * (8 / stop) ** 2
        disc_adu = 0.5 * self.full * 500 * exposure * gain * (1.0 if filtered else 1e5)
        pixel = np.degrees(1 / cam.focal)
        wash = 1 - self.haze * self.rng.random()
        for across, n, disc in ((FOV_DISC, FINE, True), (FOV_CORONA, COARSE, False)):
            if filtered and not disc:
                continue  # a hundred times fainter than noise
            ray, shown, step = self.sun_patch(second, across, n, disc=disc)
            value = shown * disc_adu * (step / pixel) ** 2 * wash
            ahead = (ray @ cam.axes()[2]) > 0
            self._splat(light, cam.pixels(ray)[ahead], value[ahead])
        if not filtered:
            left = 0.7 * self.light_left(second) + 0.15 * (
                self.light_left(second - 15) + self.light_left(second + 15)
            )
            dusk = self.dusk * (0.4 + 3 * np.exp(-np.maximum(self.alt, 0) / 6))
            sky = (3e-6 * left + dusk) * disc_adu
            light += np.where(self.land, 0.06 * sky.mean(), sky)
            for name in self.shown:
                h, z, magnitude = self.altaz(second, name)
                if h > 1:
                    # The Sun is of magnitude -26.74, and its disc covers this many pixels.
                    _, _, rs, _ = self.sun_moon(second)
                    whole = disc_adu * np.pi * (rs / pixel) ** 2
                    flux = whole * 10 ** (-0.4 * (magnitude + 0.2 / np.sin(np.radians(h)) + 26.74))
                    self._splat(light, cam.pixels(enu(h, z))[None], np.array([flux]))
            rng = np.random.default_rng(7)
            lamps = np.argwhere(self.land)
            for i, j in lamps[rng.integers(0, len(lamps), self.lamps)] if len(lamps) else ():
                light[i, j] += 1e-7 * disc_adu
        light = np.where(self.dark, 0, gaussian_filter(light, self.blur))
        colours = np.array(RESPONSE)[:, None, None] * light
        noisy = colours + self.rng.normal(0, 1, colours.shape) * np.sqrt(
            9.0 + np.maximum(colours, 0) / 3
        )
        return np.minimum(noisy, self.full).astype(np.float32)

    def _splat(self, light: np.ndarray, where: np.ndarray, value: np.ndarray) -> None:
        """Share light out bilinearly among the nearest pixels."""
        x, y = where[..., 0].ravel(), where[..., 1].ravel()
        v = value.ravel()
        i, j = np.floor(y).astype(int), np.floor(x).astype(int)
        for di in (0, 1):
            for dj in (0, 1):
                share = np.abs(1 - di - (y - i)) * np.abs(1 - dj - (x - j))
                ok = (i + di >= 0) & (i + di < light.shape[0])
                ok &= (j + dj >= 0) & (j + dj < light.shape[1])
                np.add.at(light, (i[ok] + di, j[ok] + dj), (v * share)[ok])
