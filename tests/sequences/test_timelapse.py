"""A time-lapse: which frames, how bright, and when which picture is shown."""

import tracemalloc
from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from scipy.ndimage import binary_dilation

from limbward.radiance.scratch import room_on_disk
from limbward.render.space import SRGB
from limbward.sequences import showing, timelapse, usual
from limbward.sequences.steady import CORONA_RING, steadied
from limbward.sequences.timelapse import Film, Look
from tests.sequences.made_up import corona_cut, disc_cut, shots

LOOK = Look(size=(120, 120), hold=1, between=0, dissolve=2, time=False, deflicker=True)
MOST_BYTES = 24  # a pixel of a film's picture, all that is held of it in memory
TIMES = [-2400.0, -1800.0, -1200.0, -600.0, 0.0, 10.0, 600.0, 1200.0]
PHASE = ["partial"] * 4 + ["totality"] * 2 + ["partial"] * 2
GAINS = [1.0, 0.7, 1.2, 0.9, 1.0, 0.6, 1.1, 0.8]


def film(look=LOOK, gains=GAINS, light=1.0):
    frames = shots(TIMES, phase=PHASE, light=light)
    side = 120
    views = frames.views(side, timelapse.film_scale(frames, 1.9, side), "celestial_north")
    made = [
        (i, (disc_cut if PHASE[i] == "partial" else corona_cut)(frames, i, views[i], g * light_))
        for i, (g, light_) in enumerate(zip(gains, frames.light, strict=True))
    ]
    return Film(frames, views, look, usual.learn(frames, views, made)), made


def test_so_many_solar_radii_reach_from_the_middle_to_a_side():
    frames = shots([0.0], scale=7.0)
    assert frames.sun_radius_px(0, timelapse.film_scale(frames, 2.5, 200)) == pytest.approx(40.0)


def test_the_usual_brightness_is_for_the_exposure():
    for light in (1.0, 0.25):
        made, _ = film(light=light)
        # The medians of the gains behind the filter and without it; the disc's middle is 1. Half
        # of the ring's area lies within this radius.
        half = np.sqrt(np.mean(np.square(CORONA_RING)))
        assert made.usual.disc == pytest.approx(0.95, rel=0.01)
        assert made.usual.corona == pytest.approx(0.8 / half**3, rel=0.02)


def test_every_frame_is_brought_to_the_usual_brightness():
    made, cuts = film()
    list(made.pictures(cuts))
    factors = [e["factor"] for e in made.entries]
    usual = [0.95] * 4 + [0.8] * 2 + [0.95] * 2
    assert factors == pytest.approx([u / g for u, g in zip(usual, GAINS, strict=True)], rel=0.01)
    before, after = made.flicker()
    assert before > 0.1
    assert after < 0.01


def test_the_middle_of_the_disc_is_shown_at_its_level():
    made, cuts = film()
    pictures = list(made.pictures(cuts))
    light = SRGB.decode(pictures[0][60, 48:56, 1].astype(np.float32) / np.float32(255.0))
    r = np.abs(np.arange(48, 56) - 59.5) / (60 / 1.9)
    true = showing.MIDDLE * (0.4 + 0.6 * np.sqrt(1.0 - r**2))
    moon_free = light > 0.1
    assert moon_free.any()
    assert light[moon_free] == pytest.approx(true[moon_free], rel=0.03)


def test_a_film_that_keeps_the_clouds_has_them():
    made, cuts = film(Look((120, 120), 1, 0, 2, time=False, deflicker=False))
    list(made.pictures(cuts))
    assert {e["factor"] for e in made.entries} == {1.0}
    before, after = made.flicker()
    assert after == pytest.approx(before, rel=0.1)


def test_thick_cloud_is_not_made_bright():
    made, cuts = film(gains=[1.0, 1.0, 0.1, 1.0, 1.0, 1.0, 1.0, 1.0])
    list(made.pictures(cuts))
    assert made.entries[2]["factor"] == showing.MOST_GAIN


