"""Stars from the search to the table, the report and the labels in the picture."""

import numpy as np
import pytest

from limbward.errors import LimbwardError
from limbward.geometry.orientation import Orientation
from limbward.report.stars import star_rows, star_section
from limbward.stars.session import Star, StarField
from limbward.stars.wording import star_labels, stars_told
from limbward.workspace import Workspace
from limbward.workspace.reported import read_stars_seen
from limbward.workspace.stars import BodyStars, read_stars, write_stars
from limbward.workspace.stored import pointing_sources, read_pointings, read_star_pointings

BODIES = (("Aurelia", "1"), ("Borealis", "2"), ("Cirrus", "3"))


def star(name, **more):
    given = {
        "name": name, "kind": "star", "magnitude": 6.42, "measured_magnitude": 6.5,
        "magnitude_sigma": 0.02, "east": 1200.0, "north": -600.0, "miss_east": 0.12,
        "miss_north": -0.08, "sigma": 0.1, "frames": 9, "snr": 40.0, "used": True,
    }  # fmt: skip
    return Star(**{**given, **more})


def field(up=40.0, radial=0.0, radial_sigma=np.nan):
    stars = [star("HIP 43427"), star("Mercury", kind="planet", used=False)]
    orientation = Orientation(2.5, up, True)
    return StarField(orientation, 0.004, 2e-4, radial, radial_sigma, 2e-7, 0.3, stars)


@pytest.fixture
def workspace(tmp_path):
    made = Workspace(tmp_path / "w")
    made.claim()
    rest = {"pixel_scale_arcsec": 2.501, "mirrored": False, "field_rotation_deg_per_hour": 0.0}
    made.write_json(
        Workspace.pointing,
        {
            "cameras": [
                {"camera": "Aurelia", "serial": "1", "up_position_angle": 110.0,
                 "up_position_angle_sigma": 3.0, "source": "corona", **rest},
                {"camera": "Borealis", "serial": "2", "up_position_angle": 39.99, **rest},
            ]
        },
    )  # fmt: skip
    write_stars(
        made,
        [
            BodyStars(*BODIES[0], 9, 0.0, field(), True),
            BodyStars(*BODIES[1], 9, 0.0, field(radial=0.004, radial_sigma=2e-4), False),
            BodyStars(*BODIES[2], 1, 0.0, None, False),
        ],
    )
    return made


def test_tables_come_back_as_they_were_written(workspace):
    rows = read_stars(workspace)
    assert [r[:2] for r in rows] == [("Aurelia", "1")] * 2 + [("Borealis", "2")] * 2
    assert rows[0][2] == star("HIP 43427")
    table = workspace.read_table(Workspace.table("stars"))
    assert {str(table[n].unit) for n in ("east", "miss_north", "sigma")} == {"arcsec"}


def test_stars_decide_where_nothing_better_does(workspace):
    by = {p.camera: p for p in read_pointings(workspace)}
    assert by["Aurelia"].orientation == Orientation(2.5, 40.0, True)
    assert by["Aurelia"].up_sigma_deg == 0.004
    assert by["Borealis"].orientation == Orientation(2.501, 39.99, False)
    assert [p.camera for p in read_star_pointings(workspace)] == ["Aurelia"]
    assert pointing_sources(workspace) == {BODIES[0]: "corona", BODIES[1]: "crescents"}


def test_the_report_tells_what_was_found_and_what_was_not(workspace):
    seen = read_stars_seen(workspace)
    text = " ".join(star_section(seen).sentences)
    assert "Aurelia 1: 2 stars and planets were recognised in 9 long exposures" in text
    assert "40.000° ± 0.004°" in text
    assert "mirrored" in text
    assert "below 2e-07" in text
    assert "taken from them" in text
    assert "That is +0.010° from the orientation by the partial phases" in text
    assert "+0.40 ± 0.02 %" in text
    assert "Cirrus 3: no star was recognised with confidence in 1 long exposure" in text
    rows = star_rows(seen)
    assert len(rows) == 4
    assert rows[0][:4] == ["HIP 43427", "Aurelia 1", "6.42", "6.50 ± 0.02"]
    assert rows[1][0] == "Mercury (not in the fit)"
    assert star_section([]) is None


def test_words_and_labels():
    assert "no star" in stars_told(None, 4, False)
    assert "HIP 43427, Mercury" in stars_told(field(), 4, True)
    assert star_labels([star("HIP 1"), star("HIP 1"), star("Mercury")]) == [
        ("HIP 1 (6.4)", 1200.0, -600.0),
        ("Mercury (6.4)", 1200.0, -600.0),
    ]


def test_nothing_searched_leaves_nothing(workspace):
    write_stars(workspace, [])
    assert read_stars(workspace) == []
    assert not workspace.path(Workspace.stars).exists()
    assert read_stars_seen(workspace) == []
    assert len(read_pointings(workspace)) == 2


@pytest.mark.parametrize("key", ["camera", "pixel_scale_arcsec", "mirrored"])
def test_a_damaged_file_of_stars_is_named_with_what_makes_it_anew(tmp_path, key):
    workspace = Workspace(tmp_path)
    entry = {
        "camera": "Aurelia", "serial": "1", "decides": True, "pixel_scale_arcsec": 3.0,
        "up_position_angle": 10.0, "up_position_angle_sigma": 0.01, "mirrored": False,
        "field_rotation_deg_per_hour": 0.0,
    }  # fmt: skip
    workspace.write_json(Workspace.stars, {"cameras": [entry]})
    assert read_star_pointings(workspace)[0].orientation.pixel_scale_arcsec == 3.0
    workspace.write_json(Workspace.stars, {"cameras": [entry | {key: None}]})
    with pytest.raises(LimbwardError, match=rf"stars\.json.*{key} is None.*align"):
        read_star_pointings(workspace)
