"""How quick the page is, how much memory its server takes, and what hostile requests get.

    python -m tests.benchmarks.review FOLDER [--size 6000x4000] [--frames 1000] [--malformed 10000]

Makes a merge, thumbnails and a config in FOLDER (once; kept for the next time), starts `limbward
review` on it as a command, and drives the page in headless Chromium. Prints

- seconds from the command to the first picture on the page, when the folder is opened the first
  time and again, with the server's processor time;
- milliseconds from the input of a slider to the changed picture on the page, per slider, and of
  all: median and 95th percentile. While a slider moves the page may draw at half the size; `whole`
  is until the picture of full screen size is there. The server's processor time is for both, and
  the same however busy the machine is;
- milliseconds from a key to the next frame on the light table, and of the longest task that kept
  it from drawing while it was scrolled;
- the largest resident memory of the server (VmHWM);
- what malformed requests were answered, and whether the folder is as it was and the server alive;
- seconds of 'make it', and of `limbward run --from enhance`, and whether the bytes are the same.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import re
import shutil
import socket
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
from playwright.sync_api import Page, sync_playwright

SLIDERS = (
    "Sky", "Outer corona", "Inner corona", "Detail", "Saturation", "Earthshine", "Warmth",
    "Coverage",
)  # fmt: skip
MOVES = 12  # of each
MADE = ("composite.png", "composite.tif", "enhanced/fine.fits")


def percentiles(values: list[float]) -> str:
    return f"median {np.median(values):6.0f}  p95 {np.percentile(values, 95):6.0f} ms"


def start(config: Path) -> tuple[subprocess.Popen, str, float]:
    """Start the command; return it, its link and when it was started."""
    begun = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "limbward", "review", str(config), "--no-browser"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    line = process.stdout.readline()
    return process, re.search(r"http\S+", line)[0], begun


def drawn(page: Page, after: int = 0, seconds: float = 60.0) -> int:
    end = time.perf_counter() + seconds
    while time.perf_counter() < end:
        count = int(page.locator("main").get_attribute("data-drawn") or 0)
        if count > after:
            return count
        time.sleep(0.005)
    raise SystemExit("the picture was not drawn")


# In the page: what a person sees of a slider. Draws are counted in the attribute data-drawn.
MOVE = """([label, part]) => new Promise((done) => {
  const main = document.querySelector('main');
  const labels = [...document.querySelectorAll('.control label')];
  const find = labels.find((l) => l.textContent === label);
  const slider = document.getElementById(find.htmlFor);
  let first = 0;
  const begun = performance.now();
  const watch = new MutationObserver(() => requestAnimationFrame(() => {
    const now = performance.now() - begun;
    if (!first) {
      first = now;
      slider.dispatchEvent(new Event('change', { bubbles: true }));
    }
    clearTimeout(end);
    end = setTimeout(() => { watch.disconnect(); done([first, now]); }, 900);
  }));
  let end = setTimeout(() => { watch.disconnect(); done([NaN, NaN]); }, 20000);
  watch.observe(main, { attributes: true, attributeFilter: ['data-drawn'] });
  slider.value = part;
  slider.dispatchEvent(new Event('input', { bubbles: true }));
})"""

KEYS = """(count) => new Promise(async (done) => {
  const times = [];
  for (let k = 0; k < count; k += 1) {
    const begun = performance.now();
    document.activeElement.dispatchEvent(
      new KeyboardEvent('keydown', { key: 'ArrowRight', bubbles: true, cancelable: true }));
    await new Promise((next) => requestAnimationFrame(() => setTimeout(next, 0)));
    times.push(performance.now() - begun);
    await new Promise((next) => setTimeout(next, 30));
  }
  done(times);
})"""

SCROLL = """() => new Promise((done) => {
  const table = document.querySelector('.table');
  const gaps = [];
  let last = performance.now();
  let steps = 0;
  const frame = (now) => {
    gaps.push(now - last);
    last = now;
    table.scrollTop += 240;
    steps += 1;
    if (steps < 120) requestAnimationFrame(frame); else done(gaps.slice(2));
  };
  table.scrollTop = 0;
  requestAnimationFrame(frame);
})"""


def processor(pid: int, *, children: bool = False) -> float:
    """Return the seconds that a process has computed, or its children that have ended."""
    parts = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    at = 13 if children else 11
    return (int(parts[at]) + int(parts[at + 1])) / os.sysconf("SC_CLK_TCK")


def sliders(page: Page, pid: int) -> None:
    rng = np.random.default_rng(1)
    every, whole = [], []
    for label in SLIDERS:
        for warm in (True, False):
            begun = processor(pid)
            found = [
                page.evaluate(MOVE, [label, float(rng.uniform(0.2, 0.8))])
                for _ in range(2 if warm else MOVES)
            ]
        first, last = zip(*found, strict=True)
        every += first
        whole += last
        each = 1000.0 * (processor(pid) - begun) / MOVES
        print(
            f"  {label:16s} {percentiles(list(first))}   whole {percentiles(list(last))}"
            f"   {each:4.0f} ms of processor time each"
        )
    print(f"  {'all':16s} {percentiles(every)}   whole {percentiles(whole)}")


def light_table(page: Page, base: str) -> None:
    page.goto(f"{base}#frames")
    page.locator(".frame").first.wait_for()
    page.locator(".frame[aria-selected=true]").focus()
    print(f"light table of {page.locator('.frame').count()} frames")
    times = page.evaluate(KEYS, 60)
    print(f"  key to key       {percentiles(times)}  longest {max(times):.0f} ms")
    gaps = page.evaluate(SCROLL)
    print(f"  between frames   {percentiles(gaps)}  longest {max(gaps):.0f} ms while scrolling")


def memory(pid: int) -> float:
    text = Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
    return int(re.search(r"VmHWM:\s+(\d+)", text)[1]) / 1e6


def digests(folder: Path) -> dict[str, str]:
    return {
        str(p): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


def malformed(port: int, count: int) -> dict[str, int]:
    """Send requests made of pieces of good ones and of noise; count the kinds of answers."""
    rng = np.random.default_rng(2)
    good = b"POST /open?key=x HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\n"
    answers: dict[str, int] = {}
    for n in range(count):
        data = bytearray(good + b"Content-Length: 2\r\n\r\n{}")
        if n % 3:
            for at in rng.integers(0, len(data), int(rng.integers(1, 40))):
                data[at] = int(rng.integers(0, 256))
        if n % 5 == 0:
            data = data[: int(rng.integers(1, len(data)))]
        if n % 7 == 0:
            data = bytearray(rng.bytes(int(rng.integers(1, 5000))))
        with socket.create_connection(("127.0.0.1", port), timeout=20) as link:
            try:
                link.sendall(bytes(data))
                link.shutdown(socket.SHUT_WR)
                told = link.recv(64)[9:12].decode("latin-1") or "closed"
            except OSError:
                told = "reset"
        answers[told] = answers.get(told, 0) + 1
    return answers


def made(page: Page, config: Path, pid: int) -> None:
    """Time 'make it' against the command, which goes first and finds compiled kernels or not."""
    workspace = config.parent / "workspace"

    def digests_of_made() -> list[str]:
        return [hashlib.sha256((workspace / name).read_bytes()).hexdigest() for name in MADE]

    run = [sys.executable, "-m", "limbward", "run", str(config), "--from", "enhance", "--quiet"]
    before, begun = os.times(), time.perf_counter()
    subprocess.run(run, check=True, stdout=subprocess.DEVNULL)
    by_command, after = time.perf_counter() - begun, os.times()
    computed = after[2] + after[3] - before[2] - before[3]
    by_then = digests_of_made()
    for name in ("enhance", "compose", "report"):
        (workspace / "state" / f"{name}.json").unlink(missing_ok=True)
    ended, begun = processor(pid, children=True), time.perf_counter()
    page.get_by_role("button", name="Make it").click()
    page.get_by_text("The picture is made").wait_for(timeout=600_000)
    by_page, ended = time.perf_counter() - begun, processor(pid, children=True) - ended
    print(f"run --from enhance {by_command:.1f} s, {computed:.1f} s computed")
    print(f"'make it' {by_page:.1f} s, {ended:.1f} s computed")
    print(f"  same bytes: {by_then == digests_of_made()}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--size", default="6000x4000")
    parser.add_argument("--frames", type=int, default=1000)
    parser.add_argument("--malformed", type=int, default=10_000)
    given = parser.parse_args()
    config = given.folder / "limbward.yaml"
    if not config.exists():
        given.folder.mkdir(parents=True, exist_ok=True)
        width, height = map(int, given.size.split("x"))
        subprocess.run(  # in a process of its own, whose memory is not the server's
            [sys.executable, "-c", "import sys; from pathlib import Path; "
             "from tests.review.made import write_workspace; "
             f"write_workspace(Path(sys.argv[1]), {width}, {height}, {given.frames})",
             str(given.folder)], check=True,
        )  # fmt: skip
    else:  # the code may have changed since: 'make it' is to begin at the filters all the same
        subprocess.run(
            [sys.executable, "-c", "import sys; from pathlib import Path; "
             "from tests.review.made import as_if_run; as_if_run(Path(sys.argv[1]))",
             str(config)], check=True,
        )  # fmt: skip
    chromium = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))))
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        (config.parent / "workspace" / "state" / "screen.npz").unlink(missing_ok=True)
        for when in ("first", "again"):
            process, link, begun = start(config)
            page = browser.new_page(viewport={"width": 1920, "height": 1080})
            page.goto(link)
            drawn(page)
            took, computed = time.perf_counter() - begun, processor(process.pid)
            print(f"command to first picture, {when}: {took:.1f} s, {computed:.1f} s computed")
            if when == "first":
                drawn(page, 1)
                page.close()
                process.send_signal(2)
                process.wait(20)
        try:
            drawn(page, 1)
            print("slider to picture")
            sliders(page, process.pid)
            base = page.url.split("#")[0]
            light_table(page, base)
            made(page, config, process.pid)
            print(f"server's memory {memory(process.pid):.2f} GB at most")
            before = digests(given.folder)
            port = int(re.search(r":(\d+)/", link)[1])
            print(f"malformed requests {malformed(port, given.malformed)}")
            alive = process.poll() is None and page.reload().ok
            print(f"  alive {alive}, nothing changed {digests(given.folder) == before}")
            process.send_signal(2)
            print(f"Ctrl-C: exit status {process.wait(20)}")
        finally:
            if process.poll() is None:
                process.kill()
            browser.close()


if __name__ == "__main__":
    main()
