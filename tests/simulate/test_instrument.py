from dataclasses import replace

import numpy as np
import pytest

from limbward.geometry.law import mean_corona
from limbward.simulate.instrument import (
    CFA,
    WELL_ELECTRONS,
    Instrument,
    flat_electrons,
    read_out,
    scene_electrons,
    sensor_maps,
)
from limbward.simulate.scene import Scene

SMALL = Instrument(megapixels=0.4)


def even_scene(body, level):
    return Scene(
        np.full(body.shape, level, dtype=np.float32), np.zeros(body.shape, dtype=np.float32)
    )


@pytest.mark.parametrize("megapixels", [0.3, 0.55, 4.0, 24.2])
def test_sensor_has_the_pixels_and_the_field_asked_for(megapixels):
    rows, columns = Instrument(megapixels=megapixels).shape
    assert rows % 2 == 0
    assert columns % 2 == 0
    assert rows * columns == pytest.approx(megapixels * 1e6, rel=0.01)
    assert columns / rows == pytest.approx(1.5, rel=0.005)
    assert Instrument(megapixels=megapixels).pixel_pitch_um * columns == pytest.approx(36000.0)


@pytest.mark.parametrize("iso", [100, 400])
def test_photon_transfer_gives_back_gain_and_read_noise(iso):
    body = SMALL
    maps = sensor_maps(body, 3)
    rng = np.random.default_rng(5)
    means, variances = [], []
    for level in (0.0, 0.02, 0.1, 0.3, 0.6):
        pair = [
            read_out(
                body, maps, flat_electrons(body, maps, level, iso), exposure_s=0.0, iso=iso, rng=rng
            )[0::2, 1::2].astype(float)
            for _ in range(2)
        ]
        means.append(np.mean(pair) - body.black[1])
        # The difference of a pair is free of the fixed pattern; rounding adds 1/12 ADU^2.
        variances.append(np.var(pair[0] - pair[1]) / 2 - 1 / 12)
    slope, intercept = np.polyfit(means, variances, 1, w=1 / np.array(variances))
    assert 1 / slope == pytest.approx(body.gain(iso), rel=0.03)
    expected = (body.read_noise_electrons(iso) / body.gain(iso)) ** 2
    assert intercept == pytest.approx(expected, rel=0.1)


def test_few_photons_are_poisson():
    body = Instrument(megapixels=0.4, pixel_spread=0.0, vignetting=0.0)
    maps = sensor_maps(body, 3)
    rng = np.random.default_rng(5)
    electrons = np.full(body.shape, 9.0, dtype=np.float32)
    dn = read_out(body, maps, electrons, exposure_s=0.0, iso=12800, rng=rng)
    counts = (dn[0::2, 1::2] - body.black[1]) * body.gain(12800)
    assert counts.mean() == pytest.approx(9.0, abs=0.3)


def test_inner_corona_saturates_at_a_sixtieth():
    body = Instrument(megapixels=0.4, vignetting=0.0)
    maps = sensor_maps(body, 1)
    level = float(mean_corona(1.05))
    full = WELL_ELECTRONS * body.area_ratio
    common = {"f_number": 8.0, "transmission": 1.0}
    for exposure_s, low, high in ((1 / 60, 0.9, 1.1), (1 / 120, 0.45, 0.55)):
        electrons = scene_electrons(
            body, maps, even_scene(body, level), (0.0, 0.0, 0.0), exposure_s=exposure_s, **common
        )
        green = electrons[0::2, 1::2].mean() / full
        assert low < green < high


def test_exposure_does_not_depend_on_megapixels():
    medians = []
    for megapixels in (0.3, 1.0):
        body = Instrument(megapixels=megapixels)
        maps = sensor_maps(body, 1)
        electrons = scene_electrons(
            body,
            maps,
            even_scene(body, 1e-6),
            (0.0, 0.0, 0.0),
            exposure_s=1 / 125,
            f_number=8.0,
            transmission=1.0,
        )
        dn = read_out(
            body, maps, electrons, exposure_s=1 / 125, iso=100, rng=np.random.default_rng(1)
        )
        medians.append(np.median(dn[0::2, 1::2]))
    assert medians[0] == pytest.approx(medians[1], rel=0.005)


