"""Where the camera looks: mounts that err, and the picture's geometry."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.spatial.transform import Rotation

from . import air
from .ephemeris import ARCSEC, Site, tangent_axes


@dataclass(frozen=True)
class Camera:
    """A pinhole with radial distortion; the frame matrix has rows right, up, axis."""

    width: int
    height: int
    pitch_mm: float
    focal_mm: float
    mirrored: bool = False
    distortion: float = 0.0  # relative change of radius at the corner
    axis_off: tuple[float, float] = (0.0, 0.0)  # px from the middle

    @property
    def middle(self) -> tuple[float, float]:
        return (self.width - 1) / 2 + self.axis_off[0], (self.height - 1) / 2 + self.axis_off[1]

    @property
    def scale(self) -> float:
        """Arcseconds a pixel on the axis."""
        return self.pitch_mm / self.focal_mm / ARCSEC

    @property
    def corner(self) -> float:
        return float(np.hypot(self.width, self.height) / 2)

    def project(self, frame: np.ndarray, v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        w = v @ frame.T
        per = self.focal_mm / self.pitch_mm
        x, y = w[..., 0] / w[..., 2] * per, -w[..., 1] / w[..., 2] * per
        grow = 1 + self.distortion * (x**2 + y**2) / self.corner**2
        x = -x if self.mirrored else x
        return self.middle[0] + x * grow, self.middle[1] + y * grow

    def unproject(self, frame: np.ndarray, px, py) -> np.ndarray:
        x, y = px - self.middle[0], py - self.middle[1]
        seen = np.hypot(x, y)
        true = seen
        for _ in range(8):
            true = seen / (1 + self.distortion * true**2 / self.corner**2)
        shrink = np.where(seen > 0, true / np.where(seen > 0, seen, 1), 1) * (
            self.pitch_mm / self.focal_mm
        )
        x = -x if self.mirrored else x
        v = np.stack([x * shrink, -y * shrink, np.ones_like(x * shrink)], -1)
        v = v / np.linalg.norm(v, axis=-1, keepdims=True)
        return v @ frame


def _frame(axis: np.ndarray, vertical: np.ndarray, roll: float) -> np.ndarray:
    """Rows right, up, axis; up is towards ``vertical``, then turned by ``roll`` radians."""
    axis = axis / np.linalg.norm(axis)
    right = np.cross(axis, vertical)
    right /= np.linalg.norm(right)
    up = np.cross(right, axis)
    c, s = np.cos(roll), np.sin(roll)
    return np.array([c * right + s * up, -s * right + c * up, axis])


@dataclass
class Mount:
    """``equatorial``, ``altaz`` or ``fixed``, with the errors of real ones."""

    site: Site
    kind: str
    start: float
    roll: float = 0.0  # radians
    off: tuple[float, float] = (0.0, 0.0)  # radians, right and up, of the axis from the Sun
    polar: tuple[float, float] = (0.0, 0.0)  # radians: altitude and azimuth of the pole
    periodic: float = 0.0  # arcsec
    rate: float = 0.0  # relative error of the rate
    level: tuple[float, float] = (0.0, 0.0)  # tilt of the vertical axis, radians
    ahead: float = 80.0  # s that a fixed camera is pointed ahead of the Sun
    recentred: list[tuple[float, float, float]] = field(default_factory=list)  # s, right, up (rad)
    _held: dict = field(default_factory=dict)

    def sun(self, seconds: float) -> np.ndarray:
        """Observed direction of the Sun's centre."""
        return air.lift(self.site.look(seconds).local("sun")[0], self.site.height)

    @property
    def vertical(self) -> np.ndarray:
        v = np.array([self.level[0], self.level[1], 1.0])
        return v / np.linalg.norm(v)

    def frame(self, seconds: float) -> np.ndarray:
        frame = getattr(self, "_" + self.kind)(seconds)
        right, up = self.off
        for when, r, u in self.recentred:
            if when <= seconds:
                right, up = r, u
        if self.kind == "fixed":
            right, up = 0.0, 0.0
        turn = Rotation.from_rotvec(right * frame[1] - up * frame[0]).as_matrix()
        return frame @ turn.T

    def _equatorial(self, seconds: float) -> np.ndarray:
        if "start" not in self._held:
            # Camera's up is north at roll 0.
            self._held["start"] = _frame(self.sun(self.start), self.pole(), self.roll)
        rate = 2 * np.pi / 86400 * (1 + self.rate)
        turn = -rate * (seconds - self.start)
        turn += self.periodic * ARCSEC * np.sin(2 * np.pi * (seconds - self.start) / 478.7)
        rotation = Rotation.from_rotvec(turn * self.pole()).as_matrix()
        return self._held["start"] @ rotation.T

    def pole(self) -> np.ndarray:
        altitude = np.radians(self.site.latitude) + self.polar[0]
        azimuth = self.polar[1]
        flat = np.cos(altitude)
        return np.array([flat * np.sin(azimuth), flat * np.cos(azimuth), np.sin(altitude)])

    def _altaz(self, seconds: float) -> np.ndarray:
        wander = self.periodic * ARCSEC * np.array(
            [np.sin(seconds / 211.0), np.sin(seconds / 307.0 + 1), np.sin(seconds / 397.0 + 2)]
        )  # fmt: skip
        return _frame(self.sun(seconds) + wander, self.vertical, self.roll)

    def _fixed(self, seconds: float) -> np.ndarray:
        moments = [self.start] + [m[0] for m in self.recentred]
        k = max([i for i, m in enumerate(moments) if m <= seconds], default=0)
        if k not in self._held:
            following = moments[k + 1] if k + 1 < len(moments) else moments[k] + 300
            ahead = min((following - moments[k]) / 2, self.ahead)
            slack = np.random.default_rng(k).normal(0, 1.0e-3, 3)
            self._held[k] = _frame(self.sun(moments[k] + ahead) + slack, self.vertical, self.roll)
        return self._held[k]


