"""The report's sections, from what a run has made to what the page shows."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from markupsafe import Markup

from limbward.report import plots, timeline
from limbward.report.checks import advise
from limbward.report.coverage import frames_at, thin_places
from limbward.report.limbs import draw_limb
from limbward.report.material import PHASES, ClockAudit, Coverage, Frame, Material
from limbward.report.page import render_page
from limbward.report.pictures import Picture, embed, embed_previews
from limbward.report.profile import fit_mean_corona, radial_profile
from limbward.report.wording import (
    clock_sentences,
    counted,
    exposure_text,
    listed,
    parse_utc,
    size_text,
    time_text,
    unbroken,
)

COMPOSITE_PX = 1800
ENHANCED_PX = 1200


@dataclass(frozen=True)
class Plot:
    """A drawing with the words below it; ``wide`` ones are scrolled on narrow screens."""

    svg: Markup
    caption: str = ""
    wide: bool = False


@dataclass(frozen=True)
class Section:
    """What stands under one heading: sentences, then plots."""

    sentences: Sequence[str] = ()
    plots: Sequence[Plot] = field(default=())


def build_report(material: Material) -> str:
    """Return the report as one HTML file.

    Parameters
    ----------
    material : Material

    Returns
    -------
    str
        Complete: pictures, style and script are in it, and its Content-Security-Policy lets it
        load nothing else.

    Raises
    ------
    LimbwardError
        If a picture cannot be read.
    """
    frames = material.frames
    composite = (
        embed(material.composite, COMPOSITE_PX, 88) if material.composite is not None else None
    )
    advice = advise(material)
    return render_page(
        material=material,
        composite=composite,
        no_composite=_why_no_picture(material),
        facts=_facts(material),
        advice=advice,
        timeline=_timeline(material),
        contacts=_contact_rows(material),
        clocks=[(clock, _clock(frames, clock, k)) for k, clock in enumerate(material.clocks)],
        coverage=_coverage(material.coverage),
        registration=_registration(material),
        limbs=[(view, draw_limb(view)) for view in material.limbs],
        left_out=left_out(frames),
        merge=_merge(material),
        enhanced=[(e, embed(e.picture, ENHANCED_PX, 84)) for e in material.enhanced],
        cards=_cards(frames),
        phases=[p for p in PHASES if any(f.phase == p for f in frames)],
    )


def _why_no_picture(material: Material) -> str:
    if material.corona is not None:
        return "The corona was merged; the finished picture has not been composed."
    if material.contacts.get("kind") not in ("total", None):
        return (
            f"The eclipse was {material.contacts['kind']} at this place: there was no corona to "
            "be seen, so there is no finished picture of it."
        )
    if any(f.phase == "totality" for f in material.frames):
        return "No frame of totality has been merged, so there is no finished picture."
    return "There is no frame of totality, so there is no finished picture."


def _facts(material: Material) -> list[tuple[str, str]]:
    frames = material.frames
    phases = Counter(f.phase for f in frames)
    bad = phases["unreadable"]
    came = f"{counted(len(frames), 'file')}, {size_text(sum(f.size for f in frames))}; "
    came += "all could be read" if not bad else f"{bad} could not be read (see Warnings)"
    facts = [
        ("Off the card", came),
        ("Frames", ", ".join(f"{phases[p]} {p}" for p in PHASES if phases[p]) or "none"),
    ]
    if material.corona is not None:
        merged = f"{counted(material.corona.frames, 'frame')}"
        facts.append(("In the merge", f"{merged}, {material.corona.exposure_s:.3g} s together"))
    for clock in material.clocks:
        drift = f", {clock.drift}" if clock.drift else ""
        facts.append((f"Clock of {clock.name}", f"{clock.error} on {unbroken(clock.zone)}{drift}"))
    return facts


def _timeline(material: Material) -> Section:
    times = timeline.contact_times(material.contacts)
    if not times:
        return Section(["The contacts of the eclipse are not known, so there is no timeline."])
    frames = material.frames
    span = timeline.whole_span(times)
    drawn = timeline.within(frames, span)
    sentences = []
    untimed = sum(f.time is None for f in frames)
    outside = sum(f.time is not None and not span[0] <= f.time <= span[1] for f in frames)
    if untimed:
        sentences.append(f"{counted(untimed, 'file has', 'files have')} no UTC and are not drawn.")
    if outside:
        sentences.append(
            f"{counted(outside, 'file was', 'files were')} taken more than half an hour before the "
            "first or after the last contact and are not drawn."
        )
    if not drawn:
        return Section([*sentences, "No frame could be placed on the timeline."])
    kinds = ", ".join(f"{n} {p}" for p, n in Counter(f.phase for f in drawn.values()).items())
    alt = (
        f"Exposure against UTC from {time_text(span[0], 0)} to {time_text(span[1], 0)}, with the "
        f"contacts as lines: {kinds}. The contact sheet lists every frame."
    )
    plot = [
        Plot(
            timeline.draw_timeline(frames, times, span, "timeline", alt),
            "The whole eclipse: each mark is a frame.",
            wide=True,
        )
    ]
    central = timeline.central_span(times)
    if central is not None:
        close = timeline.within(frames, central)
        if close:
            alt = (
                f"The same from {time_text(central[0], 0)} to {time_text(central[1], 0)} UTC, "
                f"with {counted(len(close), 'frame')}."
            )
            plot.append(
                Plot(
                    timeline.draw_timeline(frames, times, central, "closeup", alt),
                    "From second to third contact, drawn wider.",
                    wide=True,
                )
            )
    return Section(sentences, plot)


def _contact_rows(material: Material) -> list[dict[str, Any]]:
    return [
        {**contact, "name": name, "time": time_text(parse_utc(contact["utc"]))}
        for name, contact in material.contacts.get("contacts", {}).items()
    ]


def _clock(frames: Sequence[Frame], clock: ClockAudit, k: int) -> Section:
    values = [
        f.clock_residual_s
        for f in frames
        if f.camera == clock.name and f.time and math.isfinite(f.clock_residual_s)
    ]
    sentences = clock_sentences(clock)
    if not values:
        return Section(sentences)
    alt = (
        f"Residuals of {counted(len(values), 'frame')} of {clock.name} against UTC, from "
        f"{min(values):+.2f} to {max(values):+.2f} s."
    )
    caption = "How late the clock read in each frame of the partial phases, after correction."
    plot = Plot(plots.draw_residuals(frames, clock.name, f"residuals{k}", alt), caption)
    return Section(sentences, [plot])


def _coverage(coverage: Coverage | None) -> Section:
    if coverage is None:
        return Section(["There is no merge, so the exposures cannot be judged."])
    count = frames_at(coverage)
    thin = thin_places(coverage)
    begin, end = coverage.edges[0], coverage.edges[-1]
    sentences = [
        "An exposure counts as good at a distance from the Sun where less than 5 % is saturated "
        "and the signal of a pixel is at least ten times its noise."
    ]
    if thin:
        places = " and ".join(f"{a:.2f} to {b:.2f}" for a, b, _ in thin)
        sentences.append(f"Fewer than 3 frames are good from {places} solar radii.")
    else:
        sentences.append(
            f"From {begin:.2f} to {end:.2f} solar radii at least {count.min()} frames are good "
            "everywhere."
        )
    bars = "; ".join(
        f"{exposure_text(r.exposure_s)} from {coverage.edges[:-1][r.good].min():.2f} to "
        f"{coverage.edges[1:][r.good].max():.2f}"
        for r in coverage.reaches
        if r.good.any()
    )
    alt = f"Where each exposure is good, in solar radii: {bars or 'nowhere'}."
    return Section(sentences, [Plot(plots.draw_coverage(coverage, "coverage", alt), wide=True)])


def _registration(material: Material) -> Section:
    frames = material.frames
    found = [f for f in frames if math.isfinite(f.sun_x) or math.isfinite(f.moon_x)]
    if not found:
        return Section(["Neither Sun nor Moon has been placed in any frame."])
    sentences = []
    pointings = {_full_name(p): p for p in material.pointings}
    drawn: list[Plot] = []
    for k, camera in enumerate(sorted({f.camera for f in found})):
        mine = [f for f in found if f.camera == camera]
        text = f"{camera}: Sun or Moon were placed in {counted(len(mine), 'frame')}."
        p = pointings.get(camera)
        if p:
            text += (
                f" A pixel is {p['pixel_scale_arcsec']:.3f} arcsec; the image's upward direction "
                f"lies at position angle {p['up_position_angle']:.2f}°."
            )
            if p["field_rotation_deg_per_hour"]:
                text += f" The field turned {p['field_rotation_deg_per_hour']:.1f}° an hour."
        sentences.append(text)
        suns = [f for f in mine if math.isfinite(f.sun_x)]
        alt = f"Centres of Sun and Moon on the sensor of {camera}."
        if suns:
            spread = [max(v) - min(v) for v in ([f.sun_x for f in suns], [f.sun_y for f in suns])]
            alt += f" The Sun's ranged over {spread[0]:.0f} by {spread[1]:.0f} px."
        drawn.append(
            Plot(
                plots.draw_paths(frames, camera, f"paths{k}", alt),
                f"{camera}: paths over the sensor, with the Sun's disc.",
            )
        )
        if suns:
            alt = f"The Sun's centre on the sensor of {camera}, on a scale of its own."
            drawn.append(
                Plot(
                    plots.draw_sun(frames, camera, f"sun{k}", alt),
                    f"{camera}: how steadily the Sun was held, frame by frame.",
                )
            )
        sigmas = [f.limb_sigma for f in mine if f.limb_sigma > 0 and f.exposure_s > 0]
        if sigmas:
            alt = (
                f"Uncertainty of the limb against exposure for {camera}, from {min(sigmas):.3f} "
                f"to {max(sigmas):.3f} px."
            )
            drawn.append(
                Plot(
                    plots.draw_limb_sigma(frames, camera, f"limb{k}", alt),
                    f"{camera}: how well the limb was measured.",
                )
            )
    return Section(sentences, drawn)


def _full_name(camera: Any) -> str:
    return f"{camera['camera']} ({camera['serial']})" if camera["serial"] else camera["camera"]


def left_out(frames: Sequence[Frame]) -> list[tuple[str, int, str]]:
    """Return why frames of totality were not merged: reason, how many, which."""
    reasons: dict[str, list[str]] = {}
    for frame in frames:
        if frame.phase == "totality" and not frame.used:
            reasons.setdefault(frame.note or "no reason is recorded", []).append(frame.name)
    return [(reason, len(names), listed(names, 12)) for reason, names in reasons.items()]


def _merge(material: Material) -> Section:
    corona = material.corona
    if corona is None:
        return Section(["There is no merged corona."])
    sentences = [
        f"{counted(corona.frames, 'frame')} with {corona.exposure_s:.3g} s of exposure together "
        "are in the merge."
    ]
    profile = radial_profile(corona)
    if not profile.rho.size:
        return Section([*sentences, "No ring round the Sun holds enough pixels for a profile."])
    fitted = fit_mean_corona(profile)
    if fitted is not None:
        sentences.append(
            "Between 1.1 and 3 solar radii its brightness follows the published mean corona "
            f"(Baumbach 1937) within {100 * fitted.deviation:.0f} % (root mean square). Height of "
            "the curve and an even sky are fitted: the comparison tests the shape alone, and real "
            "coronae differ from the mean with the solar cycle."
        )
    inner = int(abs(profile.rho - 1.5).argmin())
    at = f"{profile.rho[inner]:.2f} solar radii"
    sentences.append(
        f"At {at} the noise of a pixel is {100 * profile.noise[inner]:.2g} % of the corona, with "
        f"{profile.count[inner]:.0f} frames."
    )
    alt = (
        f"Brightness from {profile.rho[0]:.2f} to {profile.rho[-1]:.2f} solar radii, falling by a "
        f"factor of {profile.median[0] / profile.median[-1]:.0f}"
        + (", beside the mean corona." if fitted else ".")
    )
    noise_alt = (
        f"Noise of a pixel by distance, {100 * profile.noise.min():.2g} to "
        f"{100 * profile.noise.max():.2g} %."
    )
    count_alt = (
        f"Frames used in a pixel by distance, {profile.count.min():.0f} to "
        f"{profile.count.max():.0f}."
    )
    return Section(
        sentences,
        [
            Plot(plots.draw_profile(profile, fitted, "profile", alt), "Green light.", wide=True),
            Plot(plots.draw_noise(profile, "noise", noise_alt), "Noise of the merge."),
            Plot(plots.draw_count(profile, "count", count_alt), "Frames in the merge."),
        ],
    )


def _cards(frames: Sequence[Frame]) -> list[dict[str, Any]]:
    pictures: list[Picture | None] = embed_previews([f.preview for f in frames])
    return [
        {
            "frame": frame,
            "folder": frame.file.rpartition("/")[0],
            "picture": picture,
            "exposure": exposure_text(frame.exposure_s) if frame.exposure_s > 0 else "",
            "time": time_text(frame.time) if frame.time else "",
        }
        for frame, picture in zip(frames, pictures, strict=True)
    ]
