"""`contacts`: as JSON and for people."""

from __future__ import annotations

import json
import re
from datetime import datetime

from limbward.sky.wording import contacts_heading


def test_contacts_as_json(limbward):
    status, out, err = limbward(
        "contacts", "--lat", "65", "--lon", "-23.4", "--date", "2026-08-12", "--json"
    )
    assert status == 0
    assert err == ""
    found = json.loads(out)
    assert {"date", "site", "kind", "magnitude", "obscuration", "delta_t", "contacts"} <= set(found)
    assert found["kind"] == "total"
    assert list(found["contacts"]) == ["C1", "C2", "greatest", "C3", "C4"]
    for contact in found["contacts"].values():
        assert contact["utc"].endswith("Z")
        keys = {"utc", "altitude", "azimuth", "position_angle", "vertex_angle"}
        assert keys <= set(contact)


def test_contacts_for_people_carry_the_caution(limbward):
    where = ("--lat", "65", "--lon", "-23.4", "--date", "2026-08-12")
    _, out, _ = limbward("contacts", *where)
    found = json.loads(limbward("contacts", *where, "--json")[1])
    assert found["caution"] in " ".join(out.split())
    exact = found["contacts"]
    for name, contact in exact.items():
        # The table of the smooth Moon has dates and altitudes; that of the real limb comes first.
        stamp = re.compile(rf"^{name} +(\d{{4}}-\d\d-\d\d \d\d:\d\d:\d\d\.\d)", re.MULTILINE)
        (shown,) = stamp.finditer(out)
        difference = datetime.fromisoformat(shown[1] + "Z") - datetime.fromisoformat(contact["utc"])
        assert abs(difference.total_seconds()) <= 0.05


def test_contacts_take_radii(limbward):
    where = ("contacts", "--lat", "65", "--lon", "-23.4", "--date", "2026-08-12", "--json")
    mean = json.loads(limbward(*where)[1])
    valley = json.loads(limbward(*where, "--k-umbra", "0.272281")[1])
    larger = json.loads(limbward(*where, "--solar-radius-km", "696500")[1])
    assert valley["duration_s"] < mean["duration_s"]
    assert valley["contacts"]["C1"] == mean["contacts"]["C1"]
    assert larger["duration_s"] < mean["duration_s"]
    assert larger["contacts"]["C1"]["utc"] < mean["contacts"]["C1"]["utc"]


def test_no_eclipse_is_an_answer(limbward):
    status, out, _ = limbward("contacts", "--lat", "-65", "--lon", "3", "--date", "2026-08-12")
    assert status == 0
    assert out.startswith("No eclipse of the Sun on 2026-08-12 at 65.0000° S 3.0000° E.")


def test_heading_says_when_the_sun_is_down():
    circumstances = {
        "date": "2026-08-12",
        "site": {"name": "Camp", "latitude": 1.0, "longitude": -2.0, "height": 3.0},
        "kind": "partial",
        "visible": False,
        "magnitude": 0.5,
        "obscuration": 0.4,
        "duration_s": None,
        "contacts": {},
    }
    assert contacts_heading(circumstances) == (
        "Partial eclipse of 2026-08-12 at Camp (1.0000° N 2.0000° W), 3 m: magnitude 0.500, "
        "40.0 % of the Sun covered; the Sun is below the horizon throughout."
    )
