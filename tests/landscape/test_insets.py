"""Crescents of a telescope set into a wide picture, against where Sun and Moon truly stand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from limbward.camera.frame import RawFrame
from limbward.geometry.orientation import Orientation
from limbward.landscape.develop import Developed
from limbward.landscape.fit import Fit
from limbward.landscape.insets import inset, insets_at, pasted, without_own_sun
from limbward.landscape.path import PathSun, sun_path
from limbward.landscape.seen import NO_POINTS, Seen
from limbward.landscape.session import Frame, Session
from limbward.landscape.solved import Solved
from limbward.sequences.cut import View, cut
from tests.apart import wide as apart

from .sessions import EPOCH_S, over
from .test_pictures import camera_of

TIMES = 6.0
TELESCOPE = Orientation(8.0, 77.0)  # arcsec a pixel; the position angle that is up in it
ZENITH = 33.0  # position angle of the zenith: any will do, as long as both sides use it


@pytest.fixture(scope="module")
def scene():
    camera = apart.Wide(width=900, height=600, focal=600.0, azimuth=243.0, altitude=18.0, roll=7.0)
    truth = apart.Session(camera)
    mine = camera_of(camera)
    fit = Fit(mine.lens, [mine.pose], 0.0, 1.0, 0.0, np.zeros((0, 2)))
    session = Session(fit, None, np.array([0]), [], np.array([0.0]), [False])
    seen = Seen(900, 600, None, NO_POINTS, False, 0.0, 1.0, np.zeros((3, 2, 2), np.float32), 450)
    frames = [Frame(0.0, 1.0, seen)]
    solved = Solved(["wide"], frames, np.array([1.0]), session, over(truth), True, None)
    return truth, solved


def photographed(truth: apart.Session, since: float) -> tuple[RawFrame, tuple[float, float], float]:
    """A crescent as the telescope frames it; the Sun's centre in it and radius, degrees."""
    sun, moon, rs, rm = truth.sun_moon(EPOCH_S + since)
    right = ((moon[1] - sun[1] + 180) % 360 - 180) * np.cos(np.radians(sun[0]))
    up = moon[0] - sun[0]
    left_of_zenith = np.degrees(np.arctan2(-right, up))  # anticlockwise, as position angles grow
    step = np.array(TELESCOPE.towards(ZENITH + left_of_zenith))
    centre = np.array([151.3, 148.6])
    where = centre + step * np.hypot(right, up) * 3600 / 8.0
    y, x = np.mgrid[:300, :300]
    disc = np.clip(rs * 450 + 0.5 - np.hypot(x - centre[0], y - centre[1]), 0, 1)
    disc *= np.clip(np.hypot(x - where[0], y - where[1]) - rm * 450 + 0.5, 0, 1)
    frame = RawFrame(
        (1000 + 9000 * disc).astype(np.float32), np.array([[1]], np.int8),
        np.full((1, 1), 1000, np.float32), 16000.0, np.ones(3, np.float32),
        np.eye(3, dtype=np.float32),
    )  # fmt: skip
    return frame, (float(centre[0]), float(centre[1])), rs


@pytest.mark.parametrize("since", [-2400.0, 2100.0])
@pytest.mark.parametrize("factor", [1, 2])
def test_a_crescent_stands_at_its_place_and_its_turn(scene, since, factor) -> None:
    truth, solved = scene
    frame, centre, rs = photographed(truth, since)
    one = inset(solved, 0, factor, since, ZENITH, TIMES, total=False)
    view = View(one.side, one.scale_arcsec, one.up_position_angle)
    aside = TELESCOPE.to_pixels(*view.orientation.to_sky(*one.aside))
    made = cut(frame, (centre[0] - aside[0], centre[1] - aside[1]), TELESCOPE, view)
    h, w = 600 // factor, 900 // factor
    ground = Developed(np.full((3, h, w), 0.001, np.float32), np.zeros((h, w), bool), factor)
    sun = pasted(made.picture, made.clipped, one, ground)
    picture = sun_path(ground, [(sun, one.sun)], 1.0)[1]
    # The truth: the wide camera's own places of Sun and Moon, the way between them magnified.
    altaz, moon_altaz, _, rm = truth.sun_moon(EPOCH_S + since)
    s, m = (truth.camera.pixels(apart.enu(*a)) for a in (altaz, moon_altaz))
    scale = np.degrees(1 / truth.camera.focal) / (1 + (np.hypot(*(s - (449.5, 299.5))) / 600) ** 2)
    s, m = ((v + 0.5) / factor - 0.5 for v in (s, s + TIMES * (m - s)))
    y, x = np.mgrid[:h, :w]
    radii = TIMES * np.array([rs, rm]) / scale / factor
    lit = np.clip(radii[0] + 0.5 - np.hypot(x - s[0], y - s[1]), 0, 1)
    lit *= np.clip(np.hypot(x - m[0], y - m[1]) - radii[1] + 0.5, 0, 1)
    middles = [np.array([(v * x).sum(), (v * y).sum()]) / v.sum()
               for v in (lit, np.where(picture > 0.3, picture, 0))]  # fmt: skip
    # 0.3 px are asked for; 0.2 are of the shape, which a wide lens draws out off its axis.
    assert np.linalg.norm(middles[0] - middles[1]) < 0.3
    outer = np.hypot(x - s[0], y - s[1]) > 1.3 * radii[0] + 7
    assert np.array_equal(picture[outer], ground.picture[1][outer])


def test_which_frames_are_set_in(scene) -> None:
    _, solved = scene
    t = np.arange(-4800.0, 4801.0, 60.0)
    rows = insets_at(solved, 0, t, np.abs(t) < 65, 600.0, TIMES)
    total = [k for k in rows if abs(t[k]) < 65]
    assert t[total] == pytest.approx([0.0])
    gaps = np.diff(t[rows])
    # Discs of 0.53 degrees, six times as large, that move by 15 degrees an hour or less.
    assert gaps.min() > 6 * 0.53 / 15 * 3600
    assert len(rows) > 4


def test_no_small_sun_in_the_large_moon(scene) -> None:
    """The wide frame's own overexposed corona goes where the Moon of the inset is."""
    _, solved = scene
    one = inset(solved, 0, 1, 0.0, ZENITH, TIMES, total=True)
    y, x = np.mgrid[:600, :900]
    r = np.hypot(x - one.sun.x, y - one.sun.y)
    light = np.where(r < 8, 1.0, 0.01).astype(np.float32)
    base = Developed(np.stack([light] * 3), np.zeros((600, 900), bool), 1)
    own = PathSun(one.sun.x, one.sun.y, one.sun.radius / TIMES, True)
    made = without_own_sun(base, own, [one]).picture
    assert made.max() < 0.011
    far = replace(one, sun=replace(one.sun, x=one.sun.x + 3 * one.sun.radius))
    assert without_own_sun(base, own, [far]) is base
