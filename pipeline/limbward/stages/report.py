"""The report: one HTML file about everything the other stages made."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import limbward
from limbward.config import Config, place_and_time
from limbward.report import Enhanced, Material, build_report, measure_coverage
from limbward.report.beads import contact_limbs
from limbward.report.material import MoonLimb
from limbward.report.wording import composite_caption, report_title
from limbward.runs.stage import Stage
from limbward.sky.wording import contacts_heading, uneven_limb
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.noise import read_noise
from limbward.workspace.product import product_files
from limbward.workspace.reported import (
    SEQUENCES,
    read_clocks,
    read_corona,
    read_frames,
    read_instruments,
    read_moon_limb,
    read_products,
    read_samples,
    read_stars_seen,
    read_sun,
    read_told,
    read_variants,
    read_worst_limbs,
    there,
)
from limbward.workspace.web import write_web_copies


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Write report.html from what artefacts there are."""
    web_px = config.export.web_px
    with reporter.progress(2 if web_px is None else 3, "writing the report") as advance:
        material = read_material(config, workspace)
        advance()
        workspace.write_text(Workspace.report, build_report(material))
        advance()
        if web_px is not None:
            write_web_copies(workspace, _pictures(config, workspace), web_px)
            advance()


def read_material(config: Config, workspace: Workspace) -> Material:
    """Return all that a report tells.

    Parameters
    ----------
    config : Config
    workspace : Workspace
    """
    contacts = read_told(workspace, Workspace.contacts)
    noise = read_noise(workspace)
    corona = read_corona(workspace, noise)
    sun = read_sun(workspace)
    coverage, caption = None, ""
    if sun is not None:
        caption = composite_caption(sun.frames, config.compose.up)
    if corona is not None:
        coverage = measure_coverage(read_samples(workspace), corona.noise)
        caption = composite_caption(corona.frames, config.compose.up)
    return Material(
        title=config.report.title or report_title(contacts.get("kind", ""), config.eclipse),
        author=config.report.author,
        heading=contacts_heading(contacts) if contacts else "",
        version=limbward.__version__,
        contacts=contacts,
        frames=read_frames(workspace),
        clocks=read_clocks(workspace),
        pointings=read_told(workspace, Workspace.pointing).get("cameras", []),
        corona=corona,
        sun=sun,
        coverage=coverage,
        composite=there(workspace, Workspace.composite_png),
        composite_caption=caption,
        noise=[] if noise is None else [asdict(model) for model in noise.models],
        sky=None if noise is None else noise.sky,
        cloud=None if noise is None else noise.cloud,
        ghost=None if noise is None else noise.ghost,
        variants=read_variants(workspace),
        tone=read_told(workspace, Workspace.tone),
        products=read_products(workspace),
        enhanced=_enhanced(config, workspace),
        limbs=read_worst_limbs(workspace),
        moon_limb=_moon_limb(config, workspace, contacts),
        instruments=read_instruments(workspace),
        stars=read_stars_seen(workspace),
    )


def _pictures(config: Config, workspace: Workspace) -> list[str]:
    """Return the finished pictures, and those of products."""
    products = [
        name
        for path in sorted(workspace.path(SEQUENCES).glob("*.json"))
        for name in product_files(workspace, path.stem)
    ]
    composed = (Workspace.composite_png, Workspace.annotated, Workspace.polar)
    enhanced = [Workspace.enhanced(recipe.name)[2] for recipe in config.enhance]
    return [*composed, Workspace.side_by_side, *enhanced, *products]


TABLES = ("ingest", "timing", "align", "merge", "bodies", "shares", "stars")


def _moon_limb(
    config: Config, workspace: Workspace, contacts: Mapping[str, Any]
) -> MoonLimb | None:
    """Return the Moon's limb where the eclipse is total or annular and it is not smooth."""
    if not uneven_limb(contacts)[0]:
        return None
    limb = place_and_time.moon_limb(config, place_and_time.eclipse(config))
    if limb is None:
        return None
    drawn = contact_limbs(limb, place_and_time.site(config), config.sky.ephemeris)
    return read_moon_limb(workspace, contacts, limb.by, drawn)


def _enhanced(config: Config, workspace: Workspace) -> list[Enhanced]:
    """Return the enhanced versions that were made, of those that the config asks for."""
    found = []
    for recipe in config.enhance:
        picture = there(workspace, Workspace.enhanced(recipe.name)[2])
        if picture is not None:
            found.append(Enhanced(recipe.name, picture, [step.words for step in recipe.steps]))
    return found


def _reads(config: Config) -> tuple[str, ...]:
    return (
        Workspace.frames,
        Workspace.contacts,
        Workspace.clock,
        Workspace.pointing,
        Workspace.stars,
        Workspace.corona,
        Workspace.sun,
        Workspace.composite_png,
        Workspace.noise,
        Workspace.annotated,
        Workspace.side_by_side,
        Workspace.polar,
        Workspace.tone,
        SEQUENCES,
        Workspace.reduced,
        Workspace.previews,
        *(Workspace.table(name) for name in TABLES),
        *(Workspace.enhanced(recipe.name)[2] for recipe in config.enhance),
    )


STAGE = Stage(
    name="report",
    run=run,
    sections=("eclipse", "site", "sky", "report", "enhance", "compose", "export"),
    loads=("report",),
    reads=_reads,
    writes=(Workspace.report,),
)
