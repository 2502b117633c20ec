"""The page as a person uses it, in headless Chromium: from the first look to the exported file."""

from __future__ import annotations

import base64
import io
import shutil

import numpy as np
import pytest
from PIL import Image

from limbward.config.loading import load_config
from limbward.work.reporting import SilentReporter

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
if CHROMIUM is None:
    pytest.skip("there is no Chromium; 'apt install chromium' brings it", allow_module_level=True)
sync_api = pytest.importorskip("playwright.sync_api")
axe = pytest.importorskip("axe_playwright_python.sync_playwright")

MAKING_MS = 400_000  # a machine that does other things too


@pytest.fixture
def page(running):
    with sync_api.sync_playwright() as playwright:
        # Without a sandbox, since tests may run as root; the page is our own.
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        opened = browser.new_page(viewport={"width": 1280, "height": 800}, color_scheme="dark")
        opened.troubles = []
        opened.asked = []
        opened.on("pageerror", lambda error: opened.troubles.append(str(error)))
        opened.on(
            "console",
            lambda m: opened.troubles.append(m.text) if m.type in ("error", "warning") else None,
        )
        opened.on("request", lambda request: opened.asked.append(request.url))
        opened.set_default_timeout(30_000)
        yield opened
        browser.close()


def saved(page, config, says):
    """Wait until the config says something."""
    for _ in range(100):
        if says(load_config(config)):
            return load_config(config)
        page.wait_for_timeout(100)
    raise AssertionError(config.read_text())


def drawn(page, after=0):
    """Wait until the picture has been drawn anew; return how often it was."""
    for _ in range(300):
        count = int(page.locator("main").get_attribute("data-drawn") or 0)
        if count > after:
            return count
        page.wait_for_timeout(100)
    raise AssertionError("the picture was not drawn")


def accessible(page, where):
    # A notice fades in for 0.16 s, with less contrast meanwhile: it is judged as it stays.
    page.evaluate("Promise.allSettled(document.getAnimations().map((a) => a.finished))")
    # axe-core is injected, which the page's own policy would forbid to a script of another origin.
    violations = axe.Axe().run(page).response["violations"]
    assert [(v["id"], [n["html"] for n in v["nodes"]][:3]) for v in violations] == [], where


def as_shown(page, finished):
    """The picture on the page, turned and cropped by the browser, is the one that was made."""
    read = "document.querySelector('canvas.shown').toDataURL('image/png')"
    shown = Image.open(io.BytesIO(base64.b64decode(page.evaluate(read).partition(",")[2])))
    with Image.open(finished) as image:
        assert shown.size == image.size
        made = np.asarray(image.convert("L"), float)
    grey = np.asarray(shown.convert("L"), float)
    off = np.abs(grey - made).mean()
    assert off < 2.0  # of 255: JPEG, and another interpolation
    # The corona has seven streamers, so any other way round is far worse.
    for other in (grey[::-1], grey[:, ::-1], grey[::-1, ::-1]):
        assert np.abs(other - made).mean() > 4.0 * off


