"""Frames registered on a drawn corona, against how they were drawn and against scikit-image."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, map_coordinates
from skimage.registration import phase_cross_correlation

from limbward.geometry.disc import MeasuredDisc
from limbward.limb.corona import corona_detail, crop_corona
from limbward.limb.shift import coarse_turn, register
from tests.limb.pictures import WHITE, corona

SHAPE = (500, 500)
R_SUN = 90.0
R_MOON = 93.5


def frame(rng, sun, moon, exposure, *, turn=0.0, gradient=0.0, sky=(0.0, 0.0)):
    image, saturated = corona(
        SHAPE,
        (*sun, R_SUN),
        (*moon, R_MOON),
        rng,
        exposure=exposure,
        threads=0.06,
        turn=turn,
    )
    if gradient:
        image = image * (1 + gradient * np.linspace(-1, 1, SHAPE[1], dtype=np.float32))
    if any(sky):
        image = image + exposure * (sky[0] + sky[1] * np.linspace(-1, 1, SHAPE[1]))
    disc = MeasuredDisc(*moon, R_MOON, 0.05)
    return corona_detail(crop_corona(image, saturated, 1.0, (0.0, 0.0), disc), disc)


@pytest.mark.parametrize(("one", "two"), [(0.02, 0.02), (0.02, 0.08), (0.3, 0.08), (0.3, 1.2)])
@pytest.mark.parametrize("gradient", [0.0, 0.15])
def test_shift_between_exposures_with_the_moon_elsewhere(one, two, gradient):
    """The Moon moves by 9 px against the corona; a cloud darkens one side by 15 %."""
    rng = np.random.default_rng(3)
    first = frame(rng, (250.0, 250.0), (247.0, 252.0), one)
    second = frame(rng, (252.31, 248.64), (258.3, 246.0), two, gradient=gradient)
    assumed_first, assumed_second = (250.4, 249.7), (252.0, 249.0)
    found = register(first, second, assumed_first, assumed_second)
    # What to add to the first assumed centre if the second assumed one were right.
    assert found.dx == pytest.approx(250.0 - 250.4 - (252.31 - 252.0), abs=0.05)
    assert found.dy == pytest.approx(250.0 - 249.7 - (248.64 - 249.0), abs=0.05)
    assert found.turn_deg == pytest.approx(0.0, abs=0.03)
    assert found.correlation > 0.8
    assert found.sigma_px < 0.1


@pytest.mark.parametrize(("one", "two"), [(0.08, 0.08), (0.3, 0.3), (0.3, 1.2)])
def test_a_sky_that_brightens_to_one_side_moves_nothing(one, two):
    """Third contact is near: on one side the sky has a third of the outer corona's light more."""
    rng = np.random.default_rng(17)
    first = frame(rng, (250.0, 250.0), (247.0, 252.0), one, sky=(300.0, -200.0))
    second = frame(rng, (250.0, 250.0), (253.0, 250.0), two, sky=(500.0, 200.0))
    found = register(first, second, (250.0, 250.0), (250.0, 250.0))
    assert np.hypot(found.dx, found.dy) < 0.05
    assert found.correlation > 0.8


def under(image, cloud, sun):
    """Return a picture under cloud whose thickness is given by degree, in radii from the Sun."""
    rows, cols = np.indices(SHAPE)
    x, y = (cols - sun[0]) / R_SUN, (rows - sun[1]) / R_SUN
    return (image * np.exp(-sum(k * x**i * y**j for (i, j), k in cloud.items()))).astype(np.float32)


@pytest.mark.parametrize(
    "cloud",
    [
        {(3, 0): 0.03, (1, 2): 0.03},
        {(4, 0): 0.02, (2, 1): 0.02},
        {(1, 0): 0.2, (0, 3): 0.03, (2, 2): -0.02},
    ],
)
def test_patchy_cloud_moves_nothing(cloud):
    """Cloud that is thicker by tenths beyond the middle of the picture, in one of two frames."""
    rng = np.random.default_rng(29)
    sun, moon = (250.0, 250.0), (252.0, 249.0)
    disc = MeasuredDisc(*moon, R_MOON, 0.05)
    details = []
    for thick in ({}, cloud):
        image, saturated = corona(
            SHAPE, (*sun, R_SUN), (*moon, R_MOON), rng, exposure=0.08, threads=0.06
        )
        crop = crop_corona(under(image, thick, sun), saturated, 1.0, (0.0, 0.0), disc)
        details.append(corona_detail(crop, disc))
    found = register(*details, sun, sun)
    assert np.hypot(found.dx, found.dy) < 0.03


def reflected(image, middle, strength):
    """Return a picture with itself added, turned by half a turn about a point and blurred."""
    rows, cols = np.indices(SHAPE)
    at = [2 * middle[1] - rows, 2 * middle[0] - cols]
    return (image + strength * map_coordinates(gaussian_filter(image, 3.0), at, order=1)).astype(
        np.float32
    )


