"""A sheet: which crescents, how bright, where; on made-up frames whose answer is known."""

import math

import numpy as np
import pytest

from limbward.render.space import SRGB
from limbward.sequences import sheet
from limbward.sequences.totality import Totality
from tests.sequences.made_up import MOON, SPEED, SUN, disc_cut, shots

# Frames every 10 s before greatest eclipse, every 30 s after it.
TIMES = np.concatenate([np.arange(-3600.0, -90.0, 10.0), np.arange(90.0, 3700.0, 30.0)])


def test_steps_are_even_in_time_on_either_side_of_totality():
    chosen, before = sheet.choose(shots(TIMES), "time", 9, True)
    assert (chosen.size, before) == (9, 5)
    assert TIMES[chosen[:5]] == pytest.approx(np.linspace(-3600.0, -100.0, 5), abs=5.1)
    assert TIMES[chosen[5:]] == pytest.approx(np.linspace(90.0, 3690.0, 4), abs=15.1)


def test_without_totality_steps_are_even_from_end_to_end():
    chosen, _ = sheet.choose(shots(TIMES), "time", 9, False)
    assert TIMES[chosen][[0, 1, 7, 8]] == pytest.approx([-3600, -2689, 2779, 3690], abs=16)


def test_steps_are_even_in_what_is_covered():
    frames = shots(TIMES)
    chosen, before = sheet.choose(frames, "obscuration", 10, True)
    covered = sheet.obscuration(frames)[chosen]
    assert before == 5
    for half in (covered[:5], covered[5:][::-1]):
        assert half == pytest.approx(np.linspace(half[0], half[-1], 5), abs=0.02)
        assert half[-1] - half[0] > 0.8


def test_one_half_alone_gives_all_the_crescents():
    times = TIMES[TIMES < 0]
    chosen, before = sheet.choose(shots(times), "time", 6, True)
    assert (chosen.size, before) == (6, 6)
    assert times[chosen] == pytest.approx(np.linspace(-3600.0, -100.0, 6), abs=5.1)


def test_the_sun_takes_two_thirds_of_a_cell():
    assert 2 * SUN / sheet.scale_for(shots([0.0], scale=7.0), 300) / 300 == pytest.approx(0.66)


@pytest.mark.parametrize("layout", ["line", "arc"])
def test_the_corona_has_room_in_the_middle(layout):
    centres, (width, height) = sheet.stand(layout, 10.0, 8, 4, True)
    crescents, corona = np.array(centres[:-1]), np.array(centres[-1])
    x = crescents[:, 0]
    assert np.all(np.diff(x) > 0)
    assert x[3] < corona[0] < x[4]
    assert np.hypot(*(crescents - corona).T).min() >= 2 * 10.0 - 0.6  # an arc's chords are shorter
    assert np.min([crescents.min(axis=0) - 5.0, corona - 13.5]) >= -1e-9
    high = np.maximum(crescents.max(axis=0) + 5.0, corona + 13.5)
    assert np.all(high <= np.array([width, height]) + 1e-9)


def test_on_a_grid_totality_follows_those_before_it():
    centres, _ = sheet.stand("grid", 10.0, 8, 4, True)
    assert centres[-1] == (15.0, 15.0)
    assert len(set(centres)) == 9


def test_crescents_are_equally_bright_and_keep_their_darkening():
    """Thin cloud is a factor of all of a frame; a thin crescent is dark because limbs are."""
    frames = shots([-3000.0, -2000.0, -1500.0, -1000.0])
    gains = [0.5, 0.8, 0.2, 1.0]
    views = frames.views(161, sheet.scale_for(frames, 161), "celestial_north")
    made = [(i, disc_cut(frames, i, views[i], g)) for i, g in enumerate(gains)]
    cells, notes = sheet.crescents(frames, views, made)
    cells = list(cells)
    assert notes == []
    for i, cell in enumerate(cells):
        true = sheet.MIDDLE * disc_cut(frames, i, views[i]).picture[1]
        seen = true > 0
        assert SRGB.decode(cell[1])[seen] == pytest.approx(true[seen], rel=0.02)


def test_a_crescent_that_cannot_be_read_is_a_sentence_and_a_dark_cell():
    frames = shots([-3000.0, -1500.0])
    views = frames.views(81, sheet.scale_for(frames, 81), "celestial_north")
    made = [(0, "it is gone"), (1, disc_cut(frames, 1, views[1]))]
    cells, notes = sheet.crescents(frames, views, made)
    cells = list(cells)
    assert notes == ["0.dng is not on the sheet: it is gone"]
    assert cells[0].max() == 0.0
    assert cells[1].max() > 0.5