@pytest.mark.parametrize(("hold", "between", "dissolve"), [(1, 0, 2), (3, 1, 4)])
def test_the_first_picture_of_each_frame_is_told(hold, between, dissolve):
    made, cuts = film(Look((120, 120), hold, between, dissolve, time=False, deflicker=True))
    pictures = list(made.pictures(cuts))
    # Twice the filter comes off or on; the other five times frames are alike.
    assert len(pictures) == 8 * hold + 2 * dissolve + 5 * between
    for i, entry in enumerate(made.entries):
        first = entry["first_picture"]
        assert all(np.array_equal(pictures[first], pictures[first + k]) for k in range(hold))
        assert first == i * hold + (
            [0, 1, 2, 3, 3, 4, 4, 5][i] * between + [0, 0, 0, 0, 1, 1, 2, 2][i] * dissolve
        )


def test_a_frame_that_cannot_be_read_is_a_sentence():
    made, cuts = film()
    cuts[1] = (1, "it is gone")
    assert len(list(made.pictures(cuts))) == 7 + 4
    assert made.notes == ["1.dng is not in the film: it is gone"]
    assert [e["file"] for e in made.entries] == [f"{i}.dng" for i in (0, 2, 3, 4, 5, 6, 7)]
    assert made.contact_sheet().shape[0] == 3


def test_one_exposure_of_a_bracket_is_shown():
    """Three exposures a second: the shorter one of them, and the nearest one at the contacts."""
    times, light, phase = [-900.0], [5.0], ["partial"]
    for second in range(4):
        times += [second + 0.1, second + 0.4, second + 0.7]
        light += [0.001, 0.01, 0.1]
        phase += ["totality"] * 3
    times.append(9.5)
    light.append(0.0001)
    phase.append("contact")
    frames = shots(times, phase=phase, light=light)
    chosen = timelapse.choose(frames, None)
    assert frames.light[chosen].tolist() == [5.0, 0.001, 0.001, 0.001, 0.001, 0.0001]
    longer = timelapse.choose(frames, 0.1)
    assert frames.light[longer].tolist() == [5.0, 0.1, 0.1, 0.1, 0.1, 0.0001]


def test_what_is_learnt_comes_from_all_over_the_film():
    frames = shots(np.arange(100.0), phase=["partial"] * 60 + ["contact"] * 5 + ["totality"] * 35)
    some = usual.some_to_learn_from(frames)
    assert {*some.tolist()} >= {0, 59, 65, 99}
    assert np.diff(some).max() <= 6
    assert set(frames.phase[some]) == {"partial", "totality"}
    assert some.size == 2 * usual.LEARNT_FROM


@pytest.mark.parametrize(
    ("shape", "size"), [("square", (120, 120)), ("16:9", (68, 120)), ("9:16", (120, 68))]
)
def test_a_film_in_another_shape_is_the_middle_of_the_square_one(shape, size):
    assert timelapse.film_size(shape, min(size)) == pytest.approx(size, abs=2)
    whole = list(film()[0].pictures(film()[1]))
    made, cuts = film(replace(LOOK, size=size))
    pictures = list(made.pictures(cuts))
    top, left = (120 - size[0]) // 2, (120 - size[1]) // 2
    assert len(pictures) == len(whole)
    for picture, square in zip(pictures, whole, strict=True):
        middle = square[top : top + size[0], left : left + size[1]]
        # Tones are dithered, so one step may differ.
        assert np.abs(picture.astype(int) - middle).max() <= 1
    assert made.numbers(10, 5.0)["size"] == f"{size[1]} x {size[0]} px"


@pytest.mark.parametrize("lost", [None, 1, 4])
def test_an_even_pace_shows_each_frame_at_its_time(lost):
    """One picture a minute: a frame begins where its time says, whatever leads over to it."""
    made, cuts = film(replace(LOOK, per_second=1 / 60.0, dissolve=3))
    cuts = [(i, "it is gone" if i == lost else c) for i, c in cuts]
    pictures = list(made.pictures(cuts))
    begins = np.rint((np.array(TIMES) - TIMES[0]) / 60.0)
    for entry in made.entries:
        k = int(entry["file"].removesuffix(".dng"))
        lead = entry["first_picture"] - begins[k]
        after_lost = lost is not None and k == lost + 1
        assert 0 <= lead <= 3 or (after_lost and lead < 0)  # what is lost is made up for
    # The frames at 0 and 10 s fall into one picture.
    assert len(made.entries) == len(TIMES) - 1 - (lost == 1)
    assert len(pictures) == begins[-1] + 1


