"""Sessions of the wide simulator as the room takes them, and what is off in the result."""

from __future__ import annotations

import numpy as np
from astropy.time import Time, TimeDelta

from limbward.landscape.heavens import heavens
from limbward.landscape.seen import see
from limbward.landscape.session import Frame
from limbward.sky.ephemeris import Site
from tests.apart.wide import Session, enu

EPOCH_S = 17 * 3600 + 46 * 60 + 34  # of the day; near greatest eclipse at the usual place


def over(session: Session):
    """The sky of a session, as the solver has it."""
    epoch = Time(f"{session.day}T00:00:00") + TimeDelta(EPOCH_S, format="sec")
    return heavens(epoch, Site(session.latitude, session.longitude, 0.0))


def taken(session: Session, since, exposure, *, filtered, clock_s=0.0, iso=100, stop=8.0) -> Frame:
    """One frame, its middle at a time since the epoch, as the solver sees it."""
    shown = session.frame(EPOCH_S + since, exposure, filtered=filtered, iso=iso, stop=stop)
    planes = np.where(shown >= 0.98 * session.full, np.nan, shown).astype(np.float32)
    cam = session.camera
    seen = see(planes, 1, session.full, cam.width, cam.height)
    return Frame(since + clock_s, exposure * iso / 100 * (8 / stop) ** 2, seen)


def worst_direction(session: Session, camera, lowest: float = -2.0) -> float:
    """Largest error of a pixel's direction over the frame, degrees, above an altitude."""
    cam = session.camera
    x, y = np.meshgrid(np.linspace(0, cam.width - 1, 25), np.linspace(0, cam.height - 1, 17))
    truth = cam.rays(x, y)
    got = camera.to_sky(np.stack([x, y], axis=-1))
    # Only where the lens has light: the corners of a fisheye's picture are dark.
    lit = np.linalg.norm(cam.pixels(truth) - np.stack([x, y], axis=-1), axis=-1) < 0.01
    lit &= (truth[..., 2] > np.sin(np.radians(lowest))) & (truth @ cam.axes()[2] > 0.05)
    return float(np.degrees(np.linalg.norm(got - truth, axis=-1)[lit].max()))


def sun_place(session: Session, since: float) -> np.ndarray:
    return enu(*session.sun_moon(EPOCH_S + since)[0])
