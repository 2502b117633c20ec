"""The report's plots as charts, which are drawn for print and on the page alike."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from limbward.geometry.law import mean_corona
from limbward.report.chart import Axis, Chart, Outline, Series
from limbward.report.coverage import frames_at, reach_labels, reach_spans, thin_places
from limbward.report.material import (
    PHASES,
    ContactLimb,
    Coverage,
    Floats,
    Frame,
    MoonLimb,
    Numbered,
)
from limbward.report.profile import MeanCorona, Profile
from limbward.report.timeline import describe
from limbward.report.wording import counted, parse_utc, time_text

MARKS = {
    "partial": "o",
    "contact": "D",
    "totality": "s",
    "dark": "v",
    "flat": "^",
    "bias": "<",
    "other": "P",
    "unreadable": "X",
}
NAMES_PX, LETTER_PX = 108, 7  # room for "1/2000 s × 12"; what each letter more of a name takes
RADII = "distance from the Sun's centre, solar radii"


def _seconds(time: datetime | None, begin: datetime) -> float:
    return math.nan if time is None else (time - begin).total_seconds()


def _marks(
    frames: Numbered,
    x: Callable[[Frame], float],
    y: Callable[[Frame], float],
    text: Callable[[Frame], str],
    hollow: bool = False,
) -> tuple[list[float], list[Series], list[str], list[int]]:
    """Return points of frames by x, a series for each phase, texts and numbers.

    ``hollow`` sets totality that was not merged apart.
    """
    order = sorted(frames, key=lambda i: x(frames[i]))
    series = []
    # What matters most is drawn last: the JPEG of a pair lies under its RAW.
    for phase in sorted(PHASES, key=lambda p: (p != "other", p == "unreadable")):
        for merged in (True, False) if hollow and phase == "totality" else (None,):
            values = [
                y(f) if f.phase == phase and merged in (None, f.used) else math.nan
                for f in (frames[i] for i in order)
            ]
            if any(map(math.isfinite, values)):
                name = phase if merged is None else f"{phase}, {'' if merged else 'not '}merged"
                mark = ("H" if merged is False else "") + MARKS[phase]
                series.append(Series(name, phase, values, mark=mark))
    return [x(frames[i]) for i in order], series, [text(frames[i]) for i in order], order


def timeline_charts(
    frames: Numbered,
    times: Mapping[str, datetime],
    span: tuple[datetime, datetime],
    title: str,
) -> list[Chart]:
    """Return the frames of a span by time and exposure, a chart for each camera."""
    begin = span[0]
    cameras = sorted({f.camera for f in frames.values()})
    merging = any(f.used for f in frames.values())
    shades = [(_seconds(times["C2"], begin), _seconds(times["C3"], begin))] if "C2" in times else []
    charts = []
    for camera in cameras:
        mine = {i: f for i, f in frames.items() if f.camera == camera}
        exposures = [f.exposure_s for f in mine.values()]
        at, series, texts, order = _marks(
            mine,
            lambda f: _seconds(f.time, begin),
            lambda f: f.exposure_s,
            _tell,
            hollow=merging,
        )
        charts.append(
            Chart(
                title=title if len(cameras) == 1 else f"{camera}: {title}",
                heading=camera if len(cameras) > 1 else "",
                x=_time_axis(begin, span[1]),
                y=Axis("exposure", min(exposures) / 2.5, max(exposures) * 2.5, "exposure"),
                at=at,
                series=series,
                texts=texts,
                frames=order,
                rules=[(_seconds(t, begin), name) for name, t in times.items()],
                shades=shades,
            )
        )
    return charts


def _time_axis(begin: datetime, end: datetime) -> Axis:
    stamp = begin.replace(tzinfo=UTC).timestamp()
    return Axis("UTC", 0.0, (end - begin).total_seconds(), "time", begin=stamp)


def _tell(frame: Frame) -> str:
    """Return all that a chart has room to say of a frame."""
    merged = ", in the merge" if frame.used else ""
    return f"{describe(frame)}{merged}{f'. {frame.note}' if frame.note else ''}"


def _times_of(frames: Numbered) -> tuple[datetime, datetime]:
    times = [f.time for f in frames.values() if f.time]
    margin = max(timedelta(seconds=5), 0.03 * (max(times) - min(times)))
    return min(times) - margin, max(times) + margin


def residual_chart(frames: Numbered, title: str) -> Chart:
    """Return how late the clock read, by time; ``frames`` are those that tell."""
    begin, end = _times_of(frames)
    top = max(0.2, 1.25 * max(abs(f.clock_residual_s) for f in frames.values()))
    at, series, texts, order = _marks(
        frames,
        lambda f: _seconds(f.time, begin),
        lambda f: f.clock_residual_s,
        lambda f: f"{describe(f)}, {f.clock_residual_s:+.2f} s",
    )
    x, y = _time_axis(begin, end), Axis("residual, s", -top, top)
    return Chart(title, x, y, at, series, texts, order, height=260)


def relative_chart(frames: Numbered, title: str) -> Chart:
    """Return by how much exposures differ from what the camera says, by time."""
    begin, end = _times_of(frames)
    values = [100.0 * (f.relative_exposure - 1.0) for f in frames.values()]
    low, high = min(values), max(values)
    margin = max(0.5, 0.15 * (high - low))
    at, series, texts, order = _marks(
        frames,
        lambda f: _seconds(f.time, begin),
        lambda f: 100.0 * (f.relative_exposure - 1.0),
        lambda f: f"{describe(f)}, {100.0 * (f.relative_exposure - 1.0):+.2f} %",
    )
    x = _time_axis(begin, end)
    y = Axis("relative to nominal exposure, %", low - margin, high + margin)
    return Chart(title, x, y, at, series, texts, order, height=260)


def sun_chart(frames: Numbered, title: str) -> Chart:
    """Return where the Sun's centre was; ``frames`` are those in which it was found."""
    at, series, texts, order = _marks(
        frames,
        lambda f: f.sun_x,
        lambda f: f.sun_y,
        lambda f: f"{describe(f)}; {f.sun_x:.2f}, {f.sun_y:.2f} px",
    )
    by_time = sorted(frames.values(), key=lambda f: (f.time is None, f.time or datetime.min))
    outlines = [Outline([(f.sun_x, f.sun_y) for f in by_time])]
    sides = {}
    for name, values in (("x", at), ("y", [f.sun_y for f in frames.values()])):
        margin = 0.08 * (max(values) - min(values)) + 0.5
        low, high = min(values) - margin, max(values) + margin
        sides[name] = Axis(f"{name}, px", low, high, down=name == "y")
    return Chart(
        title,
        sides["x"],
        sides["y"],
        at,
        series,
        texts,
        order,
        outlines=outlines,
        equal=True,
        height=380,
    )