def test_a_title_card_comes_first():
    made, cuts = film(replace(LOOK, size=(68, 120)))
    plain = list(film(replace(LOOK, size=(68, 120)))[0].pictures(cuts))
    pictures = list(made.titled(["An eclipse", "A place far from here"], 5, made.pictures(cuts)))
    assert len(pictures) == len(plain) + 5
    np.testing.assert_array_equal(pictures[5], plain[0])
    card = pictures[0].astype(int)
    assert card.shape == plain[0].shape
    assert card.max() > 150
    _, columns = np.nonzero(card[..., 1] > 60)
    assert columns.min() > 5
    assert columns.max() < 115
    assert abs((columns.min() + columns.max()) / 2 - 59.5) < 4
    assert made.entries[0]["first_picture"] == 5


def noisy_totality(count, average, wave=0.0):
    """Return frames of a noisy corona whose Moon moves on, averaged; and the corona itself."""
    frames = shots(np.arange(count) * 150.0 - 300.0, phase="totality", moon=1000.0)
    views = frames.views(160, timelapse.film_scale(frames, 2.4, 160), "celestial_north")
    rng = np.random.default_rng(3)
    made, true = [], []
    for i in range(count):
        cut = corona_cut(frames, i, views[i], 1.0 + wave * i)
        x, y, radius = frames.discs_in(i, views[i])[1]
        moon = np.hypot(*(np.indices((160, 160)) - np.array([y, x])[:, None, None])) < radius
        cut.picture[:, moon] = 0.0
        true.append((cut.picture.copy(), moon))
        cut.picture[:] += rng.normal(0.0, 0.01, cut.picture.shape)
        made.append((i, cut))
    return frames, views, made, true, list(steadied(iter(made), frames, views, average))


def test_neighbours_hold_the_noise_of_totality_down():
    """Five frames: white noise falls by their root, 2.24; the Moon's place is each frame's own."""
    frames, views, made, true, calm = noisy_totality(7, 5, wave=0.05)
    assert [i for i, _ in calm] == list(range(7))
    light, moon = true[3]
    y, x = np.indices((160, 160)) - views[3].centre
    far = np.hypot(x, y) > 1.25 * frames.sun_radius_px(3, views[3].scale_arcsec)
    noise = [(cut.picture - light)[:, far].std() for cut in (made[3][1], calm[3][1])]
    assert noise[0] / noise[1] > 2.0
    assert np.abs((calm[3][1].picture - light)[:, far].mean()) < 0.002  # its own brightness
    # Nothing of the neighbours' Moons, 75 and 150 arcsec away, is seen at its limb.
    for k in (0, 3, 6):
        light, moon = true[k]
        error = np.abs(calm[k][1].picture - light).mean(axis=0)
        own = np.abs(made[k][1].picture - light).mean(axis=0)
        assert error[moon].max() <= own[moon].max()
        near = ~far & ~moon
        assert error[near].mean() <= 1.05 * own[near].mean()
    # What they hid and this frame does not is as bright as it is, two pixels off its own limb.
    light, moon = true[3]
    hid = np.any([m for _, m in true[1:6]], axis=0) & (light[1] > 0)
    hid &= ~binary_dilation(moon, iterations=2)
    assert hid.sum() > 20
    assert abs((calm[3][1].picture - light)[:, hid].mean() / light[:, hid].mean()) < 0.01


def test_one_frame_in_an_average_is_itself():
    _, _, made, _, same = noisy_totality(4, 1)
    assert all(a is b for (_, a), (_, b) in zip(made, same, strict=True))


def test_light_that_came_is_not_smeared_over_its_neighbours():
    """The glare of the first bead, in the last frame, stays there."""
    frames, views, made, _, _ = noisy_totality(5, 1)
    y, x = np.indices((160, 160))
    glare = np.exp(-np.hypot(x - 120.0, y - 40.0) / 15.0).astype(np.float32)
    made[4] = (4, replace(made[4][1], picture=made[4][1].picture + glare))
    calm = list(steadied(iter(made), frames, views, 5))
    place = np.hypot(x - 120.0, y - 40.0) < 12.0
    assert (calm[3][1].picture - made[3][1].picture)[1, place].mean() < 0.01 * glare[place].mean()


