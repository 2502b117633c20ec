"""The film of the light: exposures evened out, the darkening kept, against the simulator's sky."""

from __future__ import annotations

import numpy as np
import pytest

from limbward.landscape.crescent import light_left
from limbward.landscape.develop import Developed
from limbward.landscape.even_light import even_light
from limbward.landscape.shadow_film import drawn, shown
from limbward.render.space import SRGB
from tests.apart.wide import Session, Wide

from .sessions import EPOCH_S, over

# By which the exposures of five settings are off, natural logarithm.
SETTINGS = {0.0125: -0.03, 0.0126: 0.06, 0.05: 0.05, 4.3: 0.04, 64.0: -0.05}


def setting(since: np.ndarray) -> np.ndarray:
    a = np.abs(since)
    light = np.where(a < 55, 64.0, np.where(a < 90, 4.3, np.where(a < 200, 0.05, 0.0125)))
    return np.where(since > 300, 0.0126, light)


@pytest.fixture(scope="module")
def course():
    """Brightness of the simulator's sky every four seconds, half a minute's light mixed in it."""
    session = Session(Wide())
    since = np.arange(-390.0, 391.0, 4.0)
    wide = np.arange(since[0] - 16, since[-1] + 17, 4.0)
    left = np.array([session.light_left(EPOCH_S + t) for t in wide])
    mixed = 0.7 * left[4:-4] + 0.15 * (left[:-8] + left[8:])
    share = light_left(over(session), since).share
    return since, 3e-6 * mixed + session.dusk, share, setting(since)


def test_the_darkening_is_kept(course) -> None:
    since, truth, share, light = course
    even = even_light(since, truth, share, light)
    assert truth.max() / truth.min() > 1000
    # Nothing was off, and the whole fall stays: 3 % of the 7.1 that its logarithm is.
    off = np.log(even.level / truth)
    assert np.ptp(off) < 0.03 * np.log(truth.max() / truth.min())
    assert np.std(off) < 0.02


def test_flicker_and_settings_are_evened_out(course) -> None:
    since, truth, share, light = course
    rng = np.random.default_rng(5)
    flicker = rng.normal(0.0, 0.03, since.size)
    wrong = flicker + np.array([SETTINGS[v] for v in light])
    even = even_light(since, truth * np.exp(wrong), share, light)
    left = np.log(even.level / truth)
    partial = np.abs(since) > 120  # in the shadow itself the sky may do anything
    steps = np.diff(left)[partial[1:] & partial[:-1]]
    before = np.diff(wrong)[partial[1:] & partial[:-1]]
    assert np.std(steps) < np.std(before) / 3
    # Of the 9 % between two exposures of one brightness a third stays at most.
    k = int(np.flatnonzero(since > 300)[0])
    assert abs(np.median(left[k : k + 8]) - np.median(left[k - 8 : k])) < 0.03
    assert even.factor * truth * np.exp(wrong) == pytest.approx(even.level)


def test_one_sky_is_drawn_alike_whatever_the_exposure() -> None:
    """The drawn sky is a power of its brightness; exposures that differ by 50 cancel."""
    level = np.array([1.0, 0.5, 0.02, 0.0004])
    target = drawn(level)
    assert np.all(np.diff(np.log(target)) < 0)
    ratio = np.diff(np.log(target)) / np.diff(np.log(level))
    assert ratio == pytest.approx(ratio[0])
    picture = np.full((3, 4, 4), 0.2, np.float32)
    for exposure in (1.0, 1 / 50):
        frame = Developed(picture * np.float32(exposure), np.zeros((4, 4), bool), 1)
        light = SRGB.decode(shown(frame, -np.log(1 - 0.3) / 0.2 / exposure))
        assert light == pytest.approx(0.3, abs=2e-4)
    # What is overexposed is white, in a short exposure and in a long one.
    white = Developed(np.ones((3, 4, 4), np.float32), np.ones((4, 4), bool), 1)
    assert shown(white, 0.3).min() > 0.98
