"""Points found in painted frames whose stars are known."""

from __future__ import annotations

import numpy as np
import pytest

from limbward.camera.frame import RawFrame
from limbward.camera.luminance import green_plane
from limbward.stars.points import COLUMNS, find_points, may_show_stars

HEIGHT, WIDTH = 420, 620
COLOURS = np.array([0.5, 1.0, 0.7])
PATTERN = np.array([[0, 1], [1, 2]], np.int8)
STARS = np.array(
    [[120.3, 80.7, 9000.0], [500.5, 300.1, 4000.0], [70.9, 350.4, 2500.0], [560.0, 61.5, 2500.0]]
)


def painted(kind: str, stars=STARS, width=1.1, hot=()) -> RawFrame:
    """A corona over a sky of 600 ADU with points of Gaussian shape, and photons' noise."""
    rng = np.random.default_rng(4)
    y, x = np.mgrid[:HEIGHT, :WIDTH].astype(float)
    light = 600.0 + 4e4 * np.maximum(np.hypot(x - 310, y - 200) / 60.0, 0.7) ** -4.0
    fine = np.linspace(-0.5, 0.5, 9)[:-1] + 1 / 16
    for sx, sy, total in stars:
        gx = np.exp(-((np.arange(WIDTH)[:, None] + fine - sx) ** 2) / (2 * width**2)).mean(1)
        gy = np.exp(-((np.arange(HEIGHT)[:, None] + fine - sy) ** 2) / (2 * width**2)).mean(1)
        light += total / (2 * np.pi * width**2) * gy[:, None] * gx[None, :]
    if kind == "mono":
        pattern, black = np.array([[1]], np.int8), np.full((1, 1), 512.0, np.float32)
    else:
        light *= COLOURS[np.tile(PATTERN, (HEIGHT // 2, WIDTH // 2))]
        pattern, black = PATTERN, np.full((2, 2), 512.0, np.float32)
    light += rng.standard_normal(light.shape) * np.sqrt(0.5 * light)  # two electrons an ADU
    for hx, hy in hot:
        light[hy, hx] += 6000.0
    data = np.clip(light + 512.0, 0, 15871).astype(np.uint16)
    one = np.ones(3, np.float32)
    return RawFrame(data, pattern, black, 15871.0, one, np.eye(3, dtype=np.float32))


@pytest.mark.parametrize("kind", ["mono", "mosaic"])
@pytest.mark.parametrize("width", [0.6, 1.3])
def test_points_are_where_they_were_painted(kind, width):
    frame = painted(kind, width=width)
    points = find_points(frame, green_plane(frame))
    assert points.shape[1] == len(COLUMNS)
    for x, y, signal in STARS:
        k = int(np.argmin(np.hypot(points[:, 0] - x, points[:, 1] - y)))
        miss = np.hypot(points[k, 0] - x, points[k, 1] - y)
        # The width is one of six, the sky's slope a polynomial: 0.03 px besides the noise.
        assert miss < 4.0 * np.hypot(points[k, 2], 0.03)
        assert points[k, 2] < 0.2
        assert points[k, 3] == pytest.approx(signal, abs=0.15 * signal + 4.0 * points[k, 4])
    strongest = points[: len(STARS), :2]
    near = np.hypot(*(strongest[:, None] - STARS[None, :, :2]).transpose(2, 0, 1))
    assert (near.min(axis=0) < 1.0).all()


def test_single_hot_pixels_are_none():
    hot = [(200, 330), (431, 90), (90, 200)]
    frame = painted("mosaic", hot=hot)
    points = find_points(frame, green_plane(frame))
    for x, y in hot:
        assert np.hypot(points[:, 0] - x, points[:, 1] - y).min() > 2.0


def test_a_sky_without_stars_has_few_points_and_no_strong_one():
    frame = painted("mosaic", stars=())
    points = find_points(frame, green_plane(frame))
    # Cells above 3.5 standard deviations, and the corona's steep middle, where no star is taken.
    far = np.hypot(points[:, 0] - 310, points[:, 1] - 200) > 100
    assert far.sum() < 40
    assert (points[far, 3] / points[far, 4] < 7.0).all()


def test_what_is_searched():
    frame = painted("mosaic")
    plane, span = green_plane(frame), frame.white - 512.0
    assert may_show_stars(plane, span, 1.0)
    assert not may_show_stars(plane, span, 1 / 500)
    assert not may_show_stars(plane, span, None)
    assert not may_show_stars(plane, 1e7, 1.0)  # a sky as dark as read noise


def test_small_frames_have_none():
    frame = painted("mono")
    tiny = RawFrame(
        frame.data[:20, :20], frame.pattern, frame.black, frame.white, frame.daylight,
        frame.to_srgb,
    )  # fmt: skip
    assert find_points(tiny, green_plane(tiny)).shape == (0, len(COLUMNS))