def test_from_the_first_look_to_the_exported_picture(page, running, own):
    page.goto(running.server.link)
    count = drawn(page)

    # A slider by the keyboard; the picture follows, then the config.
    page.get_by_label("Sky", exact=True).focus()
    page.keyboard.press("ArrowRight")
    count = drawn(page, count)
    config = saved(page, own, lambda c: c.compose.sky_lightness > 0.05)
    page.keyboard.press("Control+z")
    saved(page, own, lambda c: c.compose.sky_lightness == 0.05)
    page.keyboard.press("Control+Shift+z")
    saved(page, own, lambda c: c.compose.sky_lightness == config.compose.sky_lightness)

    # The zenith up, another filter, a version kept, a crop of 3 : 2.
    page.get_by_label("Up", exact=True).select_option("zenith")
    page.get_by_label("Add a filter to the chain").select_option("tangential_unsharp")
    page.get_by_label("Name of this version").fill("with streamers")
    page.get_by_role("button", name="Keep this version").click()
    config = saved(page, own, lambda c: bool(c.variants))
    assert [s.filter for s in config.enhance[0].steps] == ["nrgf", "tangential_unsharp"]
    assert config.variants[0].compose.up == "zenith"
    page.get_by_label("Split with", exact=True).select_option("structure")
    page.get_by_role("button", name="Crop", exact=True).click()
    page.get_by_label("Sides").select_option("3:2")
    crop = saved(page, own, lambda c: c.compose.crop is not None).compose.crop
    assert (crop.left + crop.right) / (crop.top + crop.bottom) == pytest.approx(1.5, abs=0.01)
    page.get_by_role("button", name="Done").click()
    accessible(page, "picture")
    page.get_by_role("button", name="Switch to light colours").click()
    accessible(page, "picture, light")

    # An edit by hand meanwhile: the page takes it over and says so.
    own.write_text(own.read_text().replace("0.16", "0.22"))
    page.get_by_text("The config was changed elsewhere").wait_for()
    assert page.get_by_label("Detail, as a number").input_value() == "0.22"

    # Frames, by the keyboard alone.
    page.get_by_role("link", name="Frames").click()
    table = page.get_by_role("listbox", name="Frames", exact=True)
    table.get_by_role("option", selected=True).focus()
    page.keyboard.press("ArrowRight")
    name = page.locator(".info h2").inner_text()
    page.keyboard.press("d")
    page.get_by_text("You drop it").wait_for()
    (rule,) = saved(page, own, lambda c: bool(c.frames)).frames
    assert rule.files[0].endswith(name)
    page.keyboard.press("c")
    page.get_by_text("Compared with").wait_for()
    accessible(page, "frames")
    page.keyboard.press("c")
    page.keyboard.press("a")
    saved(page, own, lambda c: not c.frames)

    # The clock: a frame is left out and taken back in.
    page.get_by_role("link", name="Clock").click()
    page.get_by_role("button", name="Leave out").first.click()
    saved(page, own, lambda c: bool(c.frames))
    page.get_by_role("button", name="Take back in").first.click()
    saved(page, own, lambda c: not c.frames)
    accessible(page, "clock")

    # Made, and exported.
    page.get_by_role("link", name="Exports").click()
    page.get_by_role("button", name="Make it").click()
    page.get_by_text("The picture is made").wait_for(timeout=MAKING_MS)
    accessible(page, "exports")
    workspace = own.parent / "workspace"
    with Image.open(workspace / "composite.png") as image:
        assert image.width / image.height == pytest.approx(1.5, abs=0.02)
    count = drawn(page)
    page.get_by_role("link", name="Picture").click()
    drawn(page, count + 1)  # a draft comes first
    as_shown(page, workspace / "composite.png")
    page.get_by_role("link", name="Exports").click()
    page.get_by_role("button", name="Export", exact=True).click()
    page.get_by_role("link", name="composite-web.jpg").wait_for(timeout=MAKING_MS)
    with Image.open(workspace / "exports" / "composite-web.jpg") as image:
        assert image.format == "JPEG"

    # Nothing came from elsewhere, nothing went wrong; the page ends the server.
    assert all(u.startswith((f"http://{running.host}/", "blob:")) for u in page.asked)
    page.get_by_role("button", name="End the server").click()
    page.get_by_text("The server has ended").wait_for()
    assert page.troubles == []


def test_the_same_bytes_without_the_page(running, own):
    """What 'make it' renders is what `limbward run` renders from the same config."""
    from limbward.runs.runner import run_stages
    from limbward.workspace import Workspace

    assert running.post("make", {})[0] == 200
    making = running.server.desk.making
    making._process.wait(120)
    workspace = own.parent / "workspace"
    names = ("composite.png", "composite.tif", "enhanced/fine.fits", "pictures/tone.json")
    by_page = [(workspace / name).read_bytes() for name in names]
    run_stages(load_config(own), Workspace(workspace), SilentReporter(), first="enhance")
    assert [(workspace / name).read_bytes() for name in names] == by_page


def test_a_run_is_cancelled(running, own):
    assert running.post("make", {})[0] == 200
    assert running.post("make", {})[0] == 400  # one at a time
    status, told = running.post("cancel", {})
    assert (status, told["state"]) == (200, "cancelled")
    assert running.server.desk.making._process.poll() is not None
    assert not list((own.parent / "workspace").glob(".writing-*"))
