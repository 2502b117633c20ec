"""`limbward strip`: diamond rings, or a ring's first and last light, and beads at C2 and C3."""

from __future__ import annotations

from dataclasses import replace

from limbward.config import Config, place_and_time
from limbward.errors import LimbwardError
from limbward.products.shots import caption_of, counted_off, cuts, read_shots
from limbward.sequences.shots import UP_WORDS
from limbward.sequences.strip import Strip
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.pictures import write_tiff_and_png
from limbward.workspace.product import Product, artefact, write_product

NAMES = ("sequences/strip.tif", "sequences/strip.png")


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Write the contact strip.

    Raises
    ------
    LimbwardError
        If no frame was taken near a contact: of a total eclipse without a filter, of an annular one
        with it.
    """
    options = config.strip
    circumstances = place_and_time.eclipse(config)
    ring = circumstances.kind == "annular"
    phases = ("partial",) if ring else ("contact", "totality")
    shots = read_shots(config, workspace, phases, options.camera, "strip")
    limb = place_and_time.moon_limb(config, circumstances)
    if limb is None or not len(shots):
        raise LimbwardError(_why_nothing(circumstances.kind))
    second, third = (float((t - shots.epoch).to_value("s")) for t in limb.central)
    strip = Strip.around(
        shots, (second, third), options.span_s, options.count, options.cell_px, ring=ring
    )
    picked = strip.shots
    if not len(picked):
        raise LimbwardError(
            f"No frame was taken within {options.span_s:g} s of second or third contact; increase "
            "strip.span_s to look further."
        )
    named = "Second and third" if all(strip.counts) else "Second" if strip.counts[0] else "Third"
    words = (
        f"{named} contact of {config.eclipse.isoformat()}, registered on the Moon, "
        f"{UP_WORDS[options.up]}"
    )
    caption = caption_of(config, picked, words)
    expected = strip.expected(limb, place_and_time.site(config), config.sky.ephemeris)
    moon = picked.moon[:, :2]
    native = strip.measuring_views()
    views = picked.views(options.cell_px, strip.scale_arcsec, options.up)
    with reporter.progress(2 * len(picked), "frames at the contacts") as advance:
        made = cuts(config, picked, moon, native)
        beads = strip.measured(native, counted_off(made, advance))
        made = cuts(config, picked, moon, views)
        ticks = _ticks(any(beads), any(each.beads for each in expected), limb.by)
        foot = f"{caption.text()}.{ticks}"
        canvas, entries, notes = strip.drawn(
            views, counted_off(made, advance), beads, expected, foot
        )
    picture = canvas.drawn()
    cautions = place_and_time.contacts_json(config, circumstances)["caution"]
    # The picture shows times of contacts, so its files carry the cautions.
    caption = replace(caption, description=f"{caption.description}. {cautions}")
    write_tiff_and_png(workspace, NAMES, picture, caption)
    product = Product(
        name="strip",
        title="The contacts",
        caption=f"{len(entries)} frames within {options.span_s:g} s of second and third "
        f"contact by {limb.by}, registered on the Moon, scaled to equal exposure. Times are "
        f"corrected, and refer to the middle of the exposure.{ticks}",
        alt="The Moon's disc with the last and the first light of the Sun beside it",
        picture=NAMES[1],
        numbers=strip.numbers(entries),
        warnings=notes,
        files=[*NAMES, artefact("strip")],
        details=strip.details(entries, options.up, limb=limb, caution=cautions),
    )
    write_product(workspace, reporter, product)


def _ticks(found: bool, expected: bool, by: str) -> str:
    """Return what the ticks on the strip are, empty if it has none."""
    outside = "outside the limb, beads that were found, with their position angles from celestial "
    kinds = [f"{outside}north"] if found else []
    kinds += [f"on the Moon, where {by} makes beads at that time"] if expected else []
    return f" Ticks: {'; '.join(kinds)}." if kinds else ""


def _why_nothing(kind: str) -> str:
    if kind == "partial":
        return (
            "The eclipse is partial at the site: there is neither second nor third contact, so "
            "there are no beads to show. `limbward sheet` shows the crescents."
        )
    if kind == "annular":
        return "No filtered frame has both a time and a place, so there are no contacts to show."
    return (
        "There are no frames of totality or of the minute around it, so there are no contacts "
        "to show."
    )