def test_registration_is_measured_on_the_picture(monkeypatch):
    """The sheet's own cells, one moved by two pixels."""
    frames = shots([-1500.0, 1500.0])
    views = frames.views(241, sheet.scale_for(frames, 241), "celestial_north")
    made = [(i, disc_cut(frames, i, v)) for i, v in enumerate(views)]
    cells = list(sheet.crescents(frames, views, made)[0])
    cells[1] = np.roll(cells[1], 2, axis=1)
    off = [sheet.off_centre(cells[i], views[i], frames, i) for i in (0, 1)]
    assert off == pytest.approx([0.0, 2.0], abs=0.2)
    monkeypatch.setattr(sheet, "MEASURED_PX", 150)  # in means of four pixels half as well
    assert sheet.off_centre(cells[1], views[1], frames, 1) == pytest.approx(2.0, abs=0.4)


def test_cusps_lie_where_the_limbs_cross():
    frames = shots([-1200.0, 10.0])
    d = SPEED * 1200.0
    half = math.degrees(math.acos((d**2 + SUN**2 - MOON**2) / (2 * d * SUN)))
    assert sheet.cusps(frames, 0) == pytest.approx([270.0 - half, 270.0 + half], abs=0.001)
    assert sheet.cusps(frames, 1) is None  # the Sun is covered


def test_a_circles_centre_is_found_from_an_arc_with_a_wrong_point():
    angle = np.radians(np.arange(-50.0, 51.0, 5.0))
    limb = np.column_stack([7.0 + 60.0 * np.cos(angle), 9.0 + 60.0 * np.sin(angle)])
    limb = np.column_stack([limb, np.full(len(limb), 0.1)])
    limb[3, 0] += 5.0
    assert sheet.centre_of(limb, (5.0, 11.0), 60.0) == pytest.approx((7.0, 9.0), abs=0.05)


def total():
    picture = np.zeros((3, 101, 101), np.float32)
    picture[:, 47:54, 27:34] = 1.0  # 20 pixels of 10 arcsec east of the centre
    return Totality(picture, 10.0, 0.0, 17.0, -40.0, "17:46:00", (50.0, 50.0))


def test_totality_is_turned_and_scaled_and_fades_out():
    shown = total().shown(101, 20.0, 90.0)  # east is up
    y, x = np.indices((101, 101))
    weight = shown[1] / shown[1].sum()
    assert [(weight * x).sum(), (weight * y).sum()] == pytest.approx([50.0, 40.0], abs=0.3)
    light = Totality(np.ones((3, 101, 101), np.float32), 10.0, 0.0, 0.0, 0.0, "", (50.0, 50.0))
    faded = light.shown(101, 10.0, 0.0)[1]
    assert faded[50, 50] == 1.0
    assert faded[0].max() < 2e-3  # a side is half a pixel inside
    assert np.all(np.diff(faded[50, 50:]) <= 0)


def test_totality_beside_the_middle_of_its_picture_reaches_as_far_as_that_on_each_side():
    aside = Totality(np.ones((3, 301, 401), np.float32), 10.0, 0.0, 0.0, 0.0, "", (110.0, 150.0))
    shown = aside.shown(281, 10.0, 0.0)[1]
    assert shown[140, :30].max() < 2e-3  # 110 pixels to the left of the Sun
    assert shown[140, 240] == pytest.approx(shown[240, 140])
    assert shown[140, 240] > 0.4


def test_what_is_up_in_totality_is_up_on_the_sheet():
    assert total().up("solar_north", 5.0) == 17.0
    assert total().up("zenith", 5.0) == -40.0
    assert total().up("camera", 5.0) == 5.0
    assert total().up("celestial_north", 5.0) == 0.0