def test_a_part_in_real_time_keeps_the_time_of_the_eclipse():
    """From -100 to 110 s at 2 pictures a second; before and after, each photograph has its hold."""
    look = replace(LOOK, hold=4, real=(-100.0, 110.0, 2.0), dissolve=2)
    made, cuts = film(look)
    assert made.position(np.array([-100.0, 0.0, 10.0, 110.0])) == pytest.approx(
        made.position(np.array([-100.0])) + np.array([0.0, 200.0, 220.0, 420.0])
    )
    # From -2400 to -600 there are three steps of four pictures; of the step to 0, 5/6 are outside.
    assert made.position(np.array([-600.0, -100.0])) == pytest.approx([12.0, 12.0 + 4.0 * 5 / 6])
    pictures = list(made.pictures(cuts))
    assert len(pictures) == pytest.approx(made.position(np.array([1200.0]))[0] + 4, abs=1)
    begins = made.position(np.array(TIMES))
    for entry, begin in zip(made.entries, begins, strict=True):
        assert 0 <= entry["first_picture"] - round(begin) <= 2  # what leads over to it


def test_a_film_that_is_even_and_real_in_one_part():
    made, _ = film(replace(LOOK, per_second=0.1, real=(-50.0, 50.0, 5.0)))
    want = [0.0, 235.0, 235.0 + 250.0, 235.0 + 500.0, 235.0 + 500.0 + 5.0]
    assert made.position(np.array([-2400.0, -50.0, 0.0, 50.0, 100.0])) == pytest.approx(want)


def test_the_glare_of_a_diamond_ring_does_not_drown_the_picture():
    """Forty times the corona's light all around: shown as twice the corona, and told."""
    made, cuts = film()
    made.shots.phase[5] = "contact"
    cuts[5] = (5, replace(cuts[5][1], picture=cuts[5][1].picture * np.float32(40.0 / 0.6)))
    pictures = list(made.pictures(cuts))
    contact, corona = (next(e for e in made.entries if e["file"] == f"{k}.dng") for k in (5, 4))
    assert contact["factor"] == pytest.approx(2.0 * 0.8 / 40.0, rel=0.02)
    ring = (60, 60 - int(1.6 * 60 / 1.9))
    shown = [float(pictures[e["first_picture"]][ring][1]) for e in (contact, corona)]
    assert shown[1] < shown[0] < 1.6 * shown[1]


def every_kind(side, room):
    """Return a film of a partial frame and noisy ones without the filter, one of them clipped."""
    frames = shots([-600.0, 0.0, 10.0, 20.0], phase=["partial", "contact", *["totality"] * 2])
    views = frames.views(side, timelapse.film_scale(frames, 2.4, side), "celestial_north")
    made = [(0, disc_cut(frames, 0, views[0]))]
    noise = np.random.default_rng(1).normal(0.0, 0.02, (3, side, side)).astype(np.float32)
    for i in range(1, 4):
        cut = corona_cut(frames, i, views[i], 0.05)
        cut.picture[:] = np.maximum(cut.picture + noise, 0.0)
        made.append((i, cut))
    bead = np.s_[int(0.44 * side) : int(0.56 * side), int(0.7 * side) : int(0.8 * side)]
    made[1][1].picture[:, *bead] = 1.0
    made[1][1].clipped[bead] = True
    look = Look((side, side), 1, 0, 2, time=True, deflicker=True, average=3)
    return Film(frames, views, look, usual.learn(frames, views, made), room=room), made


def test_a_picture_holds_a_few_bytes_a_pixel(tmp_path):
    """Three for what is shown; whole in single precision it would be twelve, many times over."""
    room = partial(room_on_disk, folder=tmp_path)
    small, made = every_kind(160, room)
    assert sum(1 for _ in small.pictures(made)) == 6  # all code is loaded now
    film, made = every_kind(800, room)
    tracemalloc.start()
    try:
        count = sum(1 for _ in film.pictures(made))
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert count == 6
    assert peak < MOST_BYTES * 800**2
