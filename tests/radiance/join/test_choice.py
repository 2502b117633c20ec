"""Which bodies go into one merge."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from astropy.time import Time

from limbward.errors import ConfigError
from limbward.geometry.grid import Grid
from limbward.geometry.orientation import Orientation
from limbward.radiance.field import Field
from limbward.radiance.join.choice import candidates, joined, untried, why_not
from limbward.radiance.selection import Files


def files(counts, **more):
    """Frames of totality of bodies ``{(model, serial): number}``."""
    bodies = [b for b, n in counts.items() for _ in range(n)]
    n = len(bodies)
    model, serial = (np.array([b[i] for b in bodies], dtype=object) for i in (0, 1))
    given = {
        "path": [Path(f"{k}.dng") for k in range(n)],
        "usable": np.ones(n, bool),
        "reduced": np.ones(n, bool),
        "linear": np.ones(n, bool),
        "phase": np.full(n, "totality", dtype=object),
        "camera": model,
        "serial": serial,
        "width": np.full(n, 300.0),
        "height": np.full(n, 200.0),
        "exposure_s": np.full(n, 0.1),
        "iso": np.full(n, 100.0),
        "f_number": np.full(n, 8.0),
        "start_s": np.arange(n, dtype=float),
        "rotation_deg": np.zeros(n),
        "sun": np.tile([150.0, 100.0, 40.0], (n, 1)),
        "moon": np.tile([150.0, 100.0, 41.0], (n, 1)),
    }
    return Files(**{**given, **more})


def field(scale, north_known=True):
    return Field(
        Grid(300, 200, scale, 10.0), Orientation(scale, 10.0), Time("2026-08-12"), None, 0.0, 10.0,
        north_known,
    )  # fmt: skip


LONG, SHORT, PHONE = ("Aurelia", "1"), ("Borealis", "2"), ("Cirrus", "3")


def test_the_body_of_most_frames_comes_first():
    note = np.full(26, "", dtype=object)
    found = candidates(files({SHORT: 6, LONG: 20}), None, "merge.cameras", note)
    assert [c.body for c in found] == [LONG, SHORT]
    assert [len(c.frames.row) for c in found] == [20, 6]
    assert (note == "").all()


def test_named_bodies_and_no_others():
    note = np.full(29, "", dtype=object)
    known = files({SHORT: 6, LONG: 20, PHONE: 3})
    found = candidates(known, ["borealis", "3"], "merge.cameras", note)
    assert [c.body for c in found] == [SHORT, PHONE]
    assert "does not name" in note[10]
    with pytest.raises(ConfigError, match=r"merge\.cameras: no camera .* is called 'Gamma'"):
        candidates(known, ["Gamma"], "merge.cameras", note)


def reason(*, count=20, scale=4.0, north=True, linear=True, named=False):
    note = np.full(40 + count, "", dtype=object)
    known = files({LONG: 40, SHORT: count})
    known = replace(known, linear=np.array([True] * 40 + [linear] * count))
    first, second = candidates(known, ["1", "2"] if named else None, "merge.cameras", note)
    return why_not((first, field(2.0)), (second, field(scale, north)))


def test_what_suits():
    assert reason() == ""
    assert reason(scale=2.0) == ""
    assert reason(scale=1.0) == ""


@pytest.mark.parametrize(
    ("case", "words"),
    [
        ({"count": 3}, "fewer than 5 frames"),
        ({"scale": 20.0}, "10.0 times coarser"),
        ({"scale": 0.2}, "10.0 times finer"),
        ({"north": False}, "orientation is not known"),
        ({"linear": False}, "display-referred"),
    ],
)
def test_what_does_not_suit_and_why(case, words):
    assert words in reason(**case)


def test_who_is_named_is_merged_if_it_can_be():
    assert reason(count=3, scale=20.0, named=True) == ""
    assert "orientation" in reason(north=False, named=True)


def test_who_is_joined_and_what_is_said_of_the_others():
    note = np.full(29, "", dtype=object)
    known = files({LONG: 20, SHORT: 6, PHONE: 3})
    found = candidates(known, None, "merge.cameras", note)
    placed = [(c, field(2.0)) for c in found]
    together, said = joined(placed, False, note)
    assert [c.body for c, _ in together] == [LONG, SHORT]
    assert [s.split(":")[0] for s in said] == ["Cirrus 3 is not merged"]
    assert set(note[:26]) == {""}
    assert all("Aurelia 1, and not this one: it has fewer than 5" in why for why in note[26:])
    # Scale and turn that a person states can be those of one camera only.
    alone, said = joined(placed, True, note)
    assert [c.body for c, _ in alone] == [LONG]
    assert ["up_position_angle" in s for s in said] == [True, False]


def test_bodies_that_were_not_tried_are_told_with_the_reason_of_their_first_frame():
    known = files({LONG: 20, SHORT: 6, PHONE: 3})
    note = np.full(29, "", dtype=object)
    tried = candidates(known, ["Aurelia"], "merge.cameras", note)
    why = "merge.cameras in the config does not name its camera"
    assert untried(known, tried, note) == [(*SHORT, why), (*PHONE, why)]
    assert untried(replace(known, usable=np.zeros(29, bool)), tried, note) == []
