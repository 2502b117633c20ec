"""Wherever a contact time is shown, the caution that is right at the site stands with it.

The walk finds commands, documents and reports by itself: what shows a contact time without the
right words, or says of a partial or annular eclipse when a filter may come off, fails.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from astropy.time import TimeDelta
from typer.main import get_command

from limbward.cli import demo
from limbward.cli.app import app
from limbward.config import place_and_time
from limbward.config.loading import load_config
from limbward.report.build import build_report
from limbward.runs import runner
from limbward.runs.stage import Stage
from limbward.simulate import scenario as scenarios
from limbward.simulate.scenario import adapt, demo_scenario, shorten
from limbward.sky.caution import GENERAL, caution, near_edge
from limbward.sky.contacts import local_circumstances, local_circumstances_many
from limbward.sky.ephemeris import Site
from limbward.sky.limb_profile import ProfileContacts, circumstances_json
from limbward.stages import report
from limbward.workspace import Workspace
from tests.report.pages import Page, contacts, material

ROOT = Path(__file__).parent.parent

# Latitude, longitude and day. The annular eclipse of 2023 has beads at C2 and C3, too.
PLACES = {
    "total": ("65", "-23.4", "2026-08-12"),
    "annular": ("37.5", "-111", "2023-10-14"),
    "partial": ("51.5", "-1", "2026-08-12"),
}
NEVER = (
    "At this site the Sun is never totally covered: the filter stays on from first to last contact."
)
TOTAL = (
    "Keep the filter on until the last bead has gone; put it back at the first sign of returning "
    "sunlight."
)
# What has to be said at any place: why the times are no signal, of what, and who knows better.
ALWAYS = (
    "they are no signal to take a filter off, nor to leave it off.",
    "Eyes, lens, finder scope, binoculars and sensor each need a certified solar filter in front",
    "Local rules and the advice of experienced observers at the site come first.",
)
NO_SIGNAL = "no signal to take a filter off, nor to leave it off"
# Words from which somebody could conclude that there is a moment without a filter.
COMES_OFF = re.compile(
    r"last bead|first sign|totally covered(?<!never totally covered)|comes? off|goes? off"
    r"|(?:take|takes|taking) [^.;:]{0,30}\boff|remov\w+ [^.;:]{0,30}filter"
    r"|except (?:while|during|when|in)\b|unless|put [^.;:]{0,20}\bback"
    r"|before the first one returns|safe to look",
    re.IGNORECASE,
)
# A contact by its name with a time of day, in a table, in JSON or in a sentence.
CONTACT_TIME = re.compile(r"\bC[1-4]\b[^.]{0,60}?\d\d:\d\d:\d\d")
# Documents: anything that has a reader expect contact times, or gives a site and a day.
ABOUT_CONTACTS = re.compile(
    r"\bC[1-4]\b|contact times?\b|limbward contacts|\b(?:second|third) contact|\bcontacts\b"
    r"|contacts\.json|^eclipse: \d{4}|simulate_card|photograph a real",
    re.MULTILINE,
)


def flat(text: str) -> str:
    return " ".join(text.split())


def right(text: str, kind: str) -> None:
    """Assert that a text has the caution of a kind, and nothing of the other kinds."""
    text = flat(text)
    assert all(words in text for words in ALWAYS)
    assert (TOTAL in text, NEVER in text) == (kind == "total", kind != "total")
    if kind != "total":
        unsaid = text.replace(NO_SIGNAL, "")
        assert not COMES_OFF.search(unsaid), COMES_OFF.search(unsaid)


# --- by kind -----------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["total", "annular", "partial", "none"])
def test_each_kind_has_its_words(kind):
    right(caution({"kind": kind}), kind)


def test_words_for_an_unknown_kind_tell_the_kinds_apart():
    """Both halves are there, each under its own condition, the one without a moment first."""
    assert caution({}) == GENERAL
    never, total, edge = (
        GENERAL.index(words)
        for words in (
            "partial or annular, the Sun is never totally covered: the filter stays on from first "
            "to last contact",
            "Where it is total, keep the filter on until the last bead has gone; put it back at "
            "the first sign of returning sunlight",
            "Near the edge of the path the Moon's mountains and the site's coordinates decide "
            "whether totality happens at all",
        )
    )
    assert never < total < edge
    assert all(words in GENERAL for words in ALWAYS)


def test_near_the_edge_nobody_is_told_when_a_filter_may_come_off():
    """4 arcsec of relief are about 8 km on the ground: so within 4 km, and not from 40 km on."""
    latitudes = np.linspace(40.5, 42.0, 61)
    kinds = [
        c.kind for c in local_circumstances_many("2026-08-12", [Site(a, -5.0) for a in latitudes])
    ]
    edge = 0.5 * (latitudes[kinds.index("total") - 1] + latitudes[kinds.index("total")])
    degrees = {-40: False, -3: True, 3: True, 40: False}  # km; a degree is 111 km
    for km, near in degrees.items():
        found = local_circumstances("2026-08-12", Site(edge + km / 111.0, -5.0))
        assert found.kind == ("total" if km > 0 else "partial")
        told = found.to_json_dict()
        assert near_edge(told) is near, km
        words = told["caution"]
        if near:
            assert "mountains and the site's coordinates decide whether totality happens" in words
            assert "plan to keep the filter on from first to last contact" in words
            assert not COMES_OFF.search(words.replace(NO_SIGNAL, ""))
            assert NEVER not in words
            assert all(part in words for part in ALWAYS)
        else:
            right(words, found.kind)


@pytest.mark.parametrize(
    ("known", "near"),
    [
        ({"kind": "total", "duration_s": 9.9, "magnitude": 1.02}, True),
        ({"kind": "total", "duration_s": 10.1, "magnitude": 1.02}, False),
        ({"kind": "annular", "duration_s": 5.0, "magnitude": 0.95}, False),
        ({"kind": "annular", "magnitude": 0.999, "moon_sun_ratio": 0.999}, True),
        # Just outside the path of an annular eclipse the Moon is too small by 100 arcsec.
        ({"kind": "partial", "magnitude": 0.999, "moon_sun_ratio": 0.95}, False),
        ({"kind": "none", "magnitude": 0.0}, False),
        ({"kind": "total", "duration_s": 60.0, "magnitude": 1.02,
          "limb_profile": {"duration_s": 4.0}}, True),
    ],
)  # fmt: skip
def test_what_counts_as_near_the_edge(known, near):
    assert near_edge(known) is near


def test_a_totality_that_the_limb_profile_leaves_short_is_near_the_edge():
    found = local_circumstances("2026-08-12", Site(65.0, -23.4))
    second = found.contacts["C2"].time
    for seconds, near in ((5.0, True), (50.0, False)):
        third = second + TimeDelta(seconds, format="sec")
        told = circumstances_json(found, ProfileContacts(second, third, ()))
        assert told["limb_profile"]["duration_s"] == pytest.approx(seconds, abs=0.01)
        assert (TOTAL not in told["caution"]) is near


# --- every command -----------------------------------------------------------------------------


@pytest.fixture
def small(monkeypatch):
    """Make all scenarios tiny, and the pipeline of `demo` two stages that print nothing."""
    made = shorten(demo_scenario(0.05), partial_frames=2, brackets=1)
    made = adapt(made, plan={"darks": 0, "flats": 0, "jpegs": 0, "truncated": 0})
    monkeypatch.setattr(demo, "SCENARIOS", {"telescope": lambda _: made})
    monkeypatch.setattr(scenarios, "demo_scenario", lambda _: made)
    real = {stage.name: stage for stage in runner.load_stages()}
    clock = Stage("timing", lambda _, w, __: w.write_json(w.clock, {"cameras": []}),
                  writes=(Workspace.clock,))  # fmt: skip
    monkeypatch.setattr(
        runner,
        "load_stages",
        lambda: (Stage("ingest", contacts_only, writes=(Workspace.contacts,)), clock,
                 real["report"]),
    )  # fmt: skip


def contacts_only(config, workspace, reporter):
    """Write contacts.json as the stage ingest does, without the card."""
    found = place_and_time.contacts_json(config, place_and_time.eclipse(config))
    workspace.write_json(Workspace.contacts, found)


PRODUCTS = ("sheet", "strip", "film", "prominences", "chromosphere", "clips", "landscape")


def command_lines(folder: Path, kind: str) -> dict[str, list[str]]:
    """Return one call of every command, for a place."""
    latitude, longitude, day = PLACES[kind]
    where = ["--lat", latitude, "--lon", longitude, "--date", day]
    card = str(folder / "sim")
    config = f"{card}/limbward.yaml"
    product = {n: [n, config] for n in PRODUCTS}
    return {
        "simulate": ["simulate", card, *where, "--megapixels", "0.05", "--jobs", "1"],
        "contacts": ["contacts", *where],
        "check": ["check", config],
        "run": ["run", config],
        "audit": ["audit", config],
        "demo": ["demo", str(folder / "demo"), "--jobs", "1"],
        **product,
        "backup": ["backup", f"{card}/card", str(folder / "bag")],
        "verify": ["verify", str(folder / "bag")],
        "enhance": ["enhance", str(folder / "none.fits"), "--steps", "nrgf"],
        "export": ["export", config],
        "review": ["review", f"{card}/none.yaml"],  # with a config it would not come to an end
        "campaign": ["campaign", f"{card}/none.yaml"],  # it prints what was joined
        "config": ["config"],
        "schema": ["schema"],
    }


@pytest.mark.parametrize("kind", PLACES)
def test_every_command_that_shows_a_contact_time_has_the_caution(kind, limbward, small, tmp_path):
    commands = get_command(app).commands
    calls = command_lines(tmp_path, kind)
    missing = set(commands) - set(calls)
    assert not missing, f"say here how {missing} is called"
    showing = set()
    for name, call in calls.items():
        status, out, err = limbward(*call)
        if name in (
            "simulate",
            "contacts",
            "check",
            "run",
            "audit",
            "demo",
            "backup",
            "config",
            "schema",
        ):
            assert status == 0, (name, err)
        if CONTACT_TIME.search(flat(out + err)):
            showing.add(name)
            right(out, kind)
        elif kind != "total":
            assert not COMES_OFF.search(flat(out + err)), (name, out, err)
    assert {"contacts", "check"} <= showing
    # What they left behind.
    for path in tmp_path.rglob("*"):
        if path.suffix not in (".json", ".yaml", ".html") or path.is_dir():
            continue
        text = path.read_text(encoding="utf-8")
        site = "total" if "demo" in path.relative_to(tmp_path).parts else kind
        if path.suffix == ".yaml":
            right(text.replace("\n#", "\n"), site)
        elif path.suffix == ".html":
            right(Page(text).text, site)
        elif '"C1"' in text:
            right(json.loads(text)["caution"], site)
    assert (tmp_path / "sim/workspace/report.html").exists()
    assert "caution" in json.loads((tmp_path / "sim/workspace/contacts.json").read_text())


@pytest.mark.parametrize("kind", PLACES)
def test_json_has_the_caution_as_a_field_and_nowhere_else(kind, limbward):
    latitude, longitude, day = PLACES[kind]
    call = ("contacts", "--lat", latitude, "--lon", longitude, "--date", day, "--json")
    status, out, err = limbward(*call)
    assert (status, err) == (0, "")
    found = json.loads(out)
    assert found["kind"] == kind
    right(found.pop("caution"), kind)
    assert "filter" not in json.dumps(found)


def test_a_place_without_an_eclipse_has_the_caution_too(limbward):
    _, out, _ = limbward("contacts", "--lat", "-65", "--lon", "3", "--date", "2026-08-12")
    right(out, "none")


@pytest.mark.parametrize("name", sorted(get_command(app).commands))
def test_help_about_contact_times_has_the_caution(name, limbward):
    _, out, _ = limbward(name, "--help")
    if name in ("contacts", "check", "simulate") or re.search(r"\bC[1-4]\b", out):
        assert flat(GENERAL) in flat(out)
    else:
        assert not COMES_OFF.search(flat(out).replace(NO_SIGNAL, ""))


# --- two limbs ---------------------------------------------------------------------------------


def profiled(tmp_path, height: float) -> list[str]:
    """Return a call with a limb that is raised all around."""
    path = tmp_path / "limb.csv"
    path.write_text("\n".join(f"{a},{height}" for a in range(0, 360, 5)))
    latitude, longitude, day = PLACES["total"]
    return ["contacts", "--lat", latitude, "--lon", longitude, "--date", day,
            "--limb-profile", str(path)]  # fmt: skip


@pytest.mark.parametrize("height", [-1.5, 1.5])
def test_of_two_third_contacts_the_earlier_is_first_and_the_duration_its_own(
    height, limbward, tmp_path
):
    """A lower limb lets the Sun out earlier, so its C3 comes first; a higher one's comes last."""
    call = profiled(tmp_path, height)
    found = json.loads(limbward(*call, "--json")[1])
    smooth, limb = found["contacts"]["C3"]["utc"], found["limb_profile"]["C3"]
    assert (limb < smooth) is (height < 0)
    out = limbward(*call)[1]
    first, second = (r"\bC3: the photosphere", r"^C3 ")
    if height > 0:
        first, second = second, first
    assert re.search(first, out, re.M).start() < re.search(second, out, re.M).start()
    shorter = min(found["duration_s"], found["limb_profile"]["duration_s"])
    minutes, seconds = re.search(r"totality (\d+) min (\d+) s", out).groups()
    assert 0 <= shorter - 60 * int(minutes) - int(seconds) < 1
    right(found["caution"], "total")


