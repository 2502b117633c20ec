"""What is said of a lens's distortion: pointing.json, stars, config and report, and who wins."""

import numpy as np
import pytest

from limbward.camera.lens_database import UnknownLens
from limbward.clock.entries import growth_told
from limbward.config.loading import read_config
from limbward.config.pointing import known_growth, looked_up_growth, pointing_in_force
from limbward.errors import LimbwardError
from limbward.geometry.lens import UNTOLD, Growth
from limbward.geometry.orientation import Orientation
from limbward.geometry.pointing import Pointing
from limbward.workspace import Workspace
from limbward.workspace.stars import BodyStars, write_stars
from limbward.workspace.stored import read_measured_pointings, read_pointings
from tests.report.test_stars import field

ENTRY = {
    "camera": "Aurelia", "serial": "1", "pixel_scale_arcsec": 2.5, "up_position_angle": 40.0,
    "mirrored": False, "field_rotation_deg_per_hour": 0.0,
}  # fmt: skip
LOOKED_UP = Growth(0.009, 3e-3, "lens database", looked_up=True)
CONFIG = """
site: {latitude: 64.8, longitude: -23.7, height: 40}
eclipse: 2026-08-12
input: {cards: [card]}
bodies:
  - {name: Aurelia, files: ['*'], distortion: -0.002}
"""


def written(tmp_path, told, stars=None):
    workspace = Workspace(tmp_path / "w")
    workspace.claim()
    workspace.write_json(Workspace.pointing, {"cameras": [ENTRY | told]})
    if stars is not None:
        write_stars(workspace, [BodyStars("Aurelia", "1", 9, 0.0, *stars)])
    return workspace


def test_what_does_not_show_is_none_and_what_nothing_tells_is_not_mentioned():
    assert growth_told(UNTOLD) == {}
    assert growth_told(Growth(0.0004, 1e-4, "discs")) == {
        "distortion": 0.0, "distortion_sigma": 1e-4, "distortion_source": "discs",
    }  # fmt: skip
    assert growth_told(Growth(0.0006, 1e-4, "discs"))["distortion"] == 0.0006


@pytest.mark.parametrize("decides", [True, False])
@pytest.mark.parametrize(
    ("told", "by_stars", "wanted"),
    [
        ({}, (0.004, 2e-4), (0.004, 2e-4)),
        ({}, (0.0, 2e-4), (0.0, np.inf)),
        (growth_told(Growth(0.003, 1e-4, "discs")), (0.004, 2e-4), (0.003, 1e-4)),
        (growth_told(Growth(0.003, 4e-4, "discs")), (0.004, 2e-4), (0.004, 2e-4)),
        (growth_told(Growth(0.003, 4e-4, "discs")), (0.0, np.nan), (0.003, 4e-4)),
        (growth_told(Growth(0.0, 0.0, "config")), (0.004, 2e-4), (0.0, 0.0)),
        (growth_told(LOOKED_UP), (0.0, np.nan), (0.009, 3e-3)),
        (growth_told(LOOKED_UP), (0.0, 2e-4), (0.0, 2e-4)),
    ],
)
def test_the_better_measurement_is_taken_whoever_decides_the_orientation(
    tmp_path, told, by_stars, wanted, decides
):
    stars = field(radial=by_stars[0], radial_sigma=by_stars[1]), decides
    workspace = written(tmp_path, told, stars)
    (found,) = read_pointings(workspace)
    assert (found.distortion, found.distortion_sigma) == wanted
    (before,) = read_measured_pointings(workspace)
    # While the frames are placed it is as after they were.
    now = BodyStars("Aurelia", "1", 9, 0.0, *stars).pointing(before)
    assert (now.distortion, now.distortion_sigma) == wanted
    assert now.orientation == found.orientation


def test_a_person_has_the_last_word(tmp_path):
    config = read_config(CONFIG, "limbward.yaml", tmp_path)
    assert known_growth(config, "Aurelia") == Growth(-0.002, 0.0, "config")
    assert known_growth(config, "Borealis") is None
    measured = Pointing("Aurelia", "1", Orientation(2.5, 40.0), distortion=0.004)
    assert pointing_in_force(config, [measured], ("Aurelia", "1")).distortion == -0.002
    assert pointing_in_force(config, [], ("Aurelia", "1")) is None


def test_a_lens_is_looked_up_if_the_config_asks_for_it(tmp_path, monkeypatch):
    asked = []

    def looked_up(name, *told):
        asked.append((name, *told))
        if name == "Unknown":
            raise UnknownLens("The lens database has no lens 'Unknown'.")
        return LOOKED_UP

    monkeypatch.setattr("limbward.config.pointing.growth_in_database", looked_up)
    told = "T 400mm", 400.0, (6000.0, 4000.0), 6.0
    plain, asks = CONFIG[: CONFIG.index("bodies")], "align: {lens_database: true}"
    named = "bodies: [{name: B, files: ['*'], lens: Z"
    for rest, body, lens, wanted, said in (
        ("", "Aurelia", *told[:1], UNTOLD, ""),
        (asks, "Aurelia", *told[:1], LOOKED_UP, ""),
        (asks, "Aurelia", "", UNTOLD, "name no lens"),
        (asks, "Aurelia", "Unknown", UNTOLD, "no lens 'Unknown'"),
        (f"{asks}\n{named}}}]", "B", "", LOOKED_UP, ""),
        (f"{named}}}]", "B", "T 400mm", UNTOLD, ""),
        (
            f"{asks}\nbodies: [{{name: B, files: ['*'], lens: Z, distortion: 0}}]",
            "B",
            "",
            UNTOLD,
            "",
        ),
    ):
        config = read_config(f"{plain}{rest}\n", "limbward.yaml", tmp_path)
        growth, why = looked_up_growth(config, body, lens, *told[1:])
        assert growth == wanted
        assert said in why
        assert bool(why) == bool(said)
    assert [a[0] for a in asked] == ["T 400mm", "Unknown", "Z"]
    assert asked[0] == (*told, "Aurelia")


@pytest.mark.parametrize("value", ["much", True, 0.5])
def test_a_damaged_distortion_is_told_in_a_sentence(tmp_path, value):
    workspace = written(tmp_path, {"distortion": value, "distortion_sigma": 1e-4})
    with pytest.raises(LimbwardError, match=r"pointing\.json.*distortion is .*timing"):
        read_pointings(workspace)
