"""Progress is told in the way the reader can take it in."""

from __future__ import annotations

import io
from concurrent.futures import ThreadPoolExecutor

import pytest

from limbward.cli.progress import (
    BarReporter,
    LineReporter,
    QuietReporter,
    SilentReporter,
    make_reporter,
)


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.fixture(autouse=True)
def plain_environment(monkeypatch):
    for name in ("NO_COLOR", "FORCE_COLOR", "TTY_COMPATIBLE", "TTY_INTERACTIVE", "CLICOLOR_FORCE"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("TERM", "xterm-256color")


def test_the_reporter_fits_the_stream(monkeypatch):
    assert isinstance(make_reporter(stream=io.StringIO()), LineReporter)
    assert isinstance(make_reporter(stream=Terminal()), BarReporter)
    assert isinstance(make_reporter(stream=Terminal(), quiet=True), QuietReporter)
    monkeypatch.setenv("TERM", "dumb")
    assert isinstance(make_reporter(stream=Terminal()), LineReporter)


def test_lines_come_at_the_start_every_tenth_and_at_the_end():
    now = 0.0
    stream = io.StringIO()
    reporter = LineReporter(stream, clock=lambda: now)
    reporter.stage("merge")
    with reporter.progress(200, "frames") as advance:
        now = 10.0
        for _ in range(200):
            advance()
    lines = stream.getvalue().splitlines()
    assert lines[:2] == ["merge:", "  frames: 200 to do"]
    assert lines[2:-1] == [f"  frames: {n} of 200" for n in (1, *range(21, 200, 20))]
    assert lines[-1] == "  frames: 200 of 200 done in 10.0 s"


def test_short_work_has_a_start_and_an_end():
    now = 0.0
    stream = io.StringIO()
    reporter = LineReporter(stream, clock=lambda: now)
    with reporter.progress(4, "composing") as advance:
        for _ in range(4):
            now += 1.2
            advance()
    assert stream.getvalue().splitlines() == [
        "  composing: 4 to do",
        "  composing: 4 of 4 done in 4.8 s",
    ]


def test_slow_work_says_something_every_five_seconds():
    now = 0.0
    stream = io.StringIO()
    reporter = LineReporter(stream, clock=lambda: now)
    with reporter.progress(1000, "frames") as advance:
        for _ in range(20):
            now += 1.0
            advance()
    said = stream.getvalue().splitlines()
    assert said[1:-1] == [f"  frames: {n} of 1000" for n in (5, 10, 15, 20)]
    assert said[-1] == "  frames: 20 of 1000 done in 20.0 s"


def test_no_work_and_unknown_work():
    stream = io.StringIO()
    reporter = LineReporter(stream, clock=lambda: 0.0)
    with reporter.progress(0, "frames"):
        pass
    with reporter.progress(None, "compiling") as advance:
        advance()
    assert stream.getvalue().splitlines() == [
        "  frames: 0 to do",
        "  frames: 0 of 0 done in 0.0 s",
        "  compiling ...",
        "  compiling: done in 0.0 s",
    ]


def test_advances_from_many_threads_all_count():
    stream = io.StringIO()
    reporter = LineReporter(stream)
    with reporter.progress(4000, "x") as advance, ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda _: advance(), range(4000)))
    assert "4000 of 4000 done" in stream.getvalue()


def bars(stream: Terminal) -> str:
    reporter = BarReporter(stream)
    reporter.stage("merge")
    reporter.warn("[b]raw[/b] text")
    with reporter.progress(3, "frames [1]") as advance:
        advance()
        reporter.note("between")
        advance(2)
    with reporter.progress(None, "compiling"):
        pass
    return stream.getvalue()


def test_bars_show_label_count_and_text_as_it_is():
    shown = bars(Terminal())
    for text in ("merge", "frames [1]", "3/3", "between", "compiling", "[b]raw[/b] text"):
        assert text in shown
    assert "\x1b[33m" in shown  # the warning's yellow


def test_no_color_is_respected(monkeypatch):
    monkeypatch.setenv("NO_COLOR", "1")
    shown = bars(Terminal())
    assert "frames [1]" in shown
    for code in (*range(30, 38), *range(90, 98)):
        assert f"\x1b[{code}m" not in shown
    assert "38;5;" not in shown
    assert "38;2;" not in shown


def test_a_failure_inside_a_bar_leaves_the_terminal_usable():
    stream = Terminal()
    reporter = BarReporter(stream)
    with pytest.raises(RuntimeError), reporter.progress(3, "frames"):
        raise RuntimeError
    assert stream.getvalue().rfind("\x1b[?25h") > stream.getvalue().rfind("\x1b[?25l")  # cursor
    with reporter.progress(1, "again") as advance:
        advance()
    assert "again" in stream.getvalue()


def test_quiet_keeps_warnings_and_silent_collects_them():
    stream = io.StringIO()
    quiet = QuietReporter(stream)
    silent = SilentReporter()
    for reporter in (quiet, silent):
        reporter.stage("merge")
        reporter.note("nothing")
        reporter.warn("clouds")
        with reporter.progress(3, "frames") as advance:
            advance()
    assert stream.getvalue() == "warning: clouds\n"
    assert silent.warnings == ["clouds"]
