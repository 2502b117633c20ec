"""A lens's dark corners, told by the colour of the sky: against how the frames were drawn."""

import numpy as np
import pytest

from limbward.geometry.disc import Disc
from limbward.radiance.vignetting import cells_of, find_vignetting, shows_a_plane

SHAPE = (256, 384)
FACTOR = 2
SUN = 40.0  # px of the reduced frame
WHITE, TINT = np.array([0.6, 1.0, 0.7]), np.array([0.85, 1.0, 1.25])
RANGE = 15000.0


def drawn(rng, *, a=0.35, b=0.1, at=(200.0, 120.0), tint=TINT, tilt=0.3, cloud=0.0):
    """Return a reduced frame: streamers on one side, red a third of a pixel beside blue."""
    rows, columns = np.indices(SHAPE, dtype=float)
    middle = (SHAPE[1] - 1) / 2, (SHAPE[0] - 1) / 2
    q = ((columns - middle[0]) ** 2 + (rows - middle[1]) ** 2) / (middle[0] ** 2 + middle[1] ** 2)
    lens = 1.0 - a * q - b * q**2
    veil = 1.0 - cloud * np.exp(-((columns - rng.uniform(0, 384)) ** 2) / 1e4)
    planes = []
    for c, beside in enumerate((-0.33, 0.0, 0.33)):
        dx, dy = columns - at[0] + beside, rows - at[1] + beside
        rho = np.maximum(np.hypot(dx, dy) / SUN, 1.0)
        rays = 1.0 + 0.6 * np.exp(-((np.arctan2(dy, dx) - 0.6) ** 2) / 0.1)
        corona = 2e5 * (0.0532 * rho**-2.5 + 1.425 * rho**-7 + 2.565 * rho**-17) * rays
        sky = 1200.0 * tint[c] * (1.0 + tilt * (columns / SHAPE[1] - 0.5))
        light = WHITE[c] * (corona + sky) * lens * veil
        seen = light + rng.normal(0, np.sqrt(light / 4.0))
        planes.append(np.where(seen < 0.98 * RANGE, seen, np.nan))
    return cells_of(np.array(planes, np.float32), FACTOR, Disc(at[0] * 2, at[1] * 2, 80.0), RANGE)


@pytest.mark.parametrize(("a", "b"), [(0.35, 0.1), (0.12, 0.0), (0.1, 0.4)])
def test_the_darkening_of_the_corners(a, b):
    """Half-way there to 1 % of the light; in the corner itself, which few cells show, to 3 %."""
    rng = np.random.default_rng(4)
    found = find_vignetting([drawn(rng, a=a, b=b, tilt=t) for t in (-0.3, -0.1, 0.1, 0.3)])
    light = [1.0 - found.a * q - found.b * q**2 for q in (0.5, 1.0)]
    assert light[0] == pytest.approx(1.0 - a * 0.5 - b * 0.25, rel=0.01)
    assert light[1] == pytest.approx(1.0 - a - b, rel=0.03)
    assert abs(found.a + found.b - a - b) < found.sigma
    flat = found.inverse_flat(512, 768)
    assert flat[0, 0] == pytest.approx(1.0 / (1.0 - a - b), rel=0.03)
    assert flat[256, 384] == pytest.approx(1.0, abs=1e-3)


def test_cloud_that_differs_from_frame_to_frame_is_in_the_error():
    rng = np.random.default_rng(8)
    found = find_vignetting([drawn(rng, cloud=0.1) for _ in range(8)])
    assert abs(found.a + found.b - 0.45) < 2.0 * found.sigma


def test_nothing_is_said_where_the_sky_is_as_white_as_the_corona():
    rng = np.random.default_rng(5)
    assert find_vignetting([drawn(rng, tint=np.ones(3)) for _ in range(4)]) is None


def test_nothing_is_said_of_an_even_lens_or_of_too_few_frames():
    rng = np.random.default_rng(6)
    assert find_vignetting([drawn(rng, a=0.0, b=0.0) for _ in range(4)]) is None
    assert find_vignetting([drawn(rng) for _ in range(3)]) is None


@pytest.mark.parametrize(
    ("focal_mm", "told"), [(800, True), (400, True), (200, False), (50, False)]
)
def test_the_wider_sky_is_no_plane(focal_mm, told):
    """36 x 24 mm, whose diagonal is 43.3 mm: 3.1, 6.2, 12.4 and 49 degrees."""
    pixel_mm = 0.006
    assert shows_a_plane(6000, 4000, np.degrees(pixel_mm / focal_mm) * 3600.0) == told
