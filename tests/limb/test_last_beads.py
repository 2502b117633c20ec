"""The last bead, on light around the limb made without pictures."""

import numpy as np
import pytest

from limbward.geometry.disc import RIM_BINS
from limbward.limb.last_beads import contacts_seen, frames_with_beads

TOTALITY_S = -60.0, 60.0
TIMES = np.array([-57.0, -56.0, -40.0, -20.0, 0.0, 20.0, 40.0, 57.0])


def rim(exposure=1.0, bead=0.0, width=5, prominence=0.0, seed=0):
    """A corona twice as bright at its equator, noise of 5 %, and what is on it; clipped at 1."""
    rng = np.random.default_rng(seed)
    angle = np.arange(RIM_BINS) * (2 * np.pi / RIM_BINS)
    light = 0.1 * (1.5 + 0.5 * np.cos(2 * angle)) * (1.0 + 0.05 * rng.standard_normal(RIM_BINS))
    light[700 : 700 + width] += bead
    light[300:318] += 0.1 * prominence
    return np.minimum(exposure * light, 1.0).astype(np.float32)


def flagged(rims, times=TIMES, totality_s=TOTALITY_S):
    rows = np.arange(len(times))
    return frames_with_beads(lambda row: rims[row], [rows], np.asarray(times), totality_s)


def session(**of_first):
    return [rim(seed=1, **of_first), *(rim(seed=k) for k in range(2, 9))]


@pytest.mark.parametrize("bead", [0.4, 0.7, 5.0])
def test_a_bead_near_a_contact_is_seen(bead):
    assert flagged(session(bead=bead, width=7)).tolist() == [True] + 7 * [False]


def test_corona_noise_and_exposure_are_no_bead():
    rims = [rim(exposure=e, seed=k) for k, e in enumerate((0.1, 3.0, 1.0, 0.3, 1.0, 2.0, 1.0, 0.2))]
    assert not flagged(rims).any()


def test_a_prominence_that_later_frames_show_too_is_no_bead():
    rims = [rim(prominence=3.0, seed=k) for k in range(8)]
    assert not flagged(rims).any()


def test_the_last_spark_is_a_bead_if_it_is_clipped():
    """2.5 times the corona there; a prominence may be as bright, but does not clip."""
    rims = [rim(exposure=4.0, seed=k) for k in range(8)]
    rims[0] = np.minimum(rims[0], 0.9)
    rims[0][400:408] = 1.0
    assert flagged(rims)[0]
    rims[0][400:408] = 0.85
    assert not flagged(rims)[0]


def test_a_prominence_that_the_moon_covers_is_no_bead():
    bright = (3.0, 2.9, 1.6, 0.8, 0.0, 0.0, 0.0, 0.0)
    assert not flagged([rim(prominence=p, seed=k) for k, p in enumerate(bright)]).any()


def test_a_bead_far_from_the_contacts_is_none():
    rims = session()
    rims[4] = rim(bead=1.0, seed=40)
    assert not flagged(rims).any()


def test_a_hot_pixel_is_no_bead():
    assert not flagged(session(bead=5.0, width=2)).any()


@pytest.mark.parametrize("made", ["clipped", "black", "beyond the picture", "none"])
def test_a_frame_that_cannot_tell_is_not_accused(made):
    rims = session()
    rims[0] = {
        "clipped": np.ones(RIM_BINS, np.float32),
        "black": np.zeros(RIM_BINS, np.float32),
        "beyond the picture": np.full(RIM_BINS, np.nan, np.float32),
        "none": None,
    }[made]
    assert not flagged(rims).any()


def test_a_frame_without_a_time_is_not_accused():
    assert not flagged(session(bead=1.0), times=[np.nan, *TIMES[1:]]).any()


def test_in_a_totality_of_ten_seconds_a_frame_is_compared_with_itself_alone():
    times = np.array([-4.0, -1.0, 1.0, 4.0])
    rims = [rim(bead=1.0, seed=1), rim(seed=2), rim(prominence=1.0, seed=3), rim(seed=4)]
    assert flagged(rims, times, (-5.0, 5.0)).tolist() == [True, False, False, False]


def test_a_prominence_that_only_frames_of_the_other_side_miss_is_no_bead():
    """By the end of totality the Moon has covered it; two minutes away nothing is compared."""
    times = [-57.0, -56.0, 40.0, 45.0, 50.0]
    assert not flagged([rim(prominence=2.5 * (k < 2), seed=k) for k in range(5)], times).any()


def test_contacts_move_to_the_last_and_first_bead():
    beads = np.array([True, True, False, False, False, False, False, True])
    assert contacts_seen(TOTALITY_S, TIMES, beads) == (-56.0, 57.0)
    assert contacts_seen(TOTALITY_S, TIMES, np.zeros(8, bool)) == TOTALITY_S
    before = np.array([-61.0, 62.0])  # outside, where they have nothing to say
    assert contacts_seen(TOTALITY_S, before, np.ones(2, bool)) == TOTALITY_S
