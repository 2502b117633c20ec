"""The report in a real browser: headless Chromium, driven by Playwright."""

from __future__ import annotations

import itertools
import re
import shutil
from datetime import timedelta

import numpy as np
import pytest
from PIL import Image

from limbward.report import Coverage, Product, Reach, build_report
from limbward.report.material import ContactLimb, MoonLimb
from tests.report.pages import GREATEST, clock, contacts, frame, material
from tests.report.test_corona import corona

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
if CHROMIUM is None:
    pytest.skip("there is no Chromium; 'apt install chromium' brings it", allow_module_level=True)
sync_api = pytest.importorskip("playwright.sync_api")
axe = pytest.importorskip("axe_playwright_python.sync_playwright")

PHASES = ["partial", "contact", "totality", "totality", "totality", "dark", "unreadable"]
TONE = {
    "curve": "L = f(Y)",
    "inverse": "Y = g(L)",
    "dark": 5.0,
    "bright": 1e5,
    "soft": 100.0,
    "floor": 0.05,
    "ceiling": 0.95,
}


def moon_limb():
    """Made up: waves for mountains, at C3 across north, a bead due and one found at each."""
    limbs, beads, found = [], [], []
    for name, first, utc in (("C2", 60.0, "17:45:51.000Z"), ("C3", 340.0, "17:47:50.000Z")):
        angle = first + np.arange(0.0, 40.0, 0.1)
        arc = -0.01 * (angle - first - 20.0) ** 2
        suns = {f"the Sun's limb at {name}": arc - 1.0, f"5 s from {name}": arc + 1.0}
        limbs.append(ContactLimb(name, angle, np.sin(angle), suns))
        place = (first + 25.0) % 360.0
        beads.append({"contact": name, "utc": f"2026-08-12T{utc}", "position_angle": place,
                      "start": None, "end": None, "seen": []})  # fmt: skip
        found.append({"contact": name, "file": "a/One00002.DNG", "seconds_from_contact": 1.5,
                      "position_angle": place + 0.2})  # fmt: skip
    return MoonLimb("the real limb", limbs, beads, found, measured=True)


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    """A report that has every kind of section and chart, of two cameras."""
    folder = tmp_path_factory.mktemp("report")
    preview = folder / "a.jpg"
    Image.new("RGB", (120, 80), "orange").save(preview)
    frames = []
    for camera in ("Testcam One (77)", "Testcam Two (5)"):
        for i, phase in enumerate(PHASES):
            frames.append(
                frame(
                    f"card/DCIM/100TESTA/{camera[8:11]}{i:05d}.DNG",
                    phase,
                    camera=camera,
                    time=GREATEST + timedelta(seconds=15.0 * (i - 3)),
                    exposure_s=0.001 * 4**i,
                    sun_x=300.0 + i,
                    sun_y=200.0 + i % 3,
                    sun_radius=60.0,
                    moon_x=290.0 + 2 * i,
                    moon_y=201.0,
                    moon_radius=62.0,
                    limb_sigma=0.02 * (i + 1),
                    clock_residual_s=0.1 * i if phase == "partial" else float("nan"),
                    relative_exposure=1.0 + 0.01 * i if i == 3 else float("nan"),
                    note="a bird" if i == 2 else "",
                    used=i in (3, 4),
                    preview=preview,
                )
            )
    edges = np.linspace(1.05, 3.05, 41)
    reaches = [
        Reach(0.001, 100.0, 2, edges[:-1] < 1.5),
        Reach(0.25, 100.0, 4, edges[:-1] > 1.8),
    ]
    noise = {
        "iso": 100.0,
        "gain_electrons_per_adu": 5.0,
        "read_noise_adu": 1.5,
        "read_noise_electrons": 7.5,
        "origin": "measured on pairs",
        "linear_up_to": [0.9, 0.92, 0.9],
    }
    page = material(
        contacts=contacts(),
        frames=frames,
        clocks=[clock(warnings=["It jumped."])],
        corona=corona(),
        coverage=Coverage(edges, reaches),
        noise=[noise],
        sky=[1.0, 2.0, 3.0],
        composite=preview,
        composite_caption="Made up.",
        variants=[Product("With its coordinates", preview, "Circles.", "A ring.")],
        tone=TONE,
        products=[Product("A sheet", preview, "Crescents.", "", {"frames": "7"})],
        moon_limb=moon_limb(),
    )
    path = folder / "report.html"
    path.write_text(build_report(page), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def browser():
    with sync_api.sync_playwright() as playwright:
        # Without a sandbox, since tests may run as root; the page is our own.
        opened = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield opened
        opened.close()


@pytest.fixture
def open_page(browser, report):
    """Open the report; whatever the browser complains of or asks for fails the test."""
    contexts, said = [], []

    def opened(width=1280, **more):
        context = browser.new_context(viewport={"width": width, "height": 900}, **more)
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("request", lambda r: said.append(r.url) if not own(r.url) else None)
        page.goto(report.as_uri())
        return page

    def own(url):
        return url.startswith("data:") or url.partition("#")[0] == report.as_uri()

    yield opened
    for context in contexts:
        context.close()
    assert said == []


@pytest.mark.parametrize("width", [400, 1280, 2560])
def test_fits_every_screen(open_page, width):
    page = open_page(width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    hosts = page.locator(".chart")
    # Per camera 2 timelines, paths, sun, limb; the limb twice; a clock; 2 of coverage; 3 of the
    # merge; light; tone.
    assert hosts.count() == 20
    for i in range(hosts.count()):
        box = hosts.nth(i).locator("canvas").bounding_box()
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= width
        assert box["width"] > 200
    assert page.locator("svg.plot:visible").count() == 0


def drawn(page, selector):
    """Return how many pixels of a canvas are not of its commonest colour."""
    return page.locator(selector).evaluate(
        "c => { const d = new Uint32Array(c.getContext('2d')"
        ".getImageData(0, 0, c.width, c.height).data.buffer); const n = new Map();"
        "for (const v of d) n.set(v, (n.get(v) ?? 0) + 1);"
        "return d.length - Math.max(...n.values()); }"
    )


def test_charts_tell_their_points_and_zoom(open_page):
    page = open_page()
    chart = page.locator("#timeline .chart").first
    assert drawn(page, "#timeline .chart canvas >> nth=0") > 1000
    chart.focus()
    status = chart.locator("[role=status]")
    seen = []
    for _ in range(len(PHASES) + 1):
        page.keyboard.press("ArrowRight")
        seen.append(status.inner_text().partition(":")[0])
    assert seen == [f"One{i:05d}.DNG" for i in (*range(7), 6)]  # in time, and no further
    page.keyboard.press("Home")
    assert status.inner_text() == "One00000.DNG: partial, 1/1000 s, 17:46:05.8 UTC"
    for _ in range(2):
        page.keyboard.press("ArrowRight")
    assert status.inner_text().endswith(". a bird")

    over = chart.locator(".u-over").bounding_box()
    ring = chart.locator(".ring").bounding_box()
    page.mouse.move(ring["x"] + 9, ring["y"] + 11)
    assert chart.locator(".tip").inner_text().startswith("One00002.DNG")
    # The whole eclipse is seen from half an hour before C1; drag out a minute after greatest.
    page.mouse.move(over["x"] + 2, over["y"] + 20)
    assert chart.locator(".tip").is_hidden()
    begin = ring["x"] + 9 - 1
    page.mouse.move(begin, over["y"] + 30)
    page.mouse.down()
    page.mouse.move(begin + 40, over["y"] + 60, steps=3)
    page.mouse.up()
    page.keyboard.press("Home")
    assert status.inner_text().startswith("One00002.DNG")  # the first two are out of view
    page.keyboard.press("Escape")
    page.keyboard.press("Home")
    assert status.inner_text().startswith("One00000.DNG")

    profile = page.locator("#merge .chart").first
    profile.focus()
    page.keyboard.press("End")
    assert "mean corona" in profile.locator("[role=status]").inner_text()


def test_the_limbs_chart_tells_beads_and_heights_from_0_to_360_degrees(open_page):
    page = open_page()
    figure = page.locator("#timeline figure", has=page.locator("figcaption", has_text="at C3"))
    assert figure.locator(".keys li").all_inner_texts() == [
        "the Moon's limb", "the Sun's limb at C3", "5 s from C3", "bead by the real limb",
        "bead found in a photograph",
    ]  # fmt: skip
    chart = figure.locator(".chart")
    assert drawn(page, "#timeline figure:has(figcaption:text('at C3')) canvas >> nth=-1") > 1000
    chart.focus()
    status = chart.locator("[role=status]")
    told = []
    page.keyboard.press("Home")
    for _ in range(260):
        told.append(status.inner_text())
        page.keyboard.press("ArrowRight")
    assert told[0].startswith("340.0°: ")
    assert "5.0°: goes" not in " ".join(told)
    assert "5.0°: appears at 17:47:50.0 UTC by the real limb" in told
    assert "5.2°: found in One00002.DNG, +1.5 s from C3" in told


def test_a_mark_leads_to_its_frame_even_if_the_filter_hides_it(open_page):
    page = open_page()
    page.fill("#words", "Two00001")
    assert page.locator(".card:visible").count() == 1
    page.locator("#timeline .chart").first.focus()
    page.keyboard.press("End")
    page.keyboard.press("Enter")
    card = page.locator("#frame-6")
    page.wait_for_function("document.getElementById('frame-6').offsetParent !== null")
    assert card.locator(".name").inner_text() == "One00006.DNG"
    assert page.evaluate("location.hash") == "#frame-6"
    assert page.locator("#words").input_value() == ""
    top = card.bounding_box()["y"]
    assert 0 <= top < 900


def test_filter_and_search(open_page):
    page = open_page()
    shown = page.locator("#shown")
    assert shown.inner_text() == "14 of 14 files"
    page.select_option("#phase", "totality")
    assert shown.inner_text() == "6 of 14 files"
    page.fill("#words", "a BIRD")
    assert page.locator(".card:visible .name").all_inner_texts() == ["One00002.DNG", "Two00002.DNG"]
    page.select_option("#phase", "merged")
    assert shown.inner_text() == "0 of 14 files"
    page.fill("#words", "")
    assert page.locator(".card:visible").count() == 4


def test_keyboard_goes_through_the_page_in_order(open_page):
    page = open_page()
    tops = []
    while True:
        page.keyboard.press("Tab")
        found = page.evaluate(
            "(() => { const e = document.activeElement; return [e.tagName,"
            "e.getBoundingClientRect().top + scrollY, getComputedStyle(e).outlineStyle]; })()"
        )
        if found[0] == "BODY" or len(tops) > 60:
            break
        assert found[2] != "none", found  # the focus is seen
        tops.append(found[1])
    assert len(tops) > 20
    assert all(b > a - 60 for a, b in itertools.pairwise(tops))  # down the page


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_accessibility_rules(open_page, scheme):
    """Alternative texts, order of headings, names of controls, contrast and so on."""
    page = open_page(color_scheme=scheme)
    for width in (400, 2560, 1280):
        page.set_viewport_size({"width": width, "height": 900})
        found = axe.Axe().run(page)
        wrong = [(v["id"], v["nodes"][0]["html"][:200]) for v in found.response["violations"]]
        assert wrong == [], width
    passed = {rule["id"] for rule in found.response["passes"]}
    assert {"color-contrast", "image-alt", "heading-order", "label"} <= passed


def test_dark_and_light_take_turns(open_page):
    page = open_page()
    colour = "getComputedStyle(document.body).backgroundColor"
    canvas = page.locator("#timeline .chart canvas").first
    assert page.evaluate(colour) == "rgb(255, 255, 255)"
    light = canvas.screenshot()
    page.emulate_media(color_scheme="dark")
    assert sum(map(int, re.findall(r"\d+", page.evaluate(colour)))) < 100
    page.wait_for_timeout(100)
    assert canvas.screenshot() != light


def test_prints_with_static_plots(open_page):
    page = open_page()
    page.emulate_media(media="print")
    assert page.locator(".chart:visible").count() == 0
    assert page.locator("svg.plot:visible").count() == page.locator("svg.plot").count() == 17
    assert page.locator("nav:visible, form:visible").count() == 0
    pages = len(re.findall(rb"/Type\s*/Page\b", page.pdf(format="A4")))
    assert 5 <= pages <= 15


def test_works_without_scripts(open_page):
    page = open_page(java_script_enabled=False)
    assert page.locator("svg.plot:visible").count() == 17
    assert page.locator(".chart:visible, form:visible").count() == 0
    assert page.locator(".card:visible").count() == 14
