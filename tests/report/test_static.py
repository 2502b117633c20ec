"""The still drawing of a chart shows what the chart holds."""

import math
import re

import pytest

from limbward.report.chart import Axis, Chart, Outline, Series
from limbward.report.static import plot

NAN = math.nan


def marked(**more):
    """Three frames by exposure, one of them hollow; the last lies outside the bounds."""
    return Chart(
        "Three frames.",
        Axis("exposure", 0.0005, 2.0, "exposure"),
        Axis("residual, s", -1.0, 1.0),
        [0.001, 0.01, 1.0],
        [
            Series("merged & kept", "totality", [0.5, NAN, NAN], mark="s"),
            Series("left out", "totality", [NAN, -0.5, NAN], mark="Hs"),
            Series("", "partial", [NAN, NAN, 0.25]),
        ],
        ["first <one>", "second", "third"],
        [4, 7, 9],
        **more,
    )


def test_every_mark_links_to_its_frame_and_tells_its_text():
    svg = plot([marked()], "a", "Alternative words.").svg
    assert sorted(re.findall(r'href="(#frame-\d+)"', svg)) == ["#frame-4", "#frame-7", "#frame-9"]
    assert re.findall(r"<title>(.*?)</title>", svg) == ["first &lt;one&gt;", "second", "third"]
    assert 'aria-label="Alternative words."' in svg


def test_what_is_named_is_in_the_key_once():
    drawn = plot([marked(), marked()], "a", "Alternative words.")
    texts = re.findall(r"<text[^>]*>(.*?)</text>", drawn.svg)
    assert texts.count("merged &amp; kept") == texts.count("left out") == 1
    assert texts.count("exposure") == 1  # charts with the same x share its label
    assert len(drawn.charts) == 2


def test_hollow_marks_are_not_filled():
    svg = plot([marked()], "a", "Alternative words.").svg
    fills = {
        m[1]: re.search(r'fill="([^"]+)"', m[2])[1]
        for m in re.finditer(r'<a [^>]*href="#frame-(\d+)"[^>]*>(.*?)</a>', svg, re.S)
    }
    assert fills == {"4": "var(--totality)", "7": "none", "9": "var(--partial)"}


@pytest.mark.parametrize(
    ("draw", "told"),
    [("dashes", "stroke-dasharray"), ("dots", "stroke-dasharray"), ("bar", 'stroke-width="9"')],
)
def test_lines_look_as_asked(draw, told):
    def drawn(kind):
        series = [Series("", "accent", [1.0, 2.0], kind)]
        chart = Chart("", Axis("x", 0, 1), Axis("y", 0, 3), [0.0, 1.0], series, ["", ""])
        return plot([chart], "a", "Alternative words.").svg

    assert told in drawn(draw)
    assert told not in drawn("line")


def test_rules_shades_outlines_and_headings_are_drawn():
    bare = plot([marked()], "a", "Alternative words.").svg
    more = marked(
        rules=[(0.01, "C2"), (1.5, "C3"), (9.0, "C4")],
        shades=[(0.01, 1.5)],
        outlines=[Outline([(0.01, 0.0), (0.1, 0.5), (0.1, 0.0)], "contact", "second")],
        heading="What it is",
    )
    full = plot([more], "a", "Alternative words.").svg
    for words in (">C2<", ">C3<", "What it is", "var(--contact)", "var(--second)", "var(--panel)"):
        assert words in full
        assert words not in bare
    assert ">C4<" not in full  # beyond the bounds


def test_exposures_and_times_are_written_as_people_do():
    day = 86400.0 * 20000
    chart = Chart(
        "",
        Axis("UTC", 0.0, 60.0, "time", begin=day + 7200.0),
        Axis("exposure", 1 / 1000, 1.0, "exposure"),
        [10.0],
        [Series("", "partial", [0.1])],
        ["x"],
        [0],
        height=600,
    )
    svg = plot([chart], "a", "Alternative words.").svg
    assert ">02:00:30<" in svg
    assert ">1/60 s<" in svg


def test_units_are_equal_where_asked():
    """A circle of 100 units comes out as wide as high, within a hundredth."""
    turns = [2 * math.pi * i / 180 for i in range(181)]
    ring = Outline([(100 * math.cos(t), 100 * math.sin(t)) for t in turns], "contact")
    chart = Chart(
        "", Axis("x", -150, 150), Axis("y", -110, 110, down=True), [0.0],
        [Series("", "partial", [0.0])], ["x"], [0], outlines=[ring], equal=True,
    )  # fmt: skip
    svg = plot([chart], "a", "Alternative words.").svg
    path = next(
        m[1] for m in re.finditer(r'<path d="([^"]+)"([^>]*)>', svg) if "var(--contact)" in m[2]
    )
    numbers = [float(v) for v in re.findall(r"-?\d+\.?\d*", path)]
    x, y = numbers[::2], numbers[1::2]
    assert max(x) - min(x) == pytest.approx(max(y) - min(y), rel=0.01)
