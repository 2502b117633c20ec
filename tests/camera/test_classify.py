import numpy as np
import pytest
from scipy import ndimage

from limbward.camera.classify import classify, has_light, is_even_field, named_content
from limbward.camera.luminance import green_plane
from limbward.camera.reduce import reduce_frame
from tests.camera.files import frame

SHAPE = (300, 400)
BLACK, WHITE = 512.0, 16000.0
RANGE = WHITE - BLACK
y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
radius = np.hypot(x - 190, y - 140)


def taken(light, seed=1, read_noise=4.0, hot=0.0):
    """Return a frame of a brightness (ADU above black) with noise and a share of hot pixels."""
    rng = np.random.default_rng(seed)
    signal = rng.poisson(np.maximum(light, 0) * 2.0) / 2.0
    values = BLACK + signal + rng.normal(0, read_noise, SHAPE)
    values += (rng.random(SHAPE) < hot) * rng.exponential(800.0, SHAPE)
    return frame(np.clip(values, 0, WHITE).astype(np.uint16), black=BLACK, white=WHITE)


def kind(light, **options):
    shot = taken(light, **{k: options.pop(k) for k in ("seed", "hot") if k in options})
    return classify(green_plane(shot), reduce_frame(shot, 100), white_above_black=RANGE, **options)


NOTHING = np.zeros(SHAPE)
DISC = 8000.0 * (radius < 60)
CORONA = np.where(radius < 40, 5.0, 9000.0 * (np.maximum(radius, 40) / 40) ** -6.0)
LOOP = 300.0 * (np.hypot(x - 230, y - 140) < 8)
FIELD = 7000.0 * (1 - 0.3 * (radius / radius.max()) ** 2)


def test_frames_without_light_are_dark_or_bias_by_their_exposure():
    assert kind(NOTHING, exposure_s=2.0).content == "dark"
    assert kind(NOTHING).content == "dark"
    assert kind(NOTHING, exposure_s=1 / 4000).content == "bias"


@pytest.mark.parametrize("hot", [1e-4, 1e-3, 1e-2, 5e-2])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_hot_pixels_are_no_light(hot, seed):
    assert kind(NOTHING, hot=hot, seed=seed, exposure_s=2.0).content == "dark"


# A Sun of four raw pixels, mostly covered: a crescent of ten pixels of the mosaic's plane.
SLIVER = ndimage.gaussian_filter(
    4000.0 * ((radius < 4.4) & (np.hypot(x - 191.5, y - 141) > 4.4)).astype(float), 0.8
)


@pytest.mark.parametrize(
    "light",
    [DISC, CORONA, LOOP, CORONA / 300, SLIVER],
    ids=["disc", "corona", "loop", "faint", "sliver"],
)
@pytest.mark.parametrize("hot", [0.0, 1e-3])
def test_frames_with_a_picture_are_light(light, hot):
    assert kind(light, hot=hot, exposure_s=1 / 4000).content == "light"


def test_a_clouded_sky_is_light():
    assert kind(NOTHING + 120.0).content == "light"


def test_an_even_field_is_a_flat_and_an_edge_makes_it_none():
    assert kind(FIELD).content == "flat"
    edge = FIELD * np.where(x > 250, 0.8, 1.0)
    assert kind(edge).content == "light"
    assert kind(FIELD * 3).content == "light"  # clipped
    assert kind(FIELD / 30).content == "light"  # a dim sky is no flat


def test_names_only_tell_a_dark_from_a_bias():
    assert kind(NOTHING, exposure_s=1 / 4000, named="dark").content == "dark"
    assert kind(NOTHING, exposure_s=2.0, named="bias").content == "bias"
    assert kind(DISC, named="dark").content == "light"
    assert kind(FIELD, named="dark").content == "flat"


def test_what_is_stated_wrongly_is_noted():
    assert kind(NOTHING, stated="dark").note == ""
    assert kind(FIELD, stated="flat").note == ""
    wrong = kind(DISC, stated="dark")
    assert wrong.content == "light"
    assert "said to be a dark" in wrong.note


@pytest.mark.parametrize(
    ("file", "content"),
    [
        ("card/Darks/IMG_0001.DNG", "dark"),
        ("card/dark_2s/IMG_0001.DNG", "dark"),
        ("card/flatdarks/IMG_0001.DNG", "dark"),
        ("BIAS-001.fits", "bias"),
        ("sky flats/1.fits", "flat"),
        ("card/darkness/flathead/biased.dng", None),
        ("card/DCIM/100TESTA/TST_0001.DNG", None),
    ],
)
def test_names(file, content):
    assert named_content(file) == content


def test_the_parts():
    assert not has_light(green_plane(taken(NOTHING)), RANGE)
    assert has_light(green_plane(taken(LOOP)), RANGE)
    assert is_even_field(reduce_frame(taken(FIELD), 100), RANGE)
    blurred = ndimage.gaussian_filter(DISC, 60)
    assert not is_even_field(reduce_frame(taken(blurred), 100), RANGE)