def path_chart(frames: Numbered, title: str) -> Chart:
    """Return where the centres of Sun and Moon were on the sensor, whose edge is drawn."""
    marks = [
        (getattr(f, f"{body}_x"), getattr(f, f"{body}_y"), body.title(), i)
        for i, f in frames.items()
        for body in ("moon", "sun")
    ]
    marks = sorted(mark for mark in marks if math.isfinite(mark[0]))
    outlines = []
    for w, h in sorted({(f.width, f.height) for f in frames.values() if f.width > 0 < f.height}):
        left, right, top, bottom = -0.5, w - 0.5, -0.5, h - 0.5
        corners = [(left, top), (right, top), (right, bottom), (left, bottom), (left, top)]
        outlines.append(Outline(corners, "soft"))
    discs = [f for f in frames.values() if math.isfinite(f.sun_x) and f.sun_radius > 0]
    if discs:
        disc = discs[len(discs) // 2]
        turns = np.linspace(0.0, 2.0 * np.pi, 73)
        x = disc.sun_x + disc.sun_radius * np.cos(turns)
        y = disc.sun_y + disc.sun_radius * np.sin(turns)
        circle = list(zip(x.tolist(), y.tolist(), strict=True))
        outlines.insert(0, Outline(circle, "partial", "panel"))
    points = [p for o in outlines for p in o.points] + [(x, y) for x, y, _, _ in marks]
    sides = {}
    for name, values in (("x", [p[0] for p in points]), ("y", [p[1] for p in points])):
        margin = 0.04 * (max(values) - min(values)) + 1.0
        low, high = min(values) - margin, max(values) + margin
        sides[name] = Axis(f"{name}, px", low, high, down=name == "y")
    series = [
        Series(body, colour, [y if b == body else math.nan for _, y, b, _ in marks], mark=shape)
        for body, colour, shape in (("Moon", "totality", "o"), ("Sun", "partial", "s"))
        if any(b == body for _, _, b, _ in marks)
    ]
    return Chart(
        title,
        sides["x"],
        sides["y"],
        [x for x, _, _, _ in marks],
        series,
        [f"{describe(frames[i])}; {body} at {x:.1f}, {y:.1f} px" for x, y, body, i in marks],
        [i for _, _, _, i in marks],
        outlines=outlines,
        equal=True,
        height=380,
    )


def limb_chart(frames: Numbered, title: str) -> Chart:
    """Return the limb's uncertainty by exposure; ``frames`` are those that have both."""
    at, series, texts, order = _marks(
        frames,
        lambda f: f.exposure_s,
        lambda f: f.limb_sigma,
        lambda f: f"{describe(f)}, ± {f.limb_sigma:.3f} px",
    )
    sigmas = [f.limb_sigma for f in frames.values()]
    x = Axis("exposure", min(at) / 2.0, max(at) * 2.0, "exposure")
    y = Axis("uncertainty of the limb's centre, px", min(sigmas) / 1.5, max(sigmas) * 1.5, "log")
    return Chart(title, x, y, at, series, texts, order, height=380)


def moon_limb_chart(limb: MoonLimb, contact: ContactLimb, does: str, title: str) -> Chart:
    """Return the Moon's limb and the Sun's at a contact; ``does`` is what a bead does at it."""
    p = contact.position_angle
    inside = [
        (_within(b["position_angle"], p), kind, text)
        for kind, some, tell in (
            ("due", limb.beads, lambda b: f"{does} at {_clock(b['utc'])} UTC by {limb.by}"),
            ("seen", limb.found, _tell_found),
        )
        for b, text in ((b, tell(b)) for b in some if b["contact"] == contact.name)
    ]
    beads = [b for b in inside if math.isfinite(b[0])]
    points = sorted([*((float(a), "", "") for a in p), *beads])
    at = np.array([point[0] for point in points])
    moon = np.interp(at, p, contact.moon_arcsec)
    suns = {name: np.interp(at, p, h) for name, h in contact.sun_arcsec.items()}
    kinds = np.array([kind for _, kind, _ in points])
    marks = [
        Series(name, colour, _list(np.where(kinds == kind, moon, math.nan)), mark=mark)
        for kind, name, colour, mark in (
            ("due", f"bead by {limb.by}", "accent", "v"),
            ("seen", "bead found in a photograph", "contact", "Ho"),
        )
        if np.any(kinds == kind)
    ]
    low = float(contact.moon_arcsec.min()) - 0.5
    high = max(float(contact.moon_arcsec.max()), *(float(h.min()) for h in suns.values())) + 0.5
    ground = [(float(p[0]), low), *zip(_list(p), _list(contact.moon_arcsec), strict=True),
              (float(p[-1]), low)]  # fmt: skip
    return Chart(
        title,
        Axis("position angle", float(p[0]), float(p[-1]), "angle"),
        Axis("arcsec above the mean limb", low, high),
        _list(at),
        [
            Series("the Moon's limb", "ink", _list(moon), "line"),
            *(
                Series(name, "partial", _list(h), draw)
                for (name, h), draw in zip(suns.items(), ("dashes", "dots"), strict=True)
            ),
            *marks,
        ],
        [
            f"{a % 360.0:.1f}°: {text or f'{h:+.2f} arcsec'}"
            for (a, _, text), h in zip(points, moon, strict=True)
        ],
        outlines=[Outline(ground, "panel", "panel")],
        heading=contact.name,
        height=320,
    )


def _within(position_angle: float, p: Floats) -> float:
    """Return an angle in the turn of ascending ones, NaN if it lies beyond them."""
    turned = p[0] + (position_angle - p[0]) % 360.0
    return float(turned) if turned <= p[-1] else math.nan


def _clock(utc: str) -> str:
    return time_text(parse_utc(utc))


def _tell_found(bead: Mapping[str, Any]) -> str:
    name = str(bead["file"]).rsplit("/", 1)[-1]
    return f"found in {name}, {bead['seconds_from_contact']:+.1f} s from {bead['contact']}"


def coverage_charts(coverage: Coverage, title: str) -> list[Chart]:
    """Return where each exposure is good, and below it how many frames are good where."""
    edges, count, labels = coverage.edges, frames_at(coverage), reach_labels(coverage)
    middles = 0.5 * (edges[1:] + edges[:-1])
    x = Axis(RADII, 1.0, float(edges[-1]))
    told = [
        f"{r:.2f} solar radii: {counted(int(n), 'frame')} well exposed"
        + _named([label for label, reach in zip(labels, coverage.reaches, strict=True)
                  if reach.good[k]])
        for k, (r, n) in enumerate(zip(middles, count, strict=True))
    ]  # fmt: skip
    at = np.sort(np.concatenate([edges[:-1] + 1e-6, edges[1:] - 1e-6]))
    bars = []
    for k, reach in enumerate(coverage.reaches):
        spans = reach_spans(coverage, reach)
        good = np.logical_or.reduce([(at >= a) & (at <= b) for a, b in spans] or [at < 0])
        bars.append(Series("", "accent", np.where(good, float(k), math.nan).tolist(), "bar"))
    thin = [(a, b) for a, b, _ in thin_places(coverage)]
    names = Axis("", -0.6, len(labels) - 0.4, "names", names=labels, down=True)
    gutter = max([NAMES_PX, *(16 + LETTER_PX * len(label) for label in labels)])
    top = 1.1 * max(3, int(count.max()))
    return [
        Chart(
            title,
            x,
            names,
            at.tolist(),
            bars,
            [t for t in told for _ in range(2)],
            shades=thin,
            height=70 + 22 * len(labels),
            gutter=gutter,
            heading="Distances that each exposure time covers; grey: fewer than 3 frames",
        ),
        Chart(
            "Number of well-exposed frames by distance from the Sun.",
            x,
            Axis("frames", 0.0, float(top)),
            middles.tolist(),
            [Series("", "accent", count.astype(float).tolist(), "steps")],
            told,
            shades=thin,
            height=190,
            gutter=gutter - 20,  # the axis has a label besides
            heading="Number of well-exposed frames",
        ),
    ]


def _named(labels: Sequence[str]) -> str:
    return f" ({', '.join(labels)})" if labels else ""


def profile_chart(profile: Profile, fitted: MeanCorona | None, title: str) -> Chart:
    """Return the corona's brightness by distance beside the published mean corona."""
    unit = 1e-6 * fitted.scale if fitted else float(np.nanmax(profile.median))
    low = np.maximum(profile.low, 1e-4 * profile.median) / unit
    series = [
        Series("16th to 84th percentile around the Sun", "accent", _list(profile.high / unit),
               "edge"),
        Series("", "accent", _list(low), "edge"),
        Series("this corona", "accent", _list(profile.median / unit), "line"),
    ]  # fmt: skip
    values = [low, profile.high / unit]
    law = 1e6 * mean_corona(profile.rho)
    if fitted:
        both = law + fitted.sky / unit
        series.append(Series("mean corona with an even sky", "ink", _list(both), "dashes"))
        series.append(Series("mean corona", "soft", _list(law), "dots"))
        values.append(law)
    texts = [
        f"{r:.2f} solar radii: {m / unit:.3g}"
        + (f"; mean corona {c:.3g}, with sky {c + fitted.sky / unit:.3g}" if fitted else "")
        for r, m, c in zip(profile.rho, profile.median, law, strict=True)
    ]
    label = "millionths of the solar disc, scaled" if fitted else "brightness, relative"
    lowest, highest = min(float(v.min()) for v in values), max(float(v.max()) for v in values)
    y = Axis(label, lowest / 1.5, highest * 1.5, "log")
    return Chart(title, _radii(profile), y, _list(profile.rho), series, texts, height=360)


def noise_chart(profile: Profile, title: str) -> Chart:
    """Return the merge's noise by distance."""
    percent = np.where(profile.noise > 0, 100.0 * profile.noise, math.nan)
    low, high = np.nanmin(percent, initial=100.0), np.nanmax(percent, initial=1e-3)
    texts = [f"{r:.2f} solar radii: {n:.3g} %" for r, n in zip(profile.rho, percent, strict=True)]
    y = Axis("noise per pixel, %", float(low) / 1.5, float(high) * 1.5, "log")
    series = [Series("", "accent", _list(percent), "line")]
    return Chart(title, _radii(profile), y, _list(profile.rho), series, texts)


def count_chart(profile: Profile, title: str) -> Chart:
    """Return the number of frames that went into a pixel by distance."""
    texts = [
        f"{r:.2f} solar radii: {counted(int(n), 'frame')}"
        for r, n in zip(profile.rho, profile.count, strict=True)
    ]
    y = Axis("frames per pixel", 0.0, 1.1 * max(1.0, float(profile.count.max())))
    series = [Series("", "accent", _list(profile.count), "steps")]
    return Chart(title, _radii(profile), y, _list(profile.rho), series, texts)


def tone_chart(radiance: Floats, lightness: Floats, title: str) -> Chart:
    """Return the tone curve of the finished picture."""
    texts = [f"{y:.4g} ADU/s: L* {100 * v:.1f}" for y, v in zip(radiance, lightness, strict=True)]
    x = Axis("luminance, ADU/s", float(radiance[0]), float(radiance[-1]), "log")
    y = Axis("lightness, L*", 0.0, 100.0)
    series = [Series("", "accent", _list(100 * lightness), "line")]
    return Chart(title, x, y, _list(radiance), series, texts)


def _radii(profile: Profile) -> Axis:
    return Axis(RADII, 1.0, float(profile.rho.max()))


def _list(values: Floats) -> list[float]:
    return [float(v) for v in values]
