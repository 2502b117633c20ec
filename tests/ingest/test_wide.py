"""Wide frames set aside: what is measured in a dot is no crescent, whatever it looks like."""

from __future__ import annotations

from datetime import datetime

from limbward.config import Config
from limbward.stages.wide import forget_small_suns, set_wide_aside
from limbward.workspace.ingest_table import pictures_of, to_table
from limbward.workspace.shown import taken_of

NOON = datetime(2024, 4, 8, 12)


def config(**sections):
    place = {"latitude": 0, "longitude": 0, "height": 0}
    smallest = {"site": place, "eclipse": "2024-04-08", "input": {"cards": ["card"]}}
    return Config.model_validate({**smallest, **sections})


def row(k: int, focal: float, looks: str, **more) -> dict:
    return {
        "file": f"card/{k}.DNG", "kind": "raw", "size": 1, "note": ["a note", "a limb"],
        "limb_note": "a limb", "camera": "Body", "serial": "1", "focal_length": focal,
        "width": 6000, "height": 4000, "phase": looks, "looks_like": looks, "copy_of": "",
        "measured_sun_radius": 27.0, "limb_width": 2.0, "reduced": "reduced/x.npz", **more,
    }  # fmt: skip


def test_wide_frames_are_no_partial_phases() -> None:
    looks = ["partial", "totality", "contact", "other"]
    rows = [row(k, 24.0, one) for k, one in enumerate(looks)]
    rows += [row(4, 24.0, "dark"), row(5, 24.0, "flat", stated="flat")]
    rows += [row(k, 600.0, "partial", measured_sun_radius=700.0) for k in (6, 7, 8)]
    said = set_wide_aside(config(), rows)
    assert said is not None
    assert said.startswith("4 frames are wide")
    for one in rows[:4]:
        assert (one["phase"], one["looks_like"], one["wide"]) == ("other", "other", True)
        assert "measured_sun_radius" not in one
        assert "limbward landscape" in one["note"][0]
        assert one["note"][1:] == ["a note"]
    assert [one["phase"] for one in rows[4:]] == ["dark", "flat", *["partial"] * 3]
    table = to_table(rows)
    # Still pictures, for the command that uses them, but none whose phase is decided.
    assert pictures_of(table).all()
    assert taken_of(table, NOON).pictures.tolist() == [False] * 4 + [True] * 5


def test_the_config_has_the_last_word() -> None:
    rows = [row(0, 24.0, "partial"), row(1, 24.0, "partial")]
    rows += [row(k, 600.0, "partial", measured_sun_radius=700.0) for k in (6, 7, 8)]
    said = config(frames=[{"files": ["*/0.DNG"], "phase": "partial"}])
    assert set_wide_aside(said, rows) == (
        "1 frame is wide: the Sun is a dot in it; `limbward landscape` uses it"
    )
    assert rows[0]["measured_sun_radius"] == 27.0
    assert rows[1]["phase"] == "other"


def test_a_card_without_wide_frames_stays_as_it_is() -> None:
    rows = [row(k, 600.0, "partial", measured_sun_radius=700.0) for k in range(3)]
    assert set_wide_aside(config(), rows) is None
    assert all("wide" not in one for one in rows)


def test_where_nothing_else_shows_the_eclipse_small_discs_are_used() -> None:
    rows = [row(k, 24.0, "totality", measured_moon_radius=27.0) for k in range(5)]
    assert set_wide_aside(config(), rows) is None
    assert [one["phase"] for one in rows] == ["totality"] * 5
    dots = [row(k, 8.0, "totality", measured_sun_radius=1.6) for k in range(5)]
    assert set_wide_aside(config(), dots) is not None
    assert {one["phase"] for one in dots} == {"other"}


def test_phases_are_decided_in_the_order_of_taking_whatever_the_names() -> None:
    """Names drawn by lot, tags kept: the order is the clock's."""
    drawn = [7, 2, 11, 0, 9, 4, 13, 1, 12, 6, 3, 10, 5, 8, 15, 14]
    rows = [
        row(k, 600.0, "partial") | {"time_camera": f"2024-04-08T18:{second:02d}:00"}
        for k, second in enumerate(drawn)
    ]
    for k, one in enumerate(rows):
        one["sequence"] = k
    taken = taken_of(to_table(rows), NOON)
    ((_, mine),) = taken.bodies()
    assert [drawn[i] for i in mine] == list(range(16))


def test_a_bead_is_no_small_sun_where_discs_are_large() -> None:
    core = {"core_x": 1.0, "core_y": 2.0, "core_sigma": 0.3, "core_small": True}
    rows = [row(k, 600.0, "partial", measured_sun_radius=70.0) for k in range(3)]
    rows += [row(3, 600.0, "other", measured_sun_radius=None, **core)]
    drowned = {**core, "core_small": False}
    rows += [row(4, 600.0, "other", measured_sun_radius=None, **drowned)]
    rows += [row(5 + k, 50.0, "partial", measured_sun_radius=7.0) for k in range(3)]
    rows += [row(8, 50.0, "other", measured_sun_radius=None, **core)]
    forget_small_suns(rows)
    assert "core_x" not in rows[3]
    assert rows[4]["core_x"] == rows[8]["core_x"] == 1.0