@pytest.mark.parametrize(
    ("moved", "axis_px"), [((12.0, 0.0), 100.0), ((-6.0, 10.0), 150.0), ((0.0, 12.0), 75.0)]
)
def test_a_reflection_that_moves_over_the_corona_pulls_no_frame(moved, axis_px):
    """The edge of the Moon in it lies beside the Moon's own, and moves by twice what that moves."""
    rng = np.random.default_rng(31)
    middle, sun = (250.0 + axis_px, 250.0), (250.0, 250.0)
    other = (sun[0] + moved[0], sun[1] + moved[1])
    details = []
    for at in (sun, other):
        light, _ = corona(
            SHAPE, (*at, R_SUN), (*at, R_MOON), rng, exposure=0.3, threads=0.06, white=None
        )
        image = reflected(light, middle, 0.02)
        disc = MeasuredDisc(*at, R_MOON, 0.05)
        details.append(
            corona_detail(crop_corona(image, image > WHITE, 1.0, (0.0, 0.0), disc), disc)
        )
    # Where its edge lies over the corona, a tenth of the light is the reflection's.
    found = register(*details, sun, other)
    assert np.hypot(found.dx, found.dy) < 0.03


@pytest.mark.parametrize("degrees", [0.4, -2.0])
def test_a_small_turn_is_measured(degrees):
    rng = np.random.default_rng(5)
    first = frame(rng, (250.0, 250.0), (250.0, 250.0), 0.05)
    second = frame(rng, (251.0, 250.5), (249.0, 252.0), 0.05, turn=np.radians(degrees))
    found = register(first, second, (250.0, 250.0), (251.0, 250.5))
    # The second picture must be turned back.
    assert found.turn_deg == pytest.approx(-degrees, abs=0.03)
    assert np.hypot(found.dx, found.dy) < 0.06


@pytest.mark.parametrize("degrees", [180.0, 37.0, -90.0])
def test_a_camera_that_was_turned_is_found(degrees):
    rng = np.random.default_rng(7)
    first = frame(rng, (250.0, 250.0), (250.0, 250.0), 0.05)
    second = frame(rng, (250.0, 250.0), (250.0, 250.0), 0.05, turn=np.radians(degrees))
    turn, clear = coarse_turn(first, second, (250.0, 250.0), (250.0, 250.0))
    assert (turn + degrees + 180) % 360 - 180 == pytest.approx(0, abs=0.5)
    assert clear > 0.5
    found = register(first, second, (250.0, 250.0), (250.0, 250.0), turn_deg=turn)
    assert (turn + found.turn_deg + degrees + 180) % 360 - 180 == pytest.approx(0, abs=0.05)


def test_frames_with_nothing_in_common_are_not_registered():
    rng = np.random.default_rng(9)
    short = frame(rng, (250.0, 250.0), (250.0, 250.0), 0.0004)
    long = frame(rng, (250.0, 250.0), (250.0, 250.0), 30.0)
    assert register(short, long, (250.0, 250.0), (250.0, 250.0)) is None


@pytest.mark.statistical
def test_the_stated_error_is_that_of_repeated_measurements():
    errors, sigmas = [], []
    for seed in range(25):
        rng = np.random.default_rng(seed)
        first = frame(rng, (250.0, 250.0), (250.0, 250.0), 0.004)
        second = frame(rng, (250.5, 250.25), (252.0, 251.0), 0.004)
        found = register(first, second, (250.0, 250.0), (250.5, 250.25))
        errors += [found.dx, found.dy]
        sigmas.append(found.sigma_px)
    # 50 draws: the root mean square is known to 10 %; three times that.
    assert np.sqrt(np.mean(np.square(errors))) == pytest.approx(np.mean(sigmas), rel=0.3)


def test_it_agrees_with_scikit_images_phase_correlation():
    """One picture against itself moved: the reference is skimage.registration."""
    rng = np.random.default_rng(11)
    first = frame(rng, (250.0, 250.0), (250.0, 250.0), 0.05)
    second = frame(rng, (253.0, 248.0), (253.0, 248.0), 0.05)
    moved, _, _ = phase_cross_correlation(
        first.log * (first.weight > 0), second.log * (second.weight > 0), upsample_factor=50
    )
    found = register(first, second, (250.0, 250.0), (252.6, 248.3), with_turn=False)
    # Both crops begin at their own Moon, so that scikit-image sees what the crops' origins leave.
    by_image = np.array(
        [
            moved[1] + first.origin[0] - second.origin[0],
            moved[0] + first.origin[1] - second.origin[1],
        ]
    )
    ours = np.array([250.0 - 252.6 + found.dx, 250.0 - 248.3 + found.dy])
    assert ours == pytest.approx([-3.0, 2.0], abs=0.05)
    assert by_image == pytest.approx([-3.0, 2.0], abs=0.15)


def test_a_large_moon_is_binned():
    rng = np.random.default_rng(13)
    image, saturated = corona(
        (1200, 1200), (600.0, 600.0, 250.0), (600.0, 600.0, 259.0), rng, exposure=0.02
    )
    crop = crop_corona(image, saturated, 2.0, (0.5, 0.5), MeasuredDisc(1200.5, 1200.5, 518.0, 0.1))
    assert crop.scale == 4.0
    # The crop's pixels lie where the binned ones did: its centre of darkness is the Moon.
    rows, cols = np.nonzero(np.nan_to_num(crop.values, nan=1e9) < 200)
    x = crop.origin[0] + crop.scale * cols.mean()
    y = crop.origin[1] + crop.scale * rows.mean()
    assert (x, y) == pytest.approx((1200.5, 1200.5), abs=2.0)
