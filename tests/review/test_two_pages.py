"""Two pages of one config at once: the later one is told, and nothing is lost."""

from __future__ import annotations

import pytest

from tests.review.test_journey import CHROMIUM, drawn, saved, sync_api


@pytest.fixture
def pair(running):
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        one = browser.new_page()
        one.goto(running.server.link)
        two = browser.new_page()
        two.goto(one.url)
        for page in (one, two):
            page.set_default_timeout(30_000)
            drawn(page, 1)
        yield one, two
        browser.close()


def put(page, label, value):
    page.get_by_label(f"{label}, as a number").fill(value)
    page.keyboard.press("Enter")


def test_changes_of_two_pages_are_joined(pair, own):
    one, two = pair
    comments = own.read_text().count("#")
    two.route("**/api/state", lambda route: None)  # no answer: it cannot know what the first does
    put(one, "Sky", "0.07")
    saved(one, own, lambda c: c.compose.sky_lightness == 0.07)
    put(two, "Saturation", "1.7")
    two.get_by_role("button", name="Add my changes to it").click()
    config = saved(two, own, lambda c: c.compose.saturation == 1.7)
    assert config.compose.sky_lightness == 0.07
    assert own.read_text().count("#") == comments
    assert two.get_by_label("Sky, as a number").input_value() == "0.07"
    one.get_by_text("the page shows it as it is now").wait_for()
    assert one.get_by_label("Saturation, as a number").input_value() == "1.7"
