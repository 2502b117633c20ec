"""The report's sections, from what a run has made to what the page shows."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from typing import Any

from limbward.report import charts, timeline
from limbward.report.beads import bead_rows, limb_section
from limbward.report.checks import advise
from limbward.report.instruments import instrument_rows, instrument_section
from limbward.report.limbs import draw_limb
from limbward.report.material import PHASES, ClockAudit, Frame, Material, Product
from limbward.report.page import render_page
from limbward.report.pictures import Picture, embed, embed_previews
from limbward.report.section import Section
from limbward.report.sections import (
    coverage_section,
    left_out,
    merge_section,
    registration_section,
    tone_section,
)
from limbward.report.stars import star_rows, star_section
from limbward.report.static import plot
from limbward.report.sun import sun_section
from limbward.report.wording import (
    clock_sentences,
    counted,
    exposure_text,
    parse_utc,
    size_text,
    time_text,
    unbroken,
)
from limbward.sky.caution import caution
from limbward.sky.wording import uneven_limb

COMPOSITE_PX = 1800
ENHANCED_PX = 1200
VARIANT_PX = 1400  # drawn letters must stay readable
PRODUCT_PX = 1200


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
        caution=caution(material.contacts),
        contacts=_contact_rows(material),
        uneven_limb=uneven_limb(material.contacts)[0],
        moon_limb=limb_section(material),
        beads=bead_rows(material),
        clocks=[(clock, _clock(frames, clock, k)) for k, clock in enumerate(material.clocks)],
        coverage=coverage_section(material.coverage),
        registration=registration_section(material),
        limbs=[(view, draw_limb(view)) for view in material.limbs],
        left_out=left_out(frames),
        merge=merge_section(material),
        instruments=instrument_section(material.instruments),
        instrument_rows=instrument_rows(material.instruments),
        stars=star_section(material.stars),
        star_rows=star_rows(material.stars),
        sun=sun_section(material.sun),
        composite_shows=_shown(material),
        enhanced=[(e, embed(e.picture, ENHANCED_PX, 84)) for e in material.enhanced],
        variants=_pictured(material.variants, VARIANT_PX),
        tone=tone_section(material.tone) if material.tone else None,
        products_made=_pictured(material.products, PRODUCT_PX),
        cards=_cards(frames),
        phases=[p for p in PHASES if any(f.phase == p for f in frames)],
    )


def _why_no_picture(material: Material) -> str:
    if material.corona is not None:
        return "The corona was merged; the finished picture has not been composed."
    if material.contacts.get("kind") not in ("total", None):
        return (
            f"The eclipse was {material.contacts['kind']} at this place, and no filtered frame "
            "near its greatest could be stacked to a finished picture."
        )
    if any(f.phase == "totality" for f in material.frames):
        return "No frame of totality has been merged, so there is no finished picture."
    return "There is no frame of totality, so there is no finished picture."


def _shown(material: Material) -> str:
    """Return what the finished picture shows, for those who cannot see it."""
    if material.sun is None or material.corona is not None:
        return "The corona around the dark Moon."
    return "The Sun's ring round the Moon." if material.sun.ring else "The Sun's crescent."


def _facts(material: Material) -> list[tuple[str, str]]:
    frames = material.frames
    phases = Counter(f.phase for f in frames)
    bad = phases["unreadable"]
    came = f"{counted(len(frames), 'file')}, {size_text(sum(f.size for f in frames))}; "
    came += "all could be read" if not bad else f"{bad} could not be read (see Warnings)"
    facts = [
        ("On the card", came),
        ("Frames", ", ".join(f"{phases[p]} {p}" for p in PHASES if phases[p]) or "none"),
    ]
    if material.corona is not None:
        merged = f"{counted(material.corona.frames, 'frame')}"
        facts.append(("In the merge", f"{merged}, {material.corona.exposure_s:.3g} s in total"))
    if material.sun is not None:
        facts.append(
            ("In the picture", f"{counted(material.sun.frames, 'frame')} through the filter")
        )
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
        f"contacts as lines: {kinds}. The section All frames lists every frame."
    )
    caption = "The whole eclipse: each mark is a frame."
    whole = charts.timeline_charts(drawn, times, span, alt)
    shown = [plot(whole, "timeline", alt, caption, wide=True)]
    central = timeline.central_span(times)
    if central is not None:
        close = timeline.within(frames, central)
        if close:
            alt = (
                f"The same from {time_text(central[0], 0)} to {time_text(central[1], 0)} UTC, "
                f"with {counted(len(close), 'frame')}."
            )
            caption = "From second to third contact, enlarged."
            wider = charts.timeline_charts(close, times, central, alt)
            shown.append(plot(wider, "closeup", alt, caption, wide=True))
    return Section(sentences, shown)


def _contact_rows(material: Material) -> list[dict[str, Any]]:
    """Return the contacts in order of time, so that of two C3 the earlier one is read first."""
    rows = [(c["utc"], name, c) for name, c in material.contacts.get("contacts", {}).items()]
    by, limb = uneven_limb(material.contacts)
    rows += [(limb[n], f"{n} by {by}", {}) for n in ("C2", "C3") if n in limb]
    return [
        {**contact, "name": name, "time": time_text(parse_utc(utc))}
        for utc, name, contact in sorted(rows, key=lambda row: parse_utc(row[0]))
    ]


def _clock(frames: Sequence[Frame], clock: ClockAudit, k: int) -> Section:
    told = {
        i: f
        for i, f in enumerate(frames)
        if f.camera == clock.name and f.time and math.isfinite(f.clock_residual_s)
    }
    sentences = clock_sentences(clock)
    if not told:
        return Section(sentences)
    values = [f.clock_residual_s for f in told.values()]
    alt = (
        f"Residuals of {counted(len(values), 'frame')} of {clock.name} against UTC, from "
        f"{min(values):+.2f} to {max(values):+.2f} s."
    )
    caption = (
        "Clock reading minus fitted clock for each frame of the partial phases; positive is fast."
    )
    drawn = plot([charts.residual_chart(told, alt)], f"residuals{k}", alt, caption)
    return Section(sentences, [drawn])


def _pictured(products: Sequence[Product], long_side: int) -> list[tuple[Product, Picture | None]]:
    return [
        (p, embed(p.picture, long_side, 84) if p.picture is not None else None) for p in products
    ]


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
