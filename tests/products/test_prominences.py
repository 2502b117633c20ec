"""Prominences of a merge: how high above the Sun's limb, and above the Moon's."""

import numpy as np
import pytest
from astropy.io import fits
from astropy.time import TimeDelta

from limbward.config import Config, place_and_time
from limbward.products import prominences
from limbward.radiance.fits import write_picture
from limbward.simulate.truth import true_corona
from limbward.sky.ephemeris import view
from limbward.work.reporting import SilentReporter
from limbward.workspace import Workspace

SIDE, SCALE, UP, SUN_ARCSEC = 1140, 2.0, 40.0, 947.2


def finished(root, site: dict[str, float], *, oriented: bool):
    """Return a config and a workspace with a merge: the simulator's corona without a Moon."""
    config = Config.model_validate(
        {"site": site, "eclipse": "2026-08-12", "input": {"cards": ["card"]}}
    )
    workspace = Workspace(root / "workspace")
    middle = (SIDE - 1) / 2.0
    linear = true_corona(
        4, (SIDE, SIDE), sun_x=middle, sun_y=middle, sun_radius_px=SUN_ARCSEC / SCALE,
        up_from_solar_north=UP,
    )  # fmt: skip
    header = fits.Header()
    header["CRPIX1"], header["CRPIX2"] = middle + 1.0, SIDE - middle
    header["CDELT1"], header["UPPA"], header["RSUN_OBS"] = SCALE, UP, SUN_ARCSEC
    header.update({f"DATE-{k}": "2026-08-12T17:46:50" for k in ("BEG", "AVG", "END")})
    header.update({"NFRAMES": 1, "EXPTOTAL": 1.0, "CAMERA": "A"})
    header["DSUN_OBS"], header["NORTHKN"] = 1.516e11, oriented
    for i in (1, 2, 3):
        header[f"DAYWB{i}"] = 1.0
        for j in (1, 2, 3):
            header[f"SRGB{i}_{j}"] = float(i == j)
    with workspace.writing(Workspace.corona) as part:
        write_picture(part, linear, header)
    return config, workspace


@pytest.mark.parametrize(("oriented", "by"), [(True, "the real limb"), (False, "a smooth Moon")])
def test_heights_above_the_moon_are_from_its_limb_at_the_lowest(tmp_path, oriented, by):
    """Where north is known by the relief, within its 4 arcsec of a circle; else by the circle."""
    config, workspace = finished(
        tmp_path, {"latitude": 65.0, "longitude": -23.4}, oriented=oriented
    )
    prominences.run(config, workspace, SilentReporter())
    told = workspace.read_json("sequences/prominences.json")
    assert told["details"]["moon_limb"] == by
    assert by in told["caption"]
    assert "above the Moon" in told["numbers"]["1"]
    contacts = place_and_time.eclipse(config).contacts
    second, third = contacts["C2"].time, contacts["C3"].time
    seconds = np.linspace(0.0, (third - second).to_value("s"), 200)
    sky = view(second + TimeDelta(seconds, format="sec"), place_and_time.site(config))
    found = told["details"]["prominences"]
    assert len(found) >= 3
    for p in found:
        # Along a ray from the Sun's centre to a circle around the Moon's.
        s, c = (f(np.radians(p["position_angle"])) for f in (np.sin, np.cos))
        along = sky.moon_east_arcsec * s + sky.moon_north_arcsec * c
        apart = np.hypot(sky.moon_east_arcsec, sky.moon_north_arcsec)
        out = along + np.sqrt(along**2 - apart**2 + sky.moon_radius_arcsec**2)
        circle = float((out - sky.sun_radius_arcsec).min())
        off = p["moon_limb_arcsec"] - circle
        assert abs(off) < (4.5 if oriented else 0.1)
        assert p["height_above_moon_arcsec"] == pytest.approx(
            p["height_arcsec"] - p["moon_limb_arcsec"], abs=0.011
        )
    offs = [p["moon_limb_arcsec"] for p in found]
    assert len(set(offs)) == len(offs)


def test_where_the_site_had_no_totality_only_the_suns_limb_counts(tmp_path):
    config, workspace = finished(tmp_path, {"latitude": 51.5, "longitude": -0.1}, oriented=True)
    prominences.run(config, workspace, SilentReporter())
    details = workspace.read_json("sequences/prominences.json")["details"]
    assert details["moon_limb"] is None
    for p in details["prominences"]:
        assert p["height_arcsec"] > 0
        assert p["height_above_moon_arcsec"] is p["moon_limb_arcsec"] is None
