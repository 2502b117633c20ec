"""Painted merges of several stations as files, through all that joins them."""

import numpy as np
import pytest
from astropy.table import Table
from astropy.time import Time, TimeDelta

from limbward.campaign.view import Placing, View, view_of
from limbward.config.campaign import CombineConfig
from limbward.config.loading import load_config
from limbward.config.stations import Station as RunStation
from limbward.radiance.fits import read_picture, write_picture
from limbward.stations import combine
from limbward.stations.combine import MEAN, join
from limbward.stations.hands import OwnHands
from limbward.stations.pieces import OnScale, sums_of
from limbward.stations.table import ECSV, PARQUET, write_frames
from limbward.work.reporting import SilentReporter
from limbward.workspace import Workspace

from ..campaign.paint import SUN_ARCSEC, Station, brightness, paint

START = Time("2026-08-12T17:45:00", scale="utc")


def stations():
    rng = np.random.default_rng(9)
    for k in range(4):
        yield Station(
            side=(161, 241)[k % 2],
            scale_arcsec=(30.0, 20.0)[k % 2],
            up_deg=rng.uniform(-180, 180),
            west=rng.normal(0, 8) / SUN_ARCSEC,
            north=rng.normal(0, 8) / SUN_ARCSEC,
            turn_deg=rng.normal(0, 0.1) if k != 3 else 140.0,  # one that does not know north
            gain=(0.5 * 3.0**k,) * 3,
            sky=(0.0, 0.1, 0.05, 0.2)[k],
            noise=0.006,
            moon=(rng.uniform(-0.04, 0.04), 0.0),
            seconds=600.0 * k,
            seed=k,
        )


def write(folder, name, station):
    light, sigma, header = paint(station)
    when = START + TimeDelta(station.seconds, format="sec")
    for key in ("DATE-OBS", "DATE-BEG", "DATE-AVG", "DATE-END"):
        header[key] = when.isot
    header["HGLT_OBS"] = header["CRLT_OBS"] = 6.6
    header["CRLN_OBS"], header["DSUN_OBS"] = 70.0, 1.5e11
    header["RSUN_REF"], header["SOLARPA"] = 6.96e8, 14.0
    header["UPPA"] = 14.0 + station.up_deg
    header["NORTHKN"] = abs(station.turn_deg) < 90.0
    path = folder / f"{name}.fits"
    write_picture(path, light, header, {"SIGMA": sigma})
    return path


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("join")
    merges = {f"s{k}": write(folder, f"s{k}", s) for k, s in enumerate(stations())}
    merges["other"] = write(folder, "other", Station(side=161, noise=3.0, seed=50))
    (folder / "damaged.fits").write_bytes(b"SIMPLE  =" + bytes(4000))
    merges["damaged"] = folder / "damaged.fits"
    workspace = Workspace(folder / "out")
    workspace.claim()
    with pytest.MonkeyPatch.context() as patch:  # several bands, several groups
        patch.setattr(combine, "BAND_PIXELS", 12_000)
        patch.setattr(combine, "GROUP", 3)
        options = CombineConfig(radii=2.7)
        done = join(merges, options, workspace, OwnHands(), SilentReporter(), {"s2", "other"})
    return done, workspace


def test_good_stations_are_joined_and_others_have_a_reason(made):
    done, _ = made
    assert done.names == [f"s{k}" for k in range(4)]
    assert set(done.left_out) == {"other", "damaged"}
    assert done.fits["s3"].placing.turn_deg == pytest.approx(140.0, abs=0.2)
    assert "not that of the other stations" in done.left_out["other"]
    assert "cannot be read" in done.left_out["damaged"]


def test_a_station_with_wrong_times_is_not_asked_what_moved(made):
    done, _ = made
    assert done.times == [(START + TimeDelta(600.0 * k, format="sec")).isot for k in (0, 1, 3)]
    assert len(done.found.value) == 3


def test_gains_are_right_to_a_per_cent(made):
    done, _ = made
    true = np.array([s.gain[1] for s in stations()])
    for colour in done.scales:
        relative = colour.gain * true
        assert relative / np.median(relative) == pytest.approx(np.ones(4), abs=0.01)


