"""The page: whole in itself, strict about what it runs, and readable without seeing it."""

from __future__ import annotations

import base64
import hashlib
import itertools
import re
from datetime import timedelta

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from limbward.errors import LimbwardError
from limbward.report import build_report
from limbward.report.pictures import PREVIEW_BYTES, embed, embed_previews
from limbward.report.wording import printable
from tests.report.pages import GREATEST, Page, clock, contacts, frame, material

HOSTILE = "<script>alert(1)</script><img src=x onerror=alert(1)>\" onload='x' $x_{1}$ ]]> \x07 ü"


@pytest.fixture(scope="module")
def full(tmp_path_factory) -> str:
    """A report with every kind of text taken from files hostile, and every plot but the merge's."""
    folder = tmp_path_factory.mktemp("previews")
    preview = folder / "a.jpg"
    Image.new("RGB", (32, 20), "orange").save(preview)
    frames = []
    for camera in (HOSTILE, "Testcam Two (5)"):
        for i, phase in enumerate(["partial", "contact", "totality", "totality", "dark"]):
            frames.append(
                frame(
                    f"card/DCIM/100TESTA/{HOSTILE}{i}.DNG",
                    phase,
                    camera=camera,
                    time=GREATEST + timedelta(seconds=10.0 * (i - 2)),
                    exposure_s=0.001 * 4**i,
                    sun_x=300.0 + i,
                    sun_y=200.0,
                    sun_radius=60.0,
                    moon_x=290.0 + 2 * i,
                    moon_y=201.0,
                    moon_radius=62.0,
                    limb_sigma=0.02 * (i + 1),
                    clock_residual_s=0.1 * i if phase == "partial" else float("nan"),
                    note=HOSTILE,
                    used=i == 3,
                    preview=preview,
                )
            )
    audit = clock(warnings=[HOSTILE])
    page = material(
        title=HOSTILE,
        heading=HOSTILE,
        author=HOSTILE,
        contacts=contacts(),
        frames=frames,
        clocks=[audit.__class__(HOSTILE, audit.error, audit.zone, audit.drift, audit.entry)],
        composite=preview,
        composite_caption=HOSTILE,
    )
    return build_report(page)


def test_text_from_files_is_never_html(full):
    page = Page(full)
    assert len(page.all("script")) == 1
    assert "alert(" not in page.texts["script"][0]
    assert not [a for _, a in page.elements for name in a if name.startswith("on")]
    assert all(
        image.get("src", "").startswith("data:image/jpeg;base64,") for image in page.all("img")
    )
    assert HOSTILE in page.texts["h1"][0]  # it is shown as what it is
    assert printable(HOSTILE) in page.texts["svg"][0]
    assert page.unclosed == []


def test_policy_allows_exactly_the_style_and_script_of_the_page(full):
    page = Page(full)
    policy = next(
        m["content"] for m in page.all("meta") if m.get("http-equiv") == "Content-Security-Policy"
    )
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["img-src"] == "data:"
    assert rules["base-uri"] == rules["form-action"] == "'none'"
    for tag in ("style", "script"):
        assert len(page.all(tag)) == 1
        digest = hashlib.sha256(page.texts[tag][0].encode()).digest()
        assert rules[f"{tag}-src"] == f"'sha256-{base64.b64encode(digest).decode()}'"
    # Without 'unsafe-inline' a style attribute would be dropped, and the plots be all black.
    assert not [a for _, a in page.elements if "style" in a]


def test_nothing_is_loaded_from_elsewhere(full):
    for tag, attributes in Page(full).elements:
        for name, value in attributes.items():
            if name in ("src", "srcset", "href", "xlink:href", "action", "data", "poster"):
                assert value.startswith(("data:image/", "#")), (tag, name, value[:40])
            if not name.startswith(("aria-", "alt")):
                assert not re.search(r"url\((?!#)", value), (tag, name)
        assert tag not in ("link", "iframe", "object", "embed", "base")
    assert not re.search(r"url\(|@import", Page(full).texts["style"][0])


def test_links_lead_somewhere_and_identifiers_are_unique(full):
    page = Page(full)
    identifiers = [a["id"] for _, a in page.elements if "id" in a]
    assert len(identifiers) == len(set(identifiers))
    targets = {a["href"][1:] for _, a in page.elements if a.get("href", "").startswith("#")}
    used = {
        m for _, a in page.elements for v in a.values() for m in re.findall(r"url\(#(.+?)\)", v)
    }
    labelled = {i for _, a in page.elements for i in a.get("aria-labelledby", "").split()}
    assert (targets | used | labelled) <= set(identifiers)
    assert {f"frame-{i}" for i in range(10)} <= targets  # every frame is a mark of some plot


