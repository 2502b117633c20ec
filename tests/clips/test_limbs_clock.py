"""A film's clock from limbs drawn where they are, and from some alike beside it in all pictures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from limbward.clips.clock import Beforehand, solve_pictures
from limbward.config import place_and_time
from limbward.config.loading import load_config
from limbward.geometry.disc import MeasuredDisc
from limbward.geometry.orientation import Orientation
from limbward.limb.measurement import LimbMeasurement

CAMERA = Orientation(9.0, -20.0)
AROUND = np.radians(np.arange(0.0, 360.0, 1.0))
SIGMA_PX = 0.1
BEFORE = np.arange(-1500.0, -900.0, 20.0)


@pytest.fixture(scope="module")
def sky(tmp_path_factory):
    """The track of Sun and Moon, and when the photosphere is covered."""
    path = tmp_path_factory.mktemp("sky") / "limbward.yaml"
    path.write_text(
        "site: {latitude: 65.0, longitude: -23.4, height: 40}\neclipse: 2026-08-12\n"
        "input: {cards: [card]}\n"
    )
    config = load_config(path)
    found = place_and_time.eclipse(config)
    track = place_and_time.track(config, place_and_time.greatest(found))
    return track, place_and_time.covered_s(config, found)


def limbs(track, t, beside_px):
    """Return the limbs of a crescent at t, both ``beside_px`` into its bright side."""
    (east, north), scale = track.offset_arcsec(np.array([t]))[0], CAMERA.pixel_scale_arcsec
    dx, dy = CAMERA.to_pixels(east, north)
    bent = CAMERA.in_pixels(track.refraction(np.array([t]))[0])
    bent = bent / np.sqrt(np.linalg.det(bent))
    circle = np.stack([np.cos(AROUND), np.sin(AROUND)])
    radii = [
        float(f(np.array([t]))[0]) / scale
        for f in (track.sun_radius_arcsec, track.moon_radius_arcsec)
    ]
    centres = np.array([[160.0, 120.0], [160.0 + dx, 120.0 + dy]])
    drawn = [
        (bent @ (circle * (radius + side * beside_px))).T + centre
        for radius, side, centre in zip(radii, (-1.0, 1.0), centres, strict=True)
    ]
    away = [np.hypot(*(drawn[k] - centres[1 - k]).T) for k in (0, 1)]
    seen = drawn[0][away[0] > radii[1] + 2.0], drawn[1][away[1] < radii[0] - 2.0]
    sun, moon = (
        MeasuredDisc(*centre, radius, SIGMA_PX)
        for centre, radius in zip(centres, radii, strict=True)
    )
    sun_limb, moon_limb = (np.column_stack([p, np.full(len(p), SIGMA_PX)]) for p in seen)
    return LimbMeasurement(
        "partial", sun, moon, 1.0, False, 0.5, sun_limb=sun_limb, moon_limb=moon_limb
    )


def solved(sky, t, beside_px):
    """Return the error of the clock in the middle of a film, and the error that is stated."""
    track, covered = sky
    found = [limbs(track, s, beside_px) for s in t]
    return error_of(solve_pictures(Beforehand(track, totality_s=covered), found, t, 0.0 * t), t)


def error_of(solution, t):
    middle = np.array([t.mean()])
    off = float(solution.since_greatest_s(middle, 0.0)[0] - middle[0])
    return off, float(solution.sigma_s(middle, 0.0)[0])


def test_limbs_where_they_are_give_the_time(sky):
    off, _ = solved(sky, BEFORE, 0.0)
    assert abs(off) < 0.05


def test_limbs_that_lie_beside_their_places_in_all_pictures_are_in_the_error(sky):
    """Thirty pictures do not average that away: 0.03 px of 9 arcsec are half a second and more."""
    off, sigma = solved(sky, BEFORE, 0.03)
    assert 0.2 < abs(off) < 2.0 * sigma


def test_crescents_on_both_sides_of_totality_make_up_for_each_other(sky):
    both = np.concatenate([BEFORE, -BEFORE[::-1]])
    off, sigma = solved(sky, both, 0.03)
    assert abs(off) < 0.1
    assert sigma < 0.3


def test_a_crescent_that_passes_for_totality_does_not_spoil_the_clock(sky):
    track, covered = sky
    found = [limbs(track, s, 0.0) for s in BEFORE]
    found[20] = replace(found[20], kind="totality", sun=None, coverage=0.8)
    solution = solve_pictures(Beforehand(track, totality_s=covered), found, BEFORE, 0.0 * BEFORE)
    off, sigma = error_of(solution, BEFORE)
    assert abs(off) < 0.05
    assert sigma < 2.0
    assert solution.warnings == ()
