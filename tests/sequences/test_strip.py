"""A strip: which frames, in what order, equally exposed, with ticks at the beads."""

import math
from dataclasses import replace

import numpy as np
import pytest

from limbward.render.space import SRGB
from limbward.sequences import strip
from limbward.sequences.bead_marks import EXPECTED, mark_observed
from limbward.sequences.beads import Bead, Expected
from limbward.sequences.canvas import Canvas
from limbward.sequences.cut import Cut, View
from tests.sequences.made_up import MOON, shots

# In the order of taking; second contact at -60 s, third at 60 s.
TIMES = [-75.0, -66.0, -64.0, -60.5, -59.0, -57.0, 0.0, 55.0, 59.0, 61.5, 63.0]


NONE = Expected([], [])


def made_up(**keys):
    return strip.Strip.around(shots(TIMES, phase="contact", **keys), (-60.0, 60.0), 12.0, 3, 200)


def test_the_nearest_frames_of_each_contact_stand_in_order_of_time():
    made = made_up()
    assert made.shots.middle_s.tolist() == [-60.5, -59.0, -57.0, 59.0, 61.5, 63.0]
    assert made.names == ["C2"] * 3 + ["C3"] * 3
    assert made.since_s.tolist() == [-0.5, 1.0, 3.0, -1.0, 1.5, 3.0]


def test_long_exposures_and_frames_without_a_moon_are_left_out():
    light = np.full(len(TIMES), 1.0)
    light[3], light[4] = 19.0, 21.0
    frames = shots(TIMES, phase="contact", light=light)
    frames.moon[5] = np.nan
    near = strip.near_contact(frames, -60.0, 12.0, 9)
    assert near.tolist() == [1, 2, 3]
    assert strip.near_contact(frames, 20.0, 12.0, 9).size == 0


def test_a_contact_without_frames_takes_no_room():
    frames = shots([t for t in TIMES if t > 50], phase="contact")
    made = strip.Strip.around(frames, (-60.0, 60.0), 12.0, 3, 200)
    assert made.names == ["C3"] * 3
    centres = np.array(strip.centres_of(made.counts, 200))
    assert centres == pytest.approx(np.array([(100, 110), (300, 110), (500, 110)]))


def test_a_short_row_stands_in_the_middle_below_the_first():
    centres = np.array(strip.centres_of((3, 1), 100))
    assert centres == pytest.approx(np.array([(50, 55), (150, 55), (250, 55), (150, 180)]))


def test_the_moons_disc_fills_its_part_of_a_square():
    made = made_up(scale=7.0)
    assert MOON / made.scale_arcsec == pytest.approx(100.0 / strip.FIELD)
    for view in made.measuring_views():
        assert view.scale_arcsec == 7.0
        assert view.side > 2.2 * MOON / 7.0


def even(value, side=200):
    return Cut(np.full((3, side, side), value, np.float32), np.zeros((side, side), bool))


def test_frames_are_shown_as_if_equally_exposed():
    """The same light, exposed four times as long, is the same on the strip."""
    light = np.where(np.arange(len(TIMES)) % 2 == 0, 1.0, 4.0)
    made = made_up(light=light)
    views = made.shots.views(200, made.scale_arcsec, "celestial_north")
    cuts = [(i, even(0.01 * made.shots.light[i])) for i in range(len(made.shots))]
    canvas, entries, notes = made.drawn(views, cuts, [[]] * 6, [NONE] * 6, "words")
    shown = [canvas.picture[1, round(y), round(x)] for x, y in strip.centres_of((3, 3), 200)]
    assert notes == []
    assert len(entries) == 6
    assert shown == pytest.approx([shown[0]] * 6, abs=1e-6)
    # White is where the geometric mean of the exposures ends: 2 of 1 and 4.
    drawn = math.asinh(25.0 * 0.02) / math.asinh(25.0)
    assert SRGB.decode(np.float32(shown[0])) == pytest.approx(drawn**2, rel=2e-2)


def diamond(clip, side=200):
    """Return a glow that falls by a tenth per pixel of distance, cut off, and how bright it was."""
    y, x = np.indices((side, side), dtype=float)
    light = np.exp(3.0 - 0.1 * np.hypot(x - 120.0, y - 80.0)).astype(np.float32)
    clipped = light > clip
    picture = np.repeat(np.minimum(light, np.float32(clip))[None], 3, axis=0)
    return Cut(picture, clipped), light


@pytest.mark.parametrize("clip", [0.95, 0.5])
def test_saturated_light_glows_softly_whatever_the_exposure(clip):
    """The glow goes on as it was: no step at the edge, brighter to the middle, white in the end."""
    cut, light = diamond(clip)
    before = cut.picture.copy()
    tone = strip.toned(cut, np.float32(0.5))
    np.testing.assert_array_equal(cut.picture, before)
    row = tone[:, 80]
    assert row[:, 120].min() > 0.9
    # Nowhere a plateau or a step: as much from pixel to pixel as the glow itself has.
    drawn = np.arcsinh(25.0 * 0.5 * light[80]) / np.arcsinh(25.0)
    true = SRGB.encode((drawn / (1.0 + drawn**4) ** 0.25).astype(np.float32) ** 2)
    assert np.abs(np.diff(row[1])).max() < 1.3 * np.abs(np.diff(true)).max()
    assert row[1] == pytest.approx(true, abs=0.06)
    assert (np.diff(row[1, 60:118]) > 0).all()