def test_the_page_can_be_heard(full):
    page = Page(full)
    assert page.all("html")[0]["lang"] == "en"
    assert all(image["alt"].strip() for image in page.all("img"))
    assert page.all("svg")
    assert all(s["role"] in ("img", "group") and len(s["aria-label"]) > 20 for s in page.all("svg"))
    levels = [int(tag[1]) for tag, _ in page.elements if re.fullmatch(r"h[1-6]", tag)]
    assert levels.count(1) == 1
    assert levels[0] == 1
    assert all(b <= a + 1 for a, b in itertools.pairwise(levels))
    assert all("scope" in th for th in page.all("th"))


def test_sections_come_in_the_order_of_looking(full):
    order = [a["id"] for tag, a in Page(full).elements if tag == "section"]
    assert order == [
        "picture", "timeline", "clocks", "coverage", "registration", "merge", "enhanced",
        "frames", "warnings", "cautions",
    ]  # fmt: skip


def test_cautions_and_seconds_of_uncertainty_are_told(full):
    text = Page(full).text
    assert "certified solar filter" in text
    assert "seconds of uncertainty" in text
    assert "Local rules" in text


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1))
def test_any_text_comes_out_as_it_went_in(text):
    page = Page(build_report(material(frames=[frame(phase="other", note=text, time=None)])))
    assert len(page.all("script")) == 1
    assert text in page.text


def test_empty_report_says_what_is_not_there():
    page = Page(build_report(material()))
    for words in (
        "there is no finished picture",
        "no timeline",
        "No camera clock was measured",
        "the exposures cannot be judged",
        "Neither Sun nor Moon",
        "There is no merged corona",
        "There is no enhanced version",
        "There are no frames",
        "The contacts of the eclipse are not known",
        "No warnings",
    ):
        assert words in page.text
    assert not page.all("svg")


def test_partial_eclipse_is_no_failure():
    frames = [frame(time=GREATEST + timedelta(minutes=m)) for m in (-40, 0, 30)]
    page = Page(build_report(material(contacts=contacts("partial"), frames=frames)))
    assert "The eclipse was partial at this place" in page.text
    assert "No warnings" in page.text
    assert len(page.all("svg")) == 1  # the timeline, without a close-up of totality


def test_same_material_gives_the_same_bytes():
    content = material(contacts=contacts(), frames=[frame()])
    assert build_report(content) == build_report(content)


def test_report_of_500_frames_stays_small(tmp_path):
    # Noise is the hardest to compress; 320 x 213 is the size of previews. The bound is that of
    # the requirement: 15 MB for a card of 500 frames.
    rng = np.random.default_rng(4)
    frames = []
    for i in range(500):
        path = tmp_path / f"{i}.jpg"
        noise = rng.integers(0, 256, (213, 320, 3), np.uint8) if i < 4 else None
        if noise is not None:
            Image.fromarray(noise).save(path, quality=85)
        else:
            path.write_bytes((tmp_path / f"{i % 4}.jpg").read_bytes())
        moment = GREATEST + timedelta(seconds=0.2 * i - 50)
        frames.append(frame(f"{i}.DNG", "totality", preview=path, time=moment))
    assert sum(f.preview.stat().st_size for f in frames) > PREVIEW_BYTES
    html = build_report(material(contacts=contacts(), frames=frames))
    assert len(html.encode()) < 15_000_000
    assert html.count('alt="Preview of') == 500


def test_pictures_are_embedded_whole_or_smaller(tmp_path):
    path = tmp_path / "a.png"
    Image.new("RGB", (300, 200), "navy").save(path)
    assert (embed(path, 150, 80).width, embed(path, 150, 80).height) == (150, 100)
    assert embed(path, 900, 80).width == 300  # never enlarged
    assert embed_previews([path, None, tmp_path / "gone.jpg"])[1:] == [None, None]


def test_damaged_picture_is_named(tmp_path):
    path = tmp_path / "composite.png"
    path.write_bytes(b"no picture")
    with pytest.raises(LimbwardError, match=r"composite\.png cannot be read"):
        build_report(material(composite=path))
