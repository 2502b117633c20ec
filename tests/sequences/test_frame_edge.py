"""Discs that the edge of the frame cuts: left out where a whole one is near, faded otherwise."""

from dataclasses import replace

import numpy as np

from limbward.geometry.lens import Lens
from limbward.sequences.frame_edge import FADE, cut_off, fading, rather_whole
from tests.sequences.made_up import shots

TIMES = [0.0, 10.0, 600.0, 1190.0, 1200.0]


def frames(x, width=1000.0, height=800.0):
    """Return frames of which the Sun stands in some columns, with a radius of 100 pixels."""
    made = shots(TIMES)
    sun = np.array([[column, 400.0, 100.0] for column in x])
    return replace(made, sun=sun, lens=Lens.of_frame(width, height, 0.0))


def test_a_cut_disc_is_left_out_if_a_whole_one_is_near():
    made = frames([500.0, 60.0, 960.0, 500.0, 899.5])
    assert cut_off(made).tolist() == [False, True, True, False, False]
    assert rather_whole(made, 3).tolist() == [0, 2, 3, 4]  # within 300 s; in the middle none is
    assert rather_whole(frames([60.0] * 5), 3).tolist() == [0, 1, 2, 3, 4]
    assert not cut_off(shots(TIMES)).any()  # sizes are not known


def test_a_cut_disc_ends_softly_where_the_frame_does():
    made = frames([60.0] * 5)
    view = made.views(301, made.scale_arcsec(), "camera")[0]
    shown = fading(made, 0, view)(slice(0, 301))
    camera = made.orientation[0]
    c = np.arange(301) - 150.0
    x = camera.to_pixels(*view.orientation.to_sky(c[None, :], c[:, None]))[0] + 60.0
    assert not shown[x < 0].any()
    assert (shown[x > FADE * 100.0 + 0.01] == 1.0).all()
    edge = shown[(x > 0.4 * FADE * 100.0) & (x < 0.6 * FADE * 100.0)]
    assert abs(np.median(edge) - 0.5) < 0.1
    whole = frames([500.0] * 5)
    assert fading(whole, 0, view) is None