def test_report_has_the_earlier_third_contact_first():
    known = contacts()
    smooth = {name: known["contacts"][name]["utc"] for name in ("C2", "C3")}
    for shift in ("17:47:48.100Z", "17:47:51.100Z"):
        known["limb_profile"] = {"C2": smooth["C2"], "C3": f"2026-08-12T{shift}", "beads": []}
        page = Page(build_report(material(contacts=known)))
        named = [th.strip() for th in page.texts["th"] if th.strip().startswith("C3")]
        order = ["C3", "C3 by the limb profile"]
        assert named == (order if known["limb_profile"]["C3"] > smooth["C3"] else order[::-1])


# --- every report ------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", PLACES)
def test_report_of_each_kind(kind, tmp_path):
    """With the contacts of a real place, by the stage's own way from the workspace to the page."""
    latitude, longitude, day = PLACES[kind]
    path = tmp_path / "limbward.yaml"
    path.write_text(
        f"site: {{latitude: {latitude}, longitude: {longitude}}}\neclipse: {day}\n"
        "input: {cards: [card]}\n"
    )
    config, workspace = load_config(path), Workspace(tmp_path / "workspace")
    contacts_only(config, workspace, None)
    page = Page(build_report(report.read_material(config, workspace)))
    right(page.text, kind)
    for words in (TOTAL if kind == "total" else NEVER, *ALWAYS):
        # Beside the table of times, and once more under its own heading.
        assert flat(page.text).count(words) == 2


