"""The section on the cameras of a merge of several, side by side."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from limbward.report.chart import Axis, Chart, Outline, Series
from limbward.report.material import Instrument
from limbward.report.section import Plot, Section
from limbward.report.static import plot
from limbward.report.wording import counted

COLOURS = ("accent", "partial", "contact", "flat", "dark", "bias")
SUN_DEG = 0.2666  # mean radius of the Sun; the drawing needs no better


def instrument_rows(instruments: Sequence[Instrument]) -> list[list[str]]:
    """Return the cells of a table: a row for each camera that was merged."""
    return [
        [
            one.name,
            str(one.frames),
            f"{one.exposure_s:.3g} s",
            f"{one.pixel_scale_arcsec:.3f}″",
            f"{one.field_deg[0]:.2f}° × {one.field_deg[1]:.2f}°",
            " / ".join(f"{g:.3f}" for g in one.gain),
            f"{100 * one.distortion:+.2f} %" if one.distortion else "none shows",
            f"{100 * one.share_within(0.0, 3.0):.0f} %",
            f"{100 * one.share_within(3.0, math.inf):.0f} %" if one.reaches > 3.0 else "",
        ]
        for one in instruments
        if one.merged
    ]


def instrument_section(instruments: Sequence[Instrument]) -> Section | None:
    """Return what each camera gave, None if there is only one."""
    if not instruments:
        return None
    merged = [one for one in instruments if one.merged]
    sentences = [
        f"{counted(len(merged), 'camera')} are in the corona. Fine detail comes from the camera "
        "that sees it sharpest; at the scales that several hold, the light of each counts by its "
        "noise. Gains are those by which a camera's red, green and blue were multiplied to match "
        f"{merged[0].name}."
    ]
    sentences += [f"{one.name} is not in it: {one.note}." for one in instruments if not one.merged]
    return Section(sentences, [_fields(merged), *_shares(merged)])


def _fields(merged: Sequence[Instrument]) -> Plot:
    outlines, at, names = [], [], []
    turns = np.linspace(0.0, 2.0 * np.pi, 73)
    sun = zip((SUN_DEG * np.cos(turns)).tolist(), (SUN_DEG * np.sin(turns)).tolist(), strict=True)
    outlines.append(Outline(list(sun), "soft", "panel"))
    for k, one in enumerate(merged):
        up = math.radians(one.up_position_angle)
        w, h = one.field_deg[0] / 2, one.field_deg[1] / 2
        corners = [(-w, -h), (w, -h), (w, h), (-w, h), (-w, -h)]
        # North is up and east to the left: upwards in the camera lies at its position angle.
        turned = [
            (x * math.cos(up) - y * math.sin(up), x * math.sin(up) + y * math.cos(up))
            for x, y in corners
        ]
        outlines.append(Outline(turned, COLOURS[k % len(COLOURS)]))
        at.append(turned[2])
        names.append(one.name)
    reach = 1.06 * max(abs(v) for o in outlines for p in o.points for v in p)
    order = sorted(range(len(at)), key=lambda k: at[k][0])
    series = [
        Series(
            names[k],
            COLOURS[k % len(COLOURS)],
            [at[j][1] if j == k else math.nan for j in order],
        )
        for k in range(len(names))
    ]
    texts = [
        f"{names[k]}: {merged[k].field_deg[0]:.2f}° × {merged[k].field_deg[1]:.2f}°, "
        f"{merged[k].pixel_scale_arcsec:.3f} arcsec per pixel"
        for k in order
    ]
    alt = "Fields of the cameras around the Sun, north up: " + "; ".join(texts) + "."
    chart = Chart(
        alt,
        Axis("degrees, east to the left", -reach, reach),
        Axis("degrees, north up", -reach, reach),
        [at[k][0] for k in order],
        series,
        texts,
        outlines=outlines,
        equal=True,
        height=420,
    )
    return plot([chart], "fields", alt, "Fields of the cameras around the Sun, north up.")


def _shares(merged: Sequence[Instrument]) -> list[Plot]:
    edges = merged[0].edges
    middles = 0.5 * (edges[1:] + edges[:-1])
    x = Axis("solar radii from the Sun's centre", float(edges[0]), float(edges[-1]))
    drawn = []
    for what, caption in (
        ("share", "Part of the light at coarse scales that each camera gave, by distance."),
        ("covered", "Part of each ring around the Sun that each camera saw."),
    ):
        values = [getattr(one, what) for one in merged]
        series = [
            Series(one.name, COLOURS[k % len(COLOURS)], (100 * v).tolist(), "line")
            for k, (one, v) in enumerate(zip(merged, values, strict=True))
        ]
        texts = [
            f"{r:.2f} solar radii: "
            + ", ".join(f"{o.name} {100 * v[n]:.0f} %" for o, v in zip(merged, values, strict=True))
            for n, r in enumerate(middles)
        ]
        alt = f"{caption} At {texts[0]}; at {texts[-1]}."
        chart = Chart(alt, x, Axis("%", 0.0, 105.0), middles.tolist(), series, texts)
        drawn.append(plot([chart], f"instruments-{what}", alt, caption))
    return drawn
