"""Coronas of several stations on one grid, against what was painted."""

import numpy as np
import pytest
from scipy import ndimage

from limbward.campaign.register import (
    about_their_middle,
    coarse_turn,
    mean_structure,
    register,
    structure,
)
from limbward.campaign.view import (
    Placing,
    View,
    binned,
    noise_left,
    picture_affine,
    sampled,
    sampled_error,
    view_of,
)
from limbward.errors import LimbwardError

from .paint import SUN_ARCSEC, Station, brightness, paint

VIEW = view_of(2.7, 24.0 / SUN_ARCSEC)


def seen_by(station):
    light, sigma, header = paint(station)
    affine = picture_affine(header)

    def at(placing, view=VIEW):
        return structure(
            sampled(light[1], affine, view, placing),
            sampled_error(sigma[1], affine, view, placing),
            view,
        )

    return at


def test_a_merge_lies_on_the_grid_as_its_header_says():
    """Turned, shifted and of another scale: brightness at a place is the formula's."""
    station = Station(up_deg=37.0, scale_arcsec=20.0, side=301, noise=0.0, moon_radius=0.0)
    light, _, header = paint(station)
    header["CRPIX1"] += 3.0
    light = np.roll(light, 3, axis=2)
    got = sampled(light[1], picture_affine(header), VIEW)
    west, north = VIEW.places()
    ring = (np.hypot(west, north) > 1.4) & (np.hypot(west, north) < 2.5)
    truth = brightness(west, north)
    # Linear interpolation over 20 arcsec of rays 41 to the circle: a few thousandths.
    assert np.abs(got[ring] / truth[ring] - 1).max() < 0.02
    assert abs(np.mean(got[ring] / truth[ring] - 1)) < 0.002


def test_bins_keep_their_place():
    station = Station(up_deg=-71.0, scale_arcsec=10.0, side=603, noise=0.0, moon_radius=0.0)
    light, _, header = paint(station)
    plane, affine = binned(light[1], picture_affine(header), 3)
    got = sampled(plane, affine, VIEW)
    west, north = VIEW.places()
    ring = (np.hypot(west, north) > 1.5) & (np.hypot(west, north) < 2.5)
    assert abs(np.mean(got[ring] / brightness(west, north)[ring] - 1)) < 0.004


@pytest.mark.parametrize(
    ("one", "two"),
    [
        (Placing(0.01, -0.02, 3.0, 1.01), Placing(-0.2, 0.1, -40.0, 0.7)),
        (Placing(turn_deg=170.0), Placing(turn_deg=30.0, west=1.0)),
    ],
)
def test_placings_are_maps(one, two):
    p = np.array([0.7, -1.2, 1.0])
    inner = np.append(two.matrix() @ p, 1.0)
    assert one.then(two).matrix() @ p == pytest.approx(one.matrix() @ inner)
    there = np.append(one.matrix() @ p, 1.0)
    assert one.inverse().matrix() @ there == pytest.approx(p[:2])


def test_a_merge_without_coordinates_is_refused():
    _, _, header = paint(Station(side=11))
    del header["PC1_1"]
    with pytest.raises(LimbwardError, match="no solar coordinates"):
        picture_affine(header)


def stations():
    """Six stations of three scales, errors of the header up to 0.3 degrees and 20 arcsec."""
    rng = np.random.default_rng(5)
    out = []
    for k in range(6):
        out.append(
            Station(
                scale_arcsec=(15.0, 20.0, 30.0)[k % 3],
                side=(361, 271, 181)[k % 3],
                up_deg=rng.uniform(-180, 180),
                west=rng.normal(0, 10) / SUN_ARCSEC,
                north=rng.normal(0, 10) / SUN_ARCSEC,
                turn_deg=rng.normal(0, 0.15),
                size=1 + rng.normal(0, 5e-4),
                gain=(2.0**k,) * 3,
                sky=rng.uniform(-0.1, 0.3),
                noise=0.01,
                moon=(rng.uniform(-0.05, 0.05), 0.01),
                seed=k,
            )
        )
    return out


