"""The other plots: clock residuals, registration, coverage, and the merged corona."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Rectangle
from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullLocator

from limbward.geometry.law import mean_corona
from limbward.report.coverage import frames_at, reach_labels, reach_spans, thin_places
from limbward.report.material import Coverage, Floats, Numbered
from limbward.report.profile import MeanCorona, Profile
from limbward.report.svg import COLOURS, styled, to_svg
from limbward.report.timeline import MARKS, day_number, describe, time_axis
from limbward.report.wording import exposure_text

HALF = (5.2, 3.1)  # inches; two stand side by side on a wide page
WIDE = 9.6


def _new(size: tuple[float, float] = HALF) -> tuple[Figure, Axes]:
    figure = Figure(figsize=size, layout="constrained")
    return figure, figure.subplots()


def draw_residuals(frames: Numbered, name: str, alt: str) -> Markup:
    """Return how far each frame's clock reading lies from the camera's clock solution."""
    shown = list(frames.items())
    titles = {f"#frame-{i}": f"{describe(f)}, {f.clock_residual_s:+.2f} s" for i, f in shown}
    with styled(name):
        figure, ax = _new((5.2, 2.5))
        times = [day_number(f.time) for _, f in shown]
        ax.axhline(0.0, color=COLOURS["soft"], linewidth=1.0)
        ax.scatter(
            times,
            [f.clock_residual_s for _, f in shown],
            s=24,
            color=COLOURS["accent"],
            linewidths=0,
            urls=[f"#frame-{i}" for i, _ in shown],
            zorder=3,
        )
        top = max(0.2, 1.25 * max(abs(f.clock_residual_s) for _, f in shown))
        ax.set_ylim(-top, top)
        time_axis(ax, "%H:%M", 6)
        ax.set_ylabel("residual, s")
        return to_svg(figure, name, alt, titles)


def draw_relative(frames: Numbered, name: str, alt: str) -> Markup:
    """Return by how much the exposures found differ from the camera's, by time."""
    shown = list(frames.items())
    with styled(name):
        figure, ax = _new((5.2, 2.5))
        ax.axhline(0.0, color=COLOURS["soft"], linewidth=1.0)
        ax.scatter(
            [day_number(f.time) for _, f in shown],
            [100.0 * (f.relative_exposure - 1.0) for _, f in shown],
            s=20,
            marker=MARKS["totality"],
            color=COLOURS["totality"],
            linewidths=0,
            urls=[f"#frame-{i}" for i, _ in shown],
            zorder=3,
        )
        time_axis(ax, "%H:%M:%S", 6)
        ax.set_ylabel("exposure found, % more")
        titles = {f"#frame-{i}": describe(f) for i, f in shown}
        return to_svg(figure, name, alt, titles)


def draw_tone(luminance: Floats, lightness: Floats, name: str, alt: str) -> Markup:
    """Return the tone curve of the finished picture."""
    with styled(name):
        figure, ax = _new()
        ax.plot(luminance, 100.0 * lightness, color=COLOURS["accent"])
        ax.set_xscale("log")
        ax.set_xlim(float(luminance[0]), float(luminance[-1]))
        ax.set_ylim(0.0, 100.0)
        ax.xaxis.set_minor_locator(NullLocator())
        ax.xaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:.3g}"))
        ax.set_xlabel("luminance, DN/s")
        ax.set_ylabel("lightness, L*")
        return to_svg(figure, name, alt)


