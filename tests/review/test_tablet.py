"""The page under two fingers, and the residuals of several bodies, in headless Chromium."""

from __future__ import annotations

import numpy as np
import pytest

from limbward.workspace import Workspace
from tests.review.test_journey import CHROMIUM, accessible, drawn, sync_api


@pytest.fixture
def tablet(running):
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        opened = browser.new_page(viewport={"width": 820, "height": 1180}, has_touch=True)
        opened.troubles = []
        opened.on("pageerror", lambda error: opened.troubles.append(str(error)))
        opened.set_default_timeout(30_000)
        yield opened
        assert opened.troubles == []
        browser.close()


def fingers(page, *steps):
    """Put fingers down, move them and lift them; a step is a list of places, CSS pixels."""
    hand = page.context.new_cdp_session(page)
    kinds = ["touchStart", *["touchMove"] * (len(steps) - 1)]
    for kind, places in zip(kinds, steps, strict=True):
        points = [{"x": x, "y": y, "id": n} for n, (x, y) in enumerate(places)]
        hand.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
    hand.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})


def middle_of(page, selector):
    area = page.locator(selector).bounding_box()
    return area["x"] + area["width"] / 2, area["y"] + area["height"] / 2


def test_two_fingers_zoom_and_one_pans(tablet, running):
    tablet.goto(running.server.link)
    drawn(tablet, 1)
    x, y = middle_of(tablet, ".stage")
    before = tablet.locator(".holder").bounding_box()
    # Fingers that go to three times their distance.
    fingers(tablet, *[[(x - d, y), (x + d, y)] for d in (30, 50, 70, 90)])
    wide = tablet.locator(".holder").bounding_box()
    assert wide["width"] / before["width"] == pytest.approx(3.0, rel=0.05)
    # What lies between the fingers stays there.
    u, v = x + 60, y - 50
    fingers(tablet, *[[(u - d, v), (u + d, v)] for d in (40, 50, 60)])
    after = tablet.locator(".holder").bounding_box()
    assert after["width"] / wide["width"] == pytest.approx(1.5, rel=0.05)
    across, down = (u - wide["x"]) / wide["width"], (v - wide["y"]) / wide["height"]
    assert after["x"] + across * after["width"] == pytest.approx(u, abs=3)
    assert after["y"] + down * after["height"] == pytest.approx(v, abs=3)
    fingers(tablet, [(x, y)], [(x + 10, y)], [(x + 60, y + 40)])
    moved = tablet.locator(".holder").bounding_box()
    assert moved["x"] - after["x"] == pytest.approx(60, abs=2)
    assert moved["y"] - after["y"] == pytest.approx(40, abs=2)
    fingers(tablet, [(x, y)])
    tablet.get_by_text("position angle").wait_for()  # a tap reads the place
    tablet.get_by_role("button", name="Fit the picture into its place").click()
    assert tablet.locator(".holder").bounding_box() == before

    tablet.get_by_role("link", name="Frames").click()
    x, y = middle_of(tablet, ".viewer")
    tablet.locator(".viewer[data-view]").wait_for()
    tablet.wait_for_timeout(300)

    def seen():
        tablet.wait_for_timeout(200)
        return [float(n) for n in tablet.locator(".viewer").get_attribute("data-view").split()]

    scale, left, top = seen()
    fingers(tablet, *[[(x - d, y), (x + d, y)] for d in (30, 60, 90)])
    assert seen()[0] / scale == pytest.approx(3.0, rel=0.05)
    before = seen()
    fingers(tablet, [(x, y)], [(x + 10, y)], [(x + 60, y + 40)])
    assert [b - a for a, b in zip(before, seen(), strict=True)] == pytest.approx([0, 60, 40], abs=2)
    tablet.get_by_role("button", name="Fit", exact=True).click()
    fingers(tablet, [(x, y)], [(x + 10, y)], [(x + 60, y + 40)])  # nothing to pan
    assert seen() == pytest.approx([scale, left, top], rel=1e-3)


def test_each_body_has_its_mark_and_can_be_hidden(tablet, running, own):
    workspace = Workspace(own.parent / "workspace")
    table = workspace.read_table(Workspace.frames)
    names = np.array(table["camera"], dtype="U40")
    names[::3] = "Testcam Two"
    table["camera"] = names
    workspace.write_table(Workspace.frames, table)
    rows = running.get("frames")["frames"]
    crescents = [r for r in rows if r["residual_s"] is not None and r["time"]]
    second = [r for r in crescents if r["camera"].startswith("Testcam Two")]
    assert 0 < len(second) < len(crescents)
    tablet.goto(f"{running.server.link}#clock")
    marks = tablet.locator(".chart .dot")
    marks.first.wait_for()
    assert marks.count() == len(crescents)
    shapes = set(marks.evaluate_all("all => all.map((mark) => mark.getAttribute('d'))"))
    assert len(shapes) == 2
    accessible(tablet, "clock of two bodies")
    tablet.get_by_label("Testcam Two").uncheck()
    assert marks.count() == len(crescents) - len(second)
    assert tablet.locator("tbody tr").count() == marks.count()
    tablet.get_by_label("Testcam One").uncheck()
    tablet.get_by_text("No body is selected").wait_for()
    assert marks.count() == 0