def test_coronas_are_registered_on_each_other():
    """To 0.15 px of the finest station's 15 arcsec at 2 solar radii; errors as large as stated."""
    given = stations()
    at = [seen_by(s) for s in given]
    first = at[0](Placing())
    fits = {}
    for k, one in enumerate(at):
        fits[str(k)] = register(first, one, VIEW)
    mean = mean_structure([one(fits[str(k)].placing) for k, one in enumerate(at)])
    fits = {str(k): register(mean, one, VIEW, fits[str(k)].placing) for k, one in enumerate(at)}
    found = about_their_middle(fits)
    # A frame of its own is free: compare after the mean is taken off.
    names = [str(k) for k in range(len(given))]
    c = np.radians(np.arange(0, 360, 10))
    circle = np.stack([2.0 * np.sin(c), 2.0 * np.cos(c), np.ones_like(c)])
    moved = []
    for name, s in zip(names, given, strict=True):
        true = Placing(s.west, s.north, s.turn_deg, s.size)
        moved.append((found[name].placing.matrix() - true.matrix()) @ circle * SUN_ARCSEC)
    moved = np.array(moved) - np.mean(moved, axis=0)
    assert np.hypot(moved[:, 0], moved[:, 1]).max() < 0.15 * 15.0
    off = np.array(
        [
            [f.placing.west - s.west, f.placing.north - s.north, f.placing.turn_deg - s.turn_deg]
            for f, s in zip((found[n] for n in names), given, strict=True)
        ]
    )
    off -= np.mean(off, axis=0)
    sigma = np.array([found[n].sigma[:3] for n in names])
    # The mean has each station's own noise in it, so residuals are a little smaller than sigma.
    assert 0.2 < np.sqrt(np.mean((off / sigma) ** 2)) < 2.0
    assert min(f.correlation for f in found.values()) > 0.9


@pytest.mark.parametrize("turn", [-63.0, 4.0, 170.0])
def test_a_station_that_hardly_knew_north_is_turned_back(turn):
    """To a degree, from where the fit goes on."""
    first = seen_by(Station(seed=1))(Placing())
    at = seen_by(Station(turn_deg=turn, up_deg=20.0, seed=2, moon=(-0.04, 0.02)))
    start = coarse_turn(first, at(Placing()), VIEW)
    assert (start - turn + 180) % 360 - 180 == pytest.approx(0.0, abs=1.0)
    fit = register(first, at, VIEW, Placing(turn_deg=start))
    # What is known of a turn beforehand, 3 degrees, pulls at one of 170 by less than this.
    assert (fit.placing.turn_deg - turn + 180) % 360 - 180 == pytest.approx(0.0, abs=0.05)


def test_a_blank_corona_has_no_place():
    nothing = structure(
        np.full((VIEW.side,) * 2, np.nan, np.float32), np.ones((VIEW.side,) * 2, np.float32), VIEW
    )
    first = seen_by(Station())(Placing())
    assert register(first, lambda placing: nothing, VIEW) is None


def test_the_middle_of_a_grid_is_a_pixel():
    view = view_of(2.0, 0.3)
    west, north = view.places()
    middle = view.side // 2
    assert west[middle, middle] == north[middle, middle] == 0.0
    assert west[0, -1] > 0 > west[0, 0]
    assert north[0, 0] > 0 > north[-1, 0]
    assert isinstance(view, View)


@pytest.mark.parametrize("size", [1.0, 1.02])
def test_coarse_pixels_do_not_pass_for_another_scale(size):
    """Rays are narrow near the Sun, where a blur takes most of their contrast.

    A corona in pixels of 36 arcsec, blurred by half a pixel, on one in pixels of 12; the second
    time its header is wrong by two per cent.
    """
    fine = seen_by(Station(scale_arcsec=12.0, side=421, noise=0.001))
    station = Station(scale_arcsec=12.0, side=421, noise=0.004, up_deg=30.0, size=size)
    light, sigma, header = paint(station)
    hidden = ~np.isfinite(light[1])
    soft = ndimage.gaussian_filter(np.where(hidden, 0.0, light[1]), 1.6)
    soft[ndimage.binary_dilation(hidden, iterations=5)] = np.nan
    plane, affine = binned(soft, picture_affine(header), 3)
    noise, _ = binned(sigma[1], picture_affine(header), 3)

    def coarse(placing):
        return structure(
            sampled(plane, affine, VIEW, placing),
            sampled_error(noise, affine, VIEW, placing),
            VIEW,
        )

    fit = register(fine(Placing()), coarse, VIEW)
    assert abs(fit.placing.scale - size) < (0.001 if size == 1.0 else 2.0 * fit.sigma[3])
    assert fit.sigma[3] < 0.0016
    assert np.hypot(fit.placing.west, fit.placing.north) * SUN_ARCSEC < 0.15 * 12.0


def test_the_error_beside_a_noisy_rim_is_the_rims():
    """What is taken between pixels that one short exposure saw, and others, has its noise."""
    rng = np.random.default_rng(5)
    station = Station(up_deg=11.0, scale_arcsec=27.0, side=161, noise=0.0, moon_radius=0.0)
    light, _, header = paint(station)
    affine = picture_affine(header)
    rim = np.full(light[1].shape, 0.01)
    rim[:, :2] = 1.0
    noise = rng.normal(0.0, rim)
    left = noise_left(affine, VIEW, Placing(), (0, VIEW.side))
    taken = sampled(noise, affine, VIEW) / (sampled_error(rim, affine, VIEW) * left)
    beside = (sampled_error(rim, affine, VIEW) > 0.02) & np.isfinite(taken)
    assert beside.sum() > 100
    assert np.sqrt(np.mean(taken[beside] ** 2)) < 1.1
