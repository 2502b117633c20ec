"""The limb at the contacts and the table of beads, as the report tells them."""

import json

import numpy as np
import pytest

from limbward.config.loading import load_config
from limbward.errors import LimbwardError
from limbward.report import build_report
from limbward.report.beads import bead_rows, contact_limbs, limb_section
from limbward.report.material import MoonLimb
from limbward.sky.best_limb import best_limb, contacts_told
from limbward.sky.caution import caution
from limbward.sky.contacts import local_circumstances
from limbward.sky.ephemeris import Site
from limbward.stages import report
from limbward.workspace import Workspace
from tests.report.pages import Page, material

PLACES = {
    "total": (Site(65.0, -23.4), "2026-08-12"),
    "annular": (Site(37.5, -111.0), "2023-10-14"),
}


@pytest.fixture(scope="module", params=PLACES)
def known(request):
    """Return the site, what contacts.json says of it, and its limb."""
    site, day = PLACES[request.param]
    found = local_circumstances(day, site)
    return site, contacts_told(found, site), best_limb(found, site)


def seen(bead, file="card/AURL0007.DNG", off=0.25):
    return {
        "file": file,
        "contact": bead["contact"],
        "utc": bead["utc"],
        "utc_sigma_s": 0.1,
        "seconds_from_contact": -1.5,
        "position_angle": round(bead["position_angle"] + off, 2),
        "off_deg": off,
    }


def told(known, found=(), measured=False):
    site, contacts, limb = known
    beads = [b | {"seen": [s for s in found if s["contact"] == b["contact"]
                           and abs(s["position_angle"] - b["position_angle"]) < 1]}
             for b in contacts["real_limb"]["beads"]]  # fmt: skip
    moon = MoonLimb(limb.by, contact_limbs(limb, site), beads, list(found), measured)
    return material(contacts=contacts, moon_limb=moon)


def test_at_a_contact_the_suns_limb_touches_the_moons_in_one_place(known):
    """From above at C2 and C3 of a ring, from below in totality; that place decides the contact."""
    site, contacts, limb = known
    side = 1.0 if contacts["kind"] == "annular" else -1.0
    for contact in contact_limbs(limb, site):
        at, outside = contact.sun_arcsec.values()
        over = side * (at - contact.moon_arcsec)
        # A tenth of a degree off the very place, up to 0.05 arcsec on a steep slope.
        assert -0.05 < over.min() < 0.05
        place = contacts["real_limb"][contact.name]["position_angle"]
        touching = contact.position_angle[np.argmin(over)]
        assert (touching - place + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=0.15)
        # Five seconds on the outer side there is light in totality, and a dark piece of the ring.
        assert (side * (outside - contact.moon_arcsec)).min() < -0.3


def test_the_chart_holds_every_bead_at_its_place_across_north(known):
    """C3 of 2026 has beads on both sides of north: angles run on, and are told from 0 to 360."""
    contacts = known[1]
    found = [seen(b) for b in contacts["real_limb"]["beads"][:2]]
    drawn = limb_section(told(known, found, measured=True)).plots
    charts = {plot.charts[0].heading: plot.charts[0] for plot in drawn}
    for name, chart in charts.items():
        assert list(chart.at) == sorted(chart.at)
        spec = json.loads(chart.to_json())
        for kind, some in (("bead by", contacts["real_limb"]["beads"]), ("bead found", found)):
            due = sorted(round(b["position_angle"] % 360, 1) for b in some if b["contact"] == name)
            marks = [s["y"] for s in spec["series"] if s["name"].startswith(kind)]
            at = [a % 360 for a, y in zip(spec["at"], *marks, strict=True) if y is not None] \
                if marks else []  # fmt: skip
            assert sorted(at) == pytest.approx(due, abs=0.06)
        for text in chart.texts:
            assert 0.0 <= float(text.split("°")[0]) <= 360.0
    if contacts["kind"] == "total":
        assert charts["C3"].x.high > 360.0
        assert "0°" in drawn[1].svg
        assert "−" not in "".join(t for t in drawn[1].svg.split("<") if "°" in t)


def test_beads_found_stand_beside_those_that_were_due(known):
    contacts = known[1]
    beads = contacts["real_limb"]["beads"]
    page = Page(build_report(told(known, [seen(beads[3])], measured=True)))
    rows = bead_rows(told(known, [seen(beads[3])], measured=True))
    with_frames = [row for row in rows if row["seen"]]
    assert len(with_frames) == 1
    assert with_frames[0]["angle"] == f"{beads[3]['position_angle']:.1f}°"
    assert with_frames[0]["seen"].startswith("AURL0007.DNG at ")
    assert "(+0.25°)" in with_frames[0]["seen"]
    assert "(+0.25°)" in page.text
    # In order of time; the last bead of totality goes out at C2.
    assert [row["utc"] for row in rows] == sorted(row["utc"] for row in rows)
    what = [row["what"] for row in rows]
    if contacts["kind"] == "total":
        assert what.index("C2: the photosphere vanishes") == 1 + max(
            i for i, w in enumerate(what) if w == "a bead goes out"
        )
    else:
        assert "photosphere vanishes" not in page.text
        assert what.index("a bead appears") < what.index("C2: the ring is whole")
    # Beside the times and once more under its own heading.
    words = " ".join(page.text.split())
    assert words.count(caution(contacts)) == 2
    assert words.index("The Moon's limb, and the beads") < words.index(caution(contacts))


def test_before_the_strip_is_made_the_report_names_the_command(known):
    assert "Run limbward strip to find the beads" in Page(build_report(told(known))).text
    assert "Found in" not in Page(build_report(told(known))).text
    assert "No bead was found" in Page(build_report(told(known, measured=True))).text
    assert limb_section(material()) is None


def test_the_stage_reads_the_strips_beads(tmp_path):
    site, day = PLACES["total"]
    (tmp_path / "limbward.yaml").write_text(
        f"site: {{latitude: {site.latitude}, longitude: {site.longitude}}}\neclipse: {day}\n"
        "input: {cards: [card]}\n"
    )
    config, workspace = (
        load_config(tmp_path / "limbward.yaml"),
        Workspace(tmp_path / "workspace"),
    )
    contacts = contacts_told(local_circumstances(day, site), site)
    workspace.write_json(Workspace.contacts, contacts)
    first = report.read_material(config, workspace).moon_limb
    assert (first.by, first.measured, len(first.contacts)) == ("the real limb", False, 2)
    assert list(first.beads) == contacts["real_limb"]["beads"]
    bead = contacts["real_limb"]["beads"][0]
    strip = {
        "title": "s", "picture": None, "caption": "", "alt": "", "numbers": {}, "warnings": [],
        "files": [],
        "details": {
            "beads": [bead | {"seen": [seen(bead)]}],
            "frames": [
                {"file": "a/b.DNG", "contact": "C2", "seconds_from_contact": -1.0,
                 "beads": [{"position_angle": 75.0}]},
                {"file": "a/c.DNG", "contact": "C3", "seconds_from_contact": 1.0, "beads": None},
            ],
        },
    }  # fmt: skip
    workspace.write_json("sequences/strip.json", strip)
    second = report.read_material(config, workspace).moon_limb
    assert second.measured
    assert [b["position_angle"] for b in second.found] == [75.0]
    assert second.beads[0]["seen"][0]["off_deg"] == 0.25
    workspace.write_json("sequences/strip.json", strip | {"details": {"frames": 7}})
    with pytest.raises(LimbwardError, match="make the strip again"):
        report.read_material(config, workspace)
