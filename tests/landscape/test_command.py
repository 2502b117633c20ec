"""`limbward landscape` on a card of nothing but wide frames."""

from __future__ import annotations

import json

import av
import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table
from PIL import Image
from typer.testing import CliRunner

from limbward.cli.app import app
from limbward.render.space import SRGB
from tests.apart.wide import Session, Wide, enu

from .cards import whole_eclipse, write_card
from .sessions import EPOCH_S

CLOCK_S = 37.0


@pytest.fixture(scope="module")
def card(tmp_path_factory):
    folder = tmp_path_factory.mktemp("wide")
    shown = ("venus", "jupiter", "mercury", "Regulus")
    session = Session(Wide(azimuth=235, altitude=18, roll=1.0, bend=-0.02), shown=shown, haze=0.01)
    shots = whole_eclipse(840.0)
    config = write_card(folder, session, shots, CLOCK_S)
    with config.open("a") as file:
        file.write("landscape: {shadow_height_km: 10, step_minutes: 14, every: true}\n")
        file.write("film: {formats: [mp4], between: 1}\n")
    result = CliRunner().invoke(app, ["landscape", str(config), "--jobs", "1"])
    assert result.exit_code == 0, result.output
    return session, shots, folder / "workspace"


def test_sky_json_and_directions(card) -> None:
    session, _, workspace = card
    told = json.loads((workspace / "sky.json").read_text())
    assert told["lens"]["projection"] == "rectilinear"
    (stand,) = told["stands"]
    assert (stand["altitude"], stand["azimuth"]) == pytest.approx((18.0, 235.0), abs=0.05)
    assert stand["roll"] == pytest.approx(-1.0, abs=0.05)  # clockwise from behind; the other way
    named = {b["name"] for f in told["frames"] for b in f.get("bodies", [])}
    assert {"Venus", "Jupiter", "Mercury"} <= named <= {"Venus", "Jupiter", "Mercury", "Regulus"}
    with fits.open(workspace / "landscape/directions-0.fits") as hdus:
        step, planes = hdus[0].header["STEP"], hdus[0].data[:, ::-1]
    # A pixel of the sensor is half a simulated one.
    i, j = 60, 100
    raw = np.array([step * (j + 0.5) - 0.5, step * (i + 0.5) - 0.5])
    x, y = (raw + 0.5) / 2 - 0.5
    truth = session.camera.rays(np.array(x), np.array(y))
    got = enu(planes[0, i, j], planes[1, i, j])
    assert np.degrees(np.linalg.norm(got - truth)) < 0.05


def test_times_join_the_timeline(card) -> None:
    _, shots, workspace = card
    frames = Table.read(workspace / "frames.ecsv", format="ascii.ecsv")
    assert len(frames) == len(shots)
    off = []
    for row, (middle, exposure, *_) in zip(frames, shots, strict=True):
        hours, minutes, seconds = str(row["time_utc"])[11:].removesuffix("Z").split(":")
        start = 3600 * int(hours) + 60 * int(minutes) + float(seconds)
        off.append(start - (EPOCH_S + middle - exposure / 2))
    sigma = float(np.max(frames["time_utc_sigma"]))
    assert np.abs(np.array(off)).max() < max(4 * sigma, 4.0)
    assert sigma < 5.0


def test_pictures(card) -> None:
    _, _, workspace = card
    for name in ("landscape", "sun-path", "sky-brightness", "horizon"):
        picture = np.asarray(Image.open(workspace / f"sequences/{name}.png").convert("RGB"))
        assert np.ptp(picture) > 150, name
        assert json.loads((workspace / f"sequences/{name}.json").read_text())["picture"]
    assert len(list((workspace / "sequences/landscape").glob("*.png"))) == 9  # the unfiltered ones
    suns = json.loads((workspace / "sequences/sun-path.json").read_text())["details"]["suns"]
    assert len(suns) == 10
    assert (
        "filter"
        in json.loads((workspace / "sequences/horizon.json").read_text())["details"]["caution"]
    )
    curve = json.loads((workspace / "sequences/sky-brightness.json").read_text())["details"]
    assert curve["calibrated"]
    high, minutes = np.array(curve["high"], float), np.array(curve["minutes"])
    # The simulator's sky fades from 3e-6 of the Sun's remaining light to 1e-10 of its surface.
    assert np.nanmin(high[np.abs(minutes) < 1]) > np.nanmax(high[np.abs(minutes) > 3]) + 5


def test_the_film(card) -> None:
    _, shots, workspace = card
    told = json.loads((workspace / "sequences/shadow-film.json").read_text())["details"]
    bare = [t for t, exposure, filtered, *_ in shots if not filtered]
    assert len(told["frames"]) == len(bare)
    drawn = np.array([f["drawn"] for f in told["frames"]])
    assert abs(bare[int(np.argmin(drawn))]) < 66  # in totality
    assert drawn.max() > 5 * drawn.min()
    with av.open(str(workspace / "sequences/shadow-film.mp4")) as film:
        pictures = [p.to_ndarray(format="rgb24") for p in film.decode(video=0)]
    assert len(pictures) == told["pictures"] == 2 * len(bare) - 1
    # The picture that is read back is as dark as is told: the sky high up, in linear light.
    for entry in (told["frames"][0], told["frames"][3]):
        shown = pictures[entry["first_picture"]][20:100, 100:300].mean(axis=2) / 255
        light = np.median(SRGB.decode(shown.astype(np.float32)))
        assert light == pytest.approx(entry["drawn"], rel=0.25)


def test_a_card_without_wide_frames(card, tmp_path) -> None:
    _, _, workspace = card
    config = workspace.parent / "narrow.yaml"
    text = (workspace.parent / "limbward.yaml").read_text().split("landscape:")[0]
    config.write_text(text + "landscape: {longest_mm: 10}\n")
    result = CliRunner().invoke(app, ["landscape", str(config)])
    assert result.exit_code == 1
    assert "landscape.focal_mm" in str(result.exception)