@pytest.mark.parametrize("layout", ["line", "arc", "grid"])
def test_a_drawn_sheet_has_a_time_at_each_crescent(layout):
    frames = shots([-3000.0, -1500.0, 1500.0, 3000.0])
    views = frames.views(90, sheet.scale_for(frames, 90), "celestial_north")
    made = [(i, disc_cut(frames, i, v)) for i, v in enumerate(views)]
    cells = list(sheet.crescents(frames, views, made)[0])
    drawn = sheet.Sheet(frames, views, 2, layout, "celestial_north", True)
    canvas, at, off = drawn.drawn(cells, total(), "below")
    assert off == pytest.approx([0.0] * 4, abs=0.3)
    texts = [label.text for label in canvas.labels]
    assert texts == ["16:56:00", "17:21:00", "18:11:00", "18:36:00", "17:46:00", "below"]
    for label, (x, y) in zip(canvas.labels, at, strict=False):
        assert (label.x, label.y > y) == (x, True)
    bare = sheet.Sheet(frames, views, 2, layout, "celestial_north", False).drawn(cells, None, "")[0]
    assert [label.text for label in bare.labels] == [""]
    rows = drawn.rows(at)
    assert [row["x"] for row in rows] == [x for x, _ in at]
    assert [row["obscuration"] for row in rows] == pytest.approx(
        [rows[3]["obscuration"], rows[2]["obscuration"]] * 1
        + [rows[1]["obscuration"], rows[0]["obscuration"]]
    )
    assert rows[0]["sun_radius_px"] == pytest.approx(0.33 * 90, abs=0.001)


def test_a_tint_is_a_colour_times_the_brightness():
    """White is grey whatever the filter's colour; the others keep brightness in proportion."""
    frames = shots([-1500.0])
    views = frames.views(161, sheet.scale_for(frames, 161), "celestial_north")
    plain, _ = sheet.crescents(frames, views, [(0, disc_cut(frames, 0, views[0]))])
    light = SRGB.decode(next(plain))
    seen = light[1] > 0.1
    for tint, colour in sheet.TINTS.items():
        made, _ = sheet.crescents(frames, views, [(0, disc_cut(frames, 0, views[0]))], tint)
        shown = SRGB.decode(next(made))
        for c, factor in enumerate(colour):
            assert shown[c][seen] == pytest.approx(light[1][seen] * factor, abs=0.005)


def test_no_square_of_glare_stands_around_a_crescent():
    frames = shots([-1500.0])
    view = frames.views(161, sheet.scale_for(frames, 161), "celestial_north")[0]
    cut = disc_cut(frames, 0, view)
    disc = cut.picture > 0
    cut.picture[~disc] = 0.05  # cloud or dew that shines all over the cell
    made = list(sheet.crescents(frames, [view], [(0, cut)])[0])
    edge = np.concatenate([made[0][:, [0, -1]].ravel(), made[0][:, :, [0, -1]].ravel()])
    assert edge.max() < 0.01
    assert SRGB.decode(made[0])[:, 80, 30:130].max() > 0.5


def test_a_ring_stands_in_the_middle():
    """A Moon of 0.95 of the Sun: a ring for 100 s, of which the most even one is shown."""
    times = np.concatenate([TIMES, [-40.0, -20.0, 5.0, 30.0]])
    times.sort()
    frames = shots(times, moon=0.95 * SUN)
    chosen = sheet.with_deepest(frames, "time", 8)
    assert chosen.size == 9
    assert times[chosen[4]] == 5.0
    assert np.all(np.diff(times[chosen]) > 0)


@pytest.mark.parametrize("steps", ["time", "obscuration"])
def test_the_deepest_crescent_of_a_partial_eclipse_is_on_the_sheet(steps):
    """Even steps from end to end leave it out."""
    times = TIMES[np.abs(TIMES) > 110.0]
    frames = shots(times)
    deepest = int(np.argmin(np.abs(times)))
    assert deepest not in sheet.choose(frames, "time", 8, False)[0]
    chosen = sheet.with_deepest(frames, steps, 8)
    assert deepest in chosen
    assert chosen.size == 9
    assert np.all(np.diff(chosen) > 0)


@pytest.mark.parametrize("up", [0.0, 30.0])
def test_totality_of_a_narrow_field_keeps_its_corona(up):
    """A composite that reaches 1150 arcsec up and down, 3000 to the sides: the Moon has 1000."""
    narrow = Totality(np.ones((3, 230, 600), "f4"), 10.0, 0.0, 0.0, 0.0, "", (299.5, 114.5))
    shown = narrow.shown(241, 20.0, up)[1]
    y, x = np.indices(shown.shape) - 120.0
    away = np.hypot(x, y)
    assert shown[away < 51.0].min() > 0.95  # up to the Moon's limb and a little beyond
    turn = np.radians(up)
    # In the sheet, east of the composite is turned by so much.
    sides = [abs(x * np.cos(turn) + s * y * np.sin(turn)) for s in (1.0, -1.0)]
    assert max(shown[(s > 58.0) & (away < 64.0)].min() for s in sides) > 0.9
    assert shown[away > 120.0].max() < 2e-3