@pytest.mark.parametrize("gain", [0.06, 0.2])
def test_a_long_exposures_diamond_is_white_in_the_middle(gain):
    """Its aureole falls by little around what is clipped, which is photosphere all the same."""
    y, x = np.indices((200, 200), dtype=float)
    away = np.maximum(np.hypot(x - 120.0, y - 80.0) - 20.0, 0.0)
    picture = np.repeat(np.exp(-0.02 * away).astype(np.float32)[None], 3, axis=0)
    row = strip.toned(Cut(picture, away == 0.0), np.float32(gain))[1, 80]
    assert row[120] > 0.9
    assert (np.diff(row[60:118]) > 0).all()
    # Softly: no step anywhere is larger than a line of 20 pixels from grey to white makes.
    assert np.diff(row).max() < 0.1


def test_a_saturated_pixel_has_no_colour():
    """Only red is known beside the edge, and blue lies where it should not: neither is shown."""
    cut, _ = diamond(0.95)
    edge = np.hypot(*np.meshgrid(np.arange(200) - 120, np.arange(200) - 80))
    ring = np.abs(edge - np.sqrt(cut.clipped.sum() / np.pi)) < 1.2
    cut.picture[0, ring] *= 1.6
    cut.picture[2, ring] *= np.random.default_rng(1).uniform(0.3, 1.7, ring.sum())
    tone = strip.toned(cut, np.float32(1.0))
    assert np.ptp(tone, axis=0)[ring].max() < 0.02


def test_a_saturated_prominence_stays_red():
    cut, _ = diamond(0.95)
    cut.picture[1:] *= np.float32(0.3)
    cut = replace(cut, white=np.zeros(cut.clipped.shape, bool))
    tone = strip.toned(cut, np.float32(1.0))
    red, green, _ = SRGB.decode(tone)[:, 80, 120]
    assert red > 1.5 * green


def test_ticks_and_labels_stand_at_the_beads():
    made = made_up(up=33.0)
    views = made.shots.views(200, made.scale_arcsec, "celestial_north")
    beads = [[Bead(90.0, 1.0, 2.0)], None, [], [], [], []]
    cuts = [(i, even(0.0)) for i in range(5)] + [(5, "it is gone")]
    due = [Expected([Bead(91.0, 0.5, 1.0), Bead(270.0, 0.5, 1.0)], []), *[NONE] * 5]
    canvas, entries, notes = made.drawn(views, cuts, beads, due, "words")
    ys, xs = np.nonzero(canvas.picture[1] == np.float32(0.8))
    x, y = strip.centres_of((3, 3), 200)[0]
    radius = 100.0 / strip.FIELD
    assert np.abs(ys - y).max() <= 1.0  # east is to the left of north
    assert [x - xs.max(), x - xs.min()] == pytest.approx([1.03 * radius, 1.2 * radius], abs=1.5)
    # Where the limb makes them, on the Moon: west is to the right.
    ys, xs = np.nonzero(canvas.picture[1] == EXPECTED[1])
    right = [xs[xs > x].min() - x, xs[xs > x].max() - x]
    assert right == pytest.approx([0.84 * radius, 0.92 * radius], abs=1.5)
    texts = [label.text for label in canvas.labels]
    assert texts[0] == "90.0°"
    assert texts[-1] == "words"
    assert any(text.endswith("C3 −1.0 s") for text in texts)
    assert notes == ["10.dng is not on the strip: it is gone"]
    assert [e["beads"] for e in entries[:3]] == [
        [{"position_angle": 90.0, "width_deg": 2.0, "light": 1.0,
          "expected_position_angle": 91.0}],
        None,
        [],
    ]  # fmt: skip
    assert [b["position_angle"] for b in entries[0]["expected_beads"]] == [91.0, 270.0]
    assert (
        made.numbers(entries)[
            "of them where they were expected, within a degree and twice the error of the time"
        ]
        == "1, 1.00° rms off"
    )
    assert [e["contact"] for e in entries] == ["C2", "C2", "C2", "C3", "C3"]
    assert entries[3]["seconds_from_contact"] == -1.0


def test_no_moment_is_shown_twice():
    """Three brackets of three exposures: each once, by its shortest exposure."""
    times = np.repeat([-3.0, -1.0, 2.0], 3) + np.tile([0.0, 0.05, 0.1], 3)
    frames = shots(times, phase="contact", light=np.tile([4.0, 0.5, 1.0], 3))
    chosen = strip.near_contact(frames, 0.0, 12.0, 6)
    assert chosen.size == 3
    assert frames.light[chosen].tolist() == [0.5, 0.5, 0.5]
    apart = shots(np.arange(-5.0, 6.0), phase="contact")
    assert strip.near_contact(apart, 0.0, 12.0, 4).size == 4


def test_angles_of_beads_lie_side_by_side_and_in_the_picture():
    canvas = Canvas.blank(300, 300)
    angles = (86.0, 88.0, 90.0, 92.0, 271.0, 272.5)
    beads = [Bead(a, light, 1.0) for a, light in zip(angles, (1, 3, 2, 1, 5, 1), strict=True)]
    mark_observed(canvas, beads, View(300, 10.0, 0.0), 150.0, 150.0, 100.0)
    boxes = []
    for label in canvas.labels:
        half = 0.29 * len(label.text) * label.height_px
        assert half <= label.x <= 300 - half
        boxes.append((label.x - half, label.x + half, label.y, label.y + 0.9 * label.height_px))
    for k, (left, right, top, bottom) in enumerate(boxes):
        for a, b, c, d in boxes[:k]:
            assert right <= a or b <= left or bottom <= c or d <= top


@pytest.mark.parametrize(("seconds", "text"), [(-0.04, "0.0"), (0.26, "+0.3"), (-2.31, "−2.3")])
def test_a_time_that_rounds_to_nothing_has_no_sign(seconds, text):
    assert strip._signed(seconds) == text