def draw_paths(frames: Numbered, name: str, alt: str) -> Markup:
    """Return where the centres of Sun and Moon were on the sensor."""
    mine = list(frames.items())
    suns = [(i, f) for i, f in mine if math.isfinite(f.sun_x)]
    moons = [(i, f) for i, f in mine if math.isfinite(f.moon_x)]
    titles = {
        f"#frame-{i}": f"{describe(f)}; Sun at {f.sun_x:.1f}, {f.sun_y:.1f} px" for i, f in suns
    }
    with styled(name):
        figure, ax = _new((5.2, 3.9))
        sizes = {(f.width, f.height) for _, f in mine if f.width > 0 and f.height > 0}
        for width, height in sizes:
            ax.add_patch(
                Rectangle((-0.5, -0.5), width, height, fill=False, edgecolor=COLOURS["soft"])
            )
        if suns:
            middle = suns[len(suns) // 2][1]
            ax.add_patch(
                Circle(
                    (middle.sun_x, middle.sun_y),
                    middle.sun_radius,
                    facecolor=COLOURS["panel"],
                    edgecolor=COLOURS["partial"],
                )
            )
        for which, colour, marker in ((moons, "totality", "o"), (suns, "partial", "s")):
            at = [(f.moon_x, f.moon_y) if which is moons else (f.sun_x, f.sun_y) for _, f in which]
            ax.scatter(
                [x for x, _ in at],
                [y for _, y in at],
                s=14,
                marker=marker,
                color=COLOURS[colour],
                linewidths=0,
                urls=[f"#frame-{i}" for i, _ in which],
                label="Moon" if which is moons else "Sun",
                zorder=3,
            )
        ax.autoscale_view()
        ax.set_aspect("equal")
        ax.invert_yaxis()
        ax.xaxis.set_major_locator(MaxNLocator(5))
        ax.yaxis.set_major_locator(MaxNLocator(5))
        ax.set_xlabel("x, px")
        ax.set_ylabel("y, px")
        figure.legend(loc="outside upper left", ncols=2, handletextpad=0.2)
        return to_svg(figure, name, alt, titles)


def draw_sun(frames: Numbered, name: str, alt: str) -> Markup:
    """Return where the Sun's centre was, from close by: how the mount followed."""
    suns = list(frames.items())
    titles = {f"#frame-{i}": f"{describe(f)}; {f.sun_x:.2f}, {f.sun_y:.2f} px" for i, f in suns}
    with styled(name):
        figure, ax = _new((5.2, 3.9))
        ax.plot(
            [f.sun_x for _, f in suns],
            [f.sun_y for _, f in suns],
            color=COLOURS["line"],
            linewidth=0.8,
        )
        for phase in ("partial", "contact", "totality"):
            mine = [(i, f) for i, f in suns if f.phase == phase]
            if mine:
                ax.scatter(
                    [f.sun_x for _, f in mine],
                    [f.sun_y for _, f in mine],
                    s=20,
                    marker=MARKS[phase],
                    color=COLOURS[phase],
                    linewidths=0,
                    urls=[f"#frame-{i}" for i, _ in mine],
                    label=phase,
                    zorder=3,
                )
        ax.set_aspect("equal", adjustable="datalim")
        ax.invert_yaxis()
        ax.xaxis.set_major_locator(MaxNLocator(5))
        ax.yaxis.set_major_locator(MaxNLocator(5))
        ax.ticklabel_format(useOffset=False)
        ax.set_xlabel("x, px")
        ax.set_ylabel("y, px")
        figure.legend(loc="outside upper left", ncols=3, handletextpad=0.2)
        return to_svg(figure, name, alt, titles)


def draw_limb_sigma(frames: Numbered, name: str, alt: str) -> Markup:
    """Return how well the limb was measured in each frame, against its exposure."""
    shown = list(frames.items())
    titles = {f"#frame-{i}": f"{describe(f)}, ± {f.limb_sigma:.3f} px" for i, f in shown}
    with styled(name):
        figure, ax = _new((5.2, 3.9))
        for phase in ("partial", "contact", "totality"):
            mine = [(i, f) for i, f in shown if f.phase == phase]
            if mine:
                ax.scatter(
                    [f.exposure_s for _, f in mine],
                    [f.limb_sigma for _, f in mine],
                    s=20,
                    marker=MARKS[phase],
                    color=COLOURS[phase],
                    linewidths=0,
                    urls=[f"#frame-{i}" for i, _ in mine],
                    label=phase,
                    zorder=3,
                )
        _log_exposures(ax, [f.exposure_s for _, f in shown])
        _log_numbers(ax, [f.limb_sigma for _, f in shown])
        ax.set_ylabel("uncertainty of the limb's centre, px")
        figure.legend(loc="outside upper left", ncols=3, handletextpad=0.2)
        return to_svg(figure, name, alt, titles)


def _log_exposures(ax: Axes, values: Sequence[float]) -> None:
    ax.set_xscale("log")
    ax.xaxis.set_minor_locator(NullLocator())
    ax.xaxis.set_major_locator(LogLocator(numticks=6))
    ax.xaxis.set_major_formatter(FuncFormatter(lambda v, _: exposure_text(v)))
    if values:
        ax.set_xlim(min(values) / 2.0, max(values) * 2.0)
    ax.set_xlabel("exposure")


def _log_numbers(ax: Axes, values: Sequence[float]) -> None:
    ax.set_yscale("log")
    ax.yaxis.set_minor_locator(NullLocator())
    wide = bool(values) and max(values) > 30 * min(values)
    ax.yaxis.set_major_locator(LogLocator(subs=(1.0,) if wide else (1.0, 2.0, 5.0), numticks=8))
    ax.yaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:.3g}"))


