"""The cameras side by side, from the tables of a merge to the report's section."""

import re

import numpy as np

from limbward.radiance.join.instrument import Instrument
from limbward.report.instruments import instrument_rows, instrument_section
from limbward.workspace import Workspace
from limbward.workspace.bodies import write_bodies
from limbward.workspace.reported import read_instruments

EDGES = np.array([1.0, 2.0, 3.0, 4.0])


def instrument(camera, scale, share, covered, **more):
    given = {
        "camera": camera,
        "serial": "1",
        "frames": 12,
        "exposure_s": 3.5,
        "pixel_scale_arcsec": scale,
        "up_position_angle": 30.0,
        "mirrored": False,
        "width": 600,
        "height": 400,
        "gain": np.array([1.1, 0.9, 1.0]),
        "gain_sigma": np.full(3, 1e-3),
        "offset": np.zeros(3),
        "shift_px": np.zeros(2),
        "scale_correction": 0.0,
        "turn_deg": 0.0,
        "radial": 0.0,
        "radial_sigma": np.inf,
        "blur_px": 0.0,
        "mismatch": 0.0,
        "share": np.array(share),
        "covered": np.array(covered),
    }
    return Instrument(**{**given, **more})


def shown(tmp_path):
    workspace = Workspace(tmp_path / "w")
    workspace.claim()
    bodies = [
        instrument("Aurelia", 3.0, [0.8, 0.5, 0.0], [1.0, 0.6, 0.0], serial=""),
        instrument("Borealis", 6.0, [0.2, 0.5, 1.0], [1.0, 1.0, 1.0], radial=0.004),
    ]
    write_bodies(workspace, EDGES, bodies, [("Cirrus", "3", "its orientation is not known")])
    return read_instruments(workspace)


def test_the_tables_come_back_as_they_were_written(tmp_path):
    first, second, third = shown(tmp_path)
    assert (first.name, second.name, third.name) == ("Aurelia", "Borealis (1)", "Cirrus (3)")
    assert [i.merged for i in (first, second, third)] == [True, True, False]
    np.testing.assert_allclose(first.edges, EDGES)
    np.testing.assert_allclose(second.share, [0.2, 0.5, 1.0])
    np.testing.assert_allclose(first.field_deg, (0.5, 1 / 3))  # 600 x 3 arcsec: half a degree
    assert (first.reaches, second.reaches) == (3.0, 4.0)
    assert third.note == "its orientation is not known"


def test_each_camera_has_its_row_and_who_was_left_out_is_named(tmp_path):
    cameras = shown(tmp_path)
    rows = instrument_rows(cameras)
    assert len(rows) == 2
    assert rows[0][:5] == ["Aurelia", "12", "3.5 s", "3.000″", "0.50° × 0.33°"]
    assert rows[0][6:] == ["none shows", "65 %", ""]
    assert rows[1][6:] == ["+0.40 %", "35 %", "100 %"]
    section = instrument_section(cameras)
    text = " ".join(section.sentences)
    assert "2 cameras are in the corona" in text
    assert "Cirrus (3) is not in it: its orientation is not known." in text
    fields = section.plots[0].charts[0]
    # Up is at position angle 30, east of north: a field's upper edge leans to the left.
    first = fields.outlines[1].points
    top = np.mean([first[2], first[3]], axis=0)
    assert abs(np.degrees(np.arctan2(-top[0], top[1])) - 30.0) < 1e-6
    assert all(re.search("<svg", str(p.svg)) for p in section.plots)


def test_one_camera_has_no_such_section(tmp_path):
    workspace = Workspace(tmp_path / "w")
    workspace.claim()
    assert read_instruments(workspace) == []
    assert instrument_section([]) is None
