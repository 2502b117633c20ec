"""A card of totality alone, through a star diagonal, whose stars tell how the camera stood."""

import numpy as np
import pytest

from limbward.config.loading import load_config
from limbward.runs.runner import run_stages
from limbward.work.reporting import SilentReporter
from limbward.workspace import Workspace
from limbward.workspace.columns import flags, floats
from limbward.workspace.stars import read_star_cameras, read_stars
from limbward.workspace.stored import read_pointings
from tests.apart.card import simulate

pytestmark = [
    pytest.mark.card,
    pytest.mark.filterwarnings("ignore:The Earth's rotation"),
]


@pytest.fixture(scope="module")
def card(tmp_path_factory):
    folder = tmp_path_factory.mktemp("stars")
    truth = simulate(
        "stars", folder, 0.8, 0, bursts=False, bracket=(1 / 60, 2.0), totality_frames=12, darks=0,
        flats=0,
    )  # fmt: skip
    config = load_config(folder / "limbward.yaml")
    workspace = Workspace(folder / "workspace")
    run_stages(config, workspace, SilentReporter(), last="align")
    return truth, workspace


def test_orientation_scale_and_side_by_stars(card):
    truth, workspace = card
    camera = truth["cameras"][0]
    (told,) = read_star_cameras(workspace)
    assert told["decides"]
    assert told["mirrored"] is camera["mirrored"] is True
    # The user's bound.
    assert told["up_position_angle"] == pytest.approx(camera["up_position_angle"], abs=0.01)
    assert told["pixel_scale_arcsec"] == pytest.approx(camera["scale_arcsec"], rel=3e-4)
    (pointing,) = read_pointings(workspace)
    assert pointing.orientation.mirrored
    names = {star.name for _, _, star in read_stars(workspace)}
    assert len(names) >= 4
    assert names <= {f"HIP {hip}" for hip in truth["stars"]}


def test_the_sun_is_where_a_mirrored_camera_has_it(card):
    """By the Moon's motion alone it would be as far off as Sun and Moon are apart, twice."""
    truth, workspace = card
    table = workspace.read_table(Workspace.table("align"))
    usable = flags(table, "usable")
    assert usable.sum() >= 8
    for axis in ("sun_x", "sun_y"):
        true = np.array([row.get(axis, np.nan) for row in truth["frames"]])
        assert np.abs(floats(table, axis) - true)[usable].max() < 0.3