def test_report_without_contacts_says_both():
    assert flat(GENERAL) in flat(Page(build_report(material())).text)


def test_report_from_contacts_without_a_caution_has_it():
    """Of a workspace made by an older version."""
    for kind in ("total", "partial"):
        right(Page(build_report(material(contacts=contacts(kind)))).text, kind)


# --- every document ----------------------------------------------------------------------------

DOCUMENTS = sorted(
    path
    for pattern in ("*.md", "notebooks/*.md", "notebooks/*.ipynb", "configs/*.yaml")
    for path in ROOT.glob(pattern)
)
NOT_FOR_OBSERVERS = {  # name contacts, and give no times nor tell anybody to point at the Sun
    "CHANGELOG.md",
    "DEVELOPERS.md",
}


def read(path: Path) -> str:
    text = path.read_text(encoding="utf-8")
    if path.suffix == ".ipynb":
        cells = json.loads(text)["cells"]
        return "\n".join("".join(cell["source"]) for cell in cells)
    if path.suffix == ".yaml":
        return re.sub(r"^# ?", "", text, flags=re.MULTILINE)
    return text


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.name)
def test_every_document_about_contact_times_has_the_caution(path):
    text = read(path)
    told = flat(text)
    kinds = {"partial-only.yaml": "partial", "annular.yaml": "annular"}
    if path.name in kinds:
        right(text, kinds[path.name])
        return
    if ABOUT_CONTACTS.search(text) and path.name not in NOT_FOR_OBSERVERS:
        assert flat(GENERAL) in told
    # Nothing but the caution itself says when a filter comes off.
    rest = told.replace(flat(GENERAL), "")
    for sentence in re.split(r"(?<=[.:;!?]) ", rest):
        if "filter" in sentence:
            assert not COMES_OFF.search(sentence), sentence


def test_documents_are_found():
    names = {path.name for path in DOCUMENTS}
    assert {"README.md", "howto.md", "methods.md", "alignment.ipynb", "fixed-tripod.yaml"} <= names
    about = {p.name for p in DOCUMENTS if ABOUT_CONTACTS.search(read(p))}
    assert {"README.md", "howto.md", "methods.md", "alignment.ipynb", "fixed-tripod.yaml"} <= about
    # They give no times, or they would be for observers.
    for path in DOCUMENTS:
        if path.name in NOT_FOR_OBSERVERS:
            assert not CONTACT_TIME.search(read(path))