@dataclass(frozen=True)
class View:
    """One moment's geometry: pixels to scene coordinates as a polynomial of degree 3."""

    camera: Camera
    coefficients: np.ndarray  # (2, 4, 4): power of u, power of v
    sun: tuple[float, float]
    moon: tuple[float, float]
    sun_arcsec: float
    moon_arcsec: float
    moon_offset: np.ndarray  # scene arcsec
    jacobian: np.ndarray  # d(east, north) arcsec / d(x, y) px at the Sun
    altitude: float
    frame: np.ndarray  # the camera's rows right, up, axis in east, north, up
    to_local: np.ndarray  # GCRS to east, north, up
    height: float  # of the site

    def pixels(self, direction: np.ndarray) -> np.ndarray:
        """Where apparent directions (k, 3), GCRS axes, are in the picture, (k, 2)."""
        seen = air.lift(direction @ self.to_local.T, self.height)
        return np.stack(self.camera.project(self.frame, seen), -1)

    @property
    def scale(self) -> float:
        """Arcseconds a pixel at the Sun, mean of all directions."""
        return float(np.sqrt(abs(np.linalg.det(self.jacobian))))

    @property
    def up_angle(self) -> float:
        """Position angle of the picture's upward direction (its rotation, flattening left out)."""
        turned = self.jacobian @ np.array([[-1.0 if self.mirrored else 1.0, 0], [0, -1.0]])
        # turned maps (right, up) of an unmirrored picture; nearest rotation to it:
        u, _, vt = np.linalg.svd(turned * np.array([[-1.0], [1.0]]))
        best = (u @ vt) * np.array([[-1.0], [1.0]])
        return float(np.degrees(np.arctan2(best[0, 1], best[1, 1])) % 360)

    @property
    def mirrored(self) -> bool:
        # Seen from below, east is to the left when north is up: y down and x right give
        # d(east)/dx < 0 and d(north)/dy < 0, a positive determinant.
        return bool(np.linalg.det(self.jacobian) < 0)

    def scene(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """East and north arcseconds for a row of x and a column of y, float32 (len y, len x)."""
        u = ((x - self.camera.middle[0]) / self.camera.corner).astype(np.float32)[None, :]
        v = ((y - self.camera.middle[1]) / self.camera.corner)[:, None]
        out = []
        for table in self.coefficients:
            total = np.zeros((v.shape[0], u.shape[1]), np.float32)
            for i in (3, 2, 1, 0):
                row = sum(table[i, j] * v**j for j in range(4 - i))
                total *= u
                total += row.astype(np.float32)
            out.append(total)
        return out[0], out[1]


def view(camera: Camera, mount: Mount, seconds: float, shake=(0.0, 0.0)) -> View:
    """Geometry at a moment; ``shake`` in px moves the whole picture."""
    site = mount.site
    seen = site.look(seconds)
    frame = mount.frame(seconds)
    pull = camera.pitch_mm / camera.focal_mm
    turn = Rotation.from_rotvec(shake[0] * pull * frame[1] + shake[1] * pull * frame[0])
    frame = frame @ turn.as_matrix().T
    back = seen.to_date[0] @ seen.to_local[0].T
    centre = seen.equatorial("sun")[0]
    east, north = tangent_axes(centre)

    def scene(px, py):
        v = air.unlift(camera.unproject(frame, px, py), site.height) @ back.T
        depth = v @ centre
        return v @ east / depth / ARCSEC, v @ north / depth / ARCSEC

    gx, gy = np.meshgrid(np.linspace(-0.1, 1.1, 12), np.linspace(-0.1, 1.1, 12))
    gx, gy = gx.ravel() * camera.width, gy.ravel() * camera.height
    u, v = (gx - camera.middle[0]) / camera.corner, (gy - camera.middle[1]) / camera.corner
    powers = [(i, j) for i in range(4) for j in range(4 - i)]
    basis = np.stack([u**i * v**j for i, j in powers], 1)
    table = np.zeros((2, 4, 4))
    for axis, values in enumerate(scene(gx, gy)):
        solved = np.linalg.lstsq(basis, values, rcond=None)[0]
        for (i, j), value in zip(powers, solved, strict=True):
            table[axis, i, j] = value
    local = [air.lift(seen.local(w)[0], site.height) for w in ("sun", "moon")]
    (sx, sy), (mx, my) = (camera.project(frame, p) for p in local)
    step = np.array([[0.5, 0], [-0.5, 0], [0, 0.5], [0, -0.5]])
    e, n = scene(sx + step[:, 0], sy + step[:, 1])
    jacobian = np.array([[e[0] - e[1], e[2] - e[3]], [n[0] - n[1], n[2] - n[3]]])
    moon = seen.equatorial("moon")[0]
    offset = np.array([moon @ east, moon @ north]) / (moon @ centre) / ARCSEC
    sun_r, moon_r = site.radii(seen)
    altitude = float(np.degrees(np.arcsin(local[0][2])))
    return View(
        camera, table, (float(sx), float(sy)), (float(mx), float(my)), float(sun_r[0]),
        float(moon_r[0]), offset, jacobian, altitude, frame, seen.to_local[0], site.height,
    )  # fmt: skip