def test_white_light_is_neutral_and_pink_is_pink():
    body = SMALL
    assert body.colour(np.ones(3)) == pytest.approx(body.response)
    layout = body.layout
    # ColorMatrix1 maps D65 white (X, Y, Z = 0.9505, 1, 1.089; IEC 61966-2-1) to AsShotNeutral.
    assert layout.colour_matrix @ [0.9505, 1.0, 1.089] == pytest.approx(layout.neutral, abs=1e-3)
    pink = body.colour(np.array([1.0, 0.22, 0.38])) / body.response
    assert pink[0] > 1.5 * pink[1]


@pytest.mark.parametrize("cfa", sorted(CFA))
def test_colours_fall_on_their_places(cfa):
    body = Instrument(megapixels=0.3, cfa=cfa, vignetting=0.0, pixel_spread=0.0)
    maps = sensor_maps(body, 1)
    electrons = scene_electrons(
        body,
        maps,
        even_scene(body, 1e-6),
        (0.0, 0.0, 0.0),
        exposure_s=0.01,
        f_number=8.0,
        transmission=1.0,
    )
    green = electrons.max()
    for (i, j), colour in np.ndenumerate(body.pattern):
        assert electrons[i, j] == pytest.approx(green * body.response[colour], rel=1e-5)


def test_dark_has_black_level_and_the_same_hot_pixels_each_time():
    body = SMALL
    maps = sensor_maps(body, 2)
    rng = np.random.default_rng(0)
    frames = [
        read_out(
            body, maps, np.zeros(body.shape, np.float32), exposure_s=2.0, iso=800, rng=rng
        ).astype(float)
        for _ in range(2)
    ]
    for (i, j), black in np.ndenumerate(np.array(body.black).reshape(2, 2)):
        assert np.median(frames[0][i::2, j::2]) == pytest.approx(black, abs=1.0)
    hot = [set(np.flatnonzero(f > 700)) for f in frames]
    assert len(hot[0]) > 5
    assert len(hot[0] & hot[1]) > 0.8 * len(hot[0] | hot[1])
    other = sensor_maps(Instrument(megapixels=0.4, serial="another"), 2)
    assert set(other.hot_index) != set(maps.hot_index)


def test_values_stop_at_white_and_margins_stay_dark():
    body = Instrument(megapixels=0.3, margins=(4, 6, 2, 8))
    maps = sensor_maps(body, 1)
    electrons = flat_electrons(body, maps, 5.0, 100)
    dn = read_out(body, maps, electrons, exposure_s=0.1, iso=100, rng=np.random.default_rng(0))
    rows, columns = body.shape
    assert dn.shape == (rows + 6, columns + 14)
    visible = dn[4 : 4 + rows, 6 : 6 + columns]
    assert visible.max() == body.white
    assert np.mean(visible == body.white) > 0.99
    assert dn[:4].mean() == pytest.approx(np.mean(body.black), abs=1.0)
    assert dn.max() == body.white


def test_the_bend_has_its_slope_and_ends_at_the_clip():
    body = replace(SMALL, clip=0.9, bend=0.8)
    black = np.mean(body.black)
    room = body.top - black
    assert room == pytest.approx(0.9 * (body.white - black), abs=0.5)
    light = np.linspace(0.0, 1.3 * room, 4001)
    number = body.bent(light.astype(np.float32)).astype(float)
    below = light < 0.8 * room
    assert number[below] == pytest.approx(light[below], rel=1e-6)
    # Slope 1 / (1 + u)^2 with u the excess over the knee, in twice what is left to the end.
    slope = np.gradient(number, light)
    u = (light - 0.8 * room) / (2 * 0.2 * room)
    above = u > 0.02
    assert slope[above] == pytest.approx(1 / (1 + u[above]) ** 2, abs=5e-3)
    end = np.argmin(np.abs(number - room))
    assert slope[end] == pytest.approx(0.25, abs=0.01)


def test_a_straight_sensor_is_left_alone():
    signal = np.linspace(-20.0, 30000.0, 100, dtype=np.float32)
    assert SMALL.bent(signal) is signal
    assert SMALL.top == SMALL.white