def test_the_mean_corona_lies_where_its_header_says(made):
    """Brightness against the formula at the places of its own world coordinates."""
    _, workspace = made
    light, header, more = read_picture(workspace.path(MEAN), ["SIGMA", "COUNT"])
    side = light.shape[1]
    assert (header["NAXIS1"], header["NSTATION"]) == (side, 4)
    x, y = np.meshgrid(np.arange(side) + 1.0, side - np.arange(side, dtype=float))
    dx, dy = x - header["CRPIX1"], y - header["CRPIX2"]
    west = header["CDELT1"] * (header["PC1_1"] * dx + header["PC1_2"] * dy) / header["RSUN_OBS"]
    north = header["CDELT2"] * (header["PC2_1"] * dx + header["PC2_2"] * dy) / header["RSUN_OBS"]
    # The frame is that of the median station: shift and turn of the truth by the same.
    given = list(stations())
    west, north = (
        west - np.median([s.west for s in given]),
        north - np.median([s.north for s in given]),
    )
    t = np.radians(np.median([s.turn_deg for s in given]))
    west, north = west * np.cos(t) + north * np.sin(t), north * np.cos(t) - west * np.sin(t)
    rho = np.hypot(west, north)
    ring = (rho > 1.5) & (rho < 2.2)
    truth = brightness(west, north)
    ratio = light[1][ring] / truth[ring]
    # Its unit is the median station's; what is smooth in distance may be sky.
    slope = np.polyfit(1.0 / truth[ring], ratio, 1)
    left = ratio / np.polyval(slope, 1.0 / truth[ring]) - 1.0
    told = more["SIGMA"][1][ring] / light[1][ring]
    # Rays of 41 to the circle, half a pixel off, would leave 2 %.
    assert np.std(left) < 0.006
    assert np.std(left) < 1.5 * np.median(told) + 0.002
    assert (more["COUNT"][ring] == 4).mean() > 0.98


def test_sigma_is_what_the_mean_is_off_by(tmp_path):
    """Stations whose places are known, on a grid finer than some of their pixels."""
    given = [
        Station(
            side=141, scale_arcsec=(25.0, 34.0)[k % 2], up_deg=50.0 * k, west=0.01 * k, noise=0.1,
            turn_deg=0.3 * k, moon=(0.0, 0.0), seed=70 + k,
        )
        for k in range(5)
    ]  # fmt: skip
    one, zero = np.ones(3), np.zeros(3)
    placed = [
        OnScale(str(write(tmp_path, f"s{k}", s)), Placing(s.west, 0.0, s.turn_deg), one, zero, zero)
        for k, s in enumerate(given)
    ]
    view = view_of(1.8, 25.0 / SUN_ARCSEC)
    mean, sigma, count, chi2 = sums_of(placed, view, (0, view.side)).result()
    west, north = view.places()
    # Nearer to the Sun the corona bends within a pixel by more than its noise.
    ring = (np.hypot(west, north) > 1.5) & (count == 5)
    pull = (mean[:, ring] - brightness(west, north)[ring]) / sigma[:, ring]
    assert ring.sum() > 5000
    assert np.std(pull) == pytest.approx(1.0, abs=0.08)
    assert chi2 == pytest.approx(1.0, abs=0.08)


def test_the_grid_is_that_of_the_finest(made):
    done, _ = made
    assert isinstance(done.view, View)
    assert done.view.step == pytest.approx(20.0 / SUN_ARCSEC)


def frames(folder, name, number):
    (folder / name).mkdir()
    (folder / name / "limbward.yaml").write_text(
        "site: {latitude: 5.0, longitude: 3.0}\neclipse: 2026-08-12\ninput: {cards: [c]}\n"
    )
    workspace = Workspace(folder / name / "workspace")
    table = Table({"file": [f"{k}.dng" for k in range(number)], "phase": ["other"] * number})
    table["exposure"] = 0.5
    table["used"] = False
    workspace.write_table(Workspace.frames, table)
    return RunStation(name, load_config(folder / name / "limbward.yaml"), workspace.root)


def test_few_frames_make_ecsv_and_many_parquet(tmp_path):
    few = [frames(tmp_path, "a", 3), frames(tmp_path, "b", 2)]
    campaign = Workspace(tmp_path / "out")
    assert write_frames(few, campaign) == (ECSV, 5)
    table = campaign.read_table(ECSV)
    assert list(table["station"]) == ["a"] * 3 + ["b"] * 2
    parquet = pytest.importorskip("pyarrow.parquet")
    many = [*few, frames(tmp_path, "c", 1200)]
    assert write_frames(many, campaign) == (PARQUET, 1205)
    assert not campaign.path(ECSV).exists()
    read = parquet.read_table(campaign.path(PARQUET))
    assert read.num_rows == 1205
    assert read["exposure"][0].as_py() == 0.5
    assert read["time_utc"][0].as_py() is None