def draw_coverage(coverage: Coverage, name: str, alt: str) -> Markup:
    """Return a bar for each exposure, from where to where it is good, and the count below."""
    labels = reach_labels(coverage)
    with styled(name):
        n = len(labels)
        figure = Figure(figsize=(WIDE, 1.9 + 0.22 * n), layout="constrained")
        bars, below = figure.subplots(
            2, 1, sharex=True, gridspec_kw={"height_ratios": [0.24 * n + 0.3, 1.2]}
        )
        for k, reach in enumerate(coverage.reaches):
            spans = [(a, b - a) for a, b in reach_spans(coverage, reach)]
            bars.broken_barh(spans, (k - 0.3, 0.6), color=COLOURS["accent"], linewidth=0)
        for a, b, _ in thin_places(coverage):
            for axes in (bars, below):
                axes.axvspan(a, b, color=COLOURS["panel"], zorder=0)
        bars.set_ylim(n - 0.4, -0.6)
        bars.set_yticks(range(n), labels)
        bars.grid(visible=False, axis="y")
        bars.set_title("where each exposure is good; grey: fewer than 3 frames")
        count = frames_at(coverage)
        below.stairs(count, coverage.edges, fill=True, color=COLOURS["second"], linewidth=0)
        below.set_ylim(0, max(3, count.max()) * 1.1)
        below.yaxis.set_major_locator(MaxNLocator(4, integer=True))
        below.set_title("how many frames are well exposed")
        below.set_xlim(1.0, float(coverage.edges[-1]))
        below.set_xlabel("distance from the Sun's centre, solar radii")
        return to_svg(figure, name, alt)


def draw_profile(profile: Profile, fitted: MeanCorona | None, name: str, alt: str) -> Markup:
    """Return the corona's brightness by distance beside the published mean corona."""
    unit = 1e-6 * fitted.scale if fitted else float(np.nanmax(profile.median))
    with styled(name):
        figure, ax = _new((WIDE, 3.6))
        ax.fill_between(
            profile.rho,
            np.maximum(profile.low, 1e-4 * profile.median) / unit,
            profile.high / unit,
            color=COLOURS["accent"],
            alpha=0.25,
            linewidth=0,
            label="16th to 84th percentile round the Sun",
        )
        ax.plot(profile.rho, profile.median / unit, color=COLOURS["accent"], label="this corona")
        if fitted:
            law = 1e6 * mean_corona(profile.rho)
            ax.plot(
                profile.rho,
                law + fitted.sky / unit,
                color=COLOURS["ink"],
                linewidth=1.2,
                linestyle="--",
                label="mean corona with an even sky",
            )
            ax.plot(
                profile.rho,
                law,
                color=COLOURS["soft"],
                linewidth=1.0,
                linestyle=":",
                label="mean corona",
            )
        _log_numbers(ax, [1.0, 1e3])
        ax.set_xlim(1.0, float(profile.rho.max()))
        ax.set_xlabel("distance from the Sun's centre, solar radii")
        ax.set_ylabel("millionths of the solar disc, scaled" if fitted else "brightness, relative")
        ax.legend(loc="upper right")
        return to_svg(figure, name, alt)


def draw_noise(profile: Profile, name: str, alt: str) -> Markup:
    """Return the merge's noise by distance."""
    with styled(name):
        figure, ax = _new()
        percent = 100.0 * profile.noise
        ax.plot(profile.rho, percent, color=COLOURS["accent"])
        _log_numbers(ax, list(percent))
        ax.set_xlim(1.0, float(profile.rho.max()))
        ax.set_xlabel("solar radii")
        ax.set_ylabel("noise of a pixel, %")
        return to_svg(figure, name, alt)


def draw_count(profile: Profile, name: str, alt: str) -> Markup:
    """Return the number of frames that went into a pixel by distance."""
    with styled(name):
        figure, ax = _new()
        ax.plot(profile.rho, profile.count, color=COLOURS["accent"], drawstyle="steps-mid")
        ax.set_ylim(0, 1.1 * max(1.0, float(profile.count.max())))
        ax.set_xlim(1.0, float(profile.rho.max()))
        ax.yaxis.set_major_locator(MaxNLocator(5, integer=True))
        ax.set_xlabel("solar radii")
        ax.set_ylabel("frames used in a pixel")
        return to_svg(figure, name, alt)
