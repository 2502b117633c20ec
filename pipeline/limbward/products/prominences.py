"""`limbward prominences`: each prominence of the merge at its own scale, with its height."""

from __future__ import annotations

from dataclasses import replace
from math import hypot

import numpy as np
from numpy.typing import NDArray

from limbward.camera.colours import read_colours
from limbward.config import Config, place_and_time
from limbward.errors import LimbwardError
from limbward.geometry.grid import north_known, read_geometry
from limbward.radiance.fits import read_picture
from limbward.render.compose import blur_of
from limbward.render.writers import write_png
from limbward.sequences.prominence_crops import (
    box_of,
    crop_of,
    entry_of,
    lowest_in_sight,
    overview,
    prominences_of,
    white_corona,
)
from limbward.sequences.prominences import Prominence, km_per_arcsec
from limbward.sky.best_limb import smooth_limb
from limbward.stages.captions import caption_of_merge
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.pictures import write_tiff_and_png
from limbward.workspace.product import Product, artefact, write_product
from limbward.workspace.stored import merged_limb_widths

Pixels = NDArray[np.float32]

SAMPLED_PX = 0.7  # blur of a mosaic in which each second pixel is red, standard deviation
FOLDER = "sequences/prominences"
OVERVIEW = "sequences/prominences.png"


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Write a crop of each prominence and an overview with the measures.

    Raises
    ------
    LimbwardError
        If there is no corona, or no prominence in it.
    """
    options = config.prominences
    path = workspace.path(Workspace.corona)
    if not path.exists():
        if place_and_time.covered(config, place_and_time.eclipse(config)) is None:
            raise LimbwardError(
                "The eclipse is not total at the site, so there is no corona with prominences in "
                "it. Photographs in hydrogen-alpha show them: `limbward chromosphere`."
            )
        raise LimbwardError(
            f"There is no merged corona ({path.name}) in the workspace, so there are no "
            "prominences to measure: run `limbward run` on a card with totality."
        )
    with reporter.progress(2, "prominences") as advance:
        radiance, header, _ = read_picture(path)
        grid, sun, _ = read_geometry(header)
        linear = white_corona(radiance, sun, *read_colours(header))
        del radiance
        widths = merged_limb_widths(workspace)
        # Light that is clipped up to the Moon's limb ends there without any width.
        blur_px = hypot(blur_of(widths[widths > 0.0]), SAMPLED_PX)
        found = prominences_of(linear, grid, sun, blur_px)[: options.count]
        found, limb = _above_the_moon(config, found, north_known(header))
        advance()
        if not found:
            lowest = lowest_in_sight(linear, grid, sun)
            raise LimbwardError(
                "No prominence stands out in the merged corona, which begins "
                f"{lowest:.0f} arcsec above the Sun's limb where the Moon covered least. What "
                f"rises less than half a pixel higher ({0.5 * grid.scale_arcsec:.1f} arcsec) "
                "cannot be told from the Moon's edge."
            )
        km = km_per_arcsec(float(header["DSUN_OBS"]))
        _remove_old(workspace)
        caption = caption_of_merge(config, workspace, header, "as merged")
        whole = caption.description
        entries, crops = [], []
        files: list[str] = []
        for number, p in enumerate(found, start=1):
            box = box_of(p, grid, sun, options.margin_arcsec)
            crops.append(crop_of(linear, box))
            name = f"{FOLDER}/{number:02d}-pa{p.position_angle:05.1f}"
            both = f"{name}.tif", f"{name}.png"
            said = replace(caption, description=f"Prominence, {p.words(km)}; {whole}")
            write_tiff_and_png(workspace, both, crops[-1], said)
            files += both
            entries.append(entry_of(p, km, box, f"{name}.tif"))
        with workspace.writing(OVERVIEW) as part:
            said = replace(caption, description=f"Prominences; {whole}")
            write_png(part, overview(found, crops, km), said)
        advance()
    product = Product(
        name="prominences",
        title="Prominences",
        caption="Crops of the linear merge at its own scale, enlarged here, each with its "
        "position angle from celestial north and its height above the Sun's limb: where the "
        "red of hydrogen is half as bright as the corona behind it, less what the picture's blur "
        "moves that outwards. The error holds noise and blur."
        + (f" Above the Moon: above {limb} there, when it stood lowest in totality." * bool(limb)),
        alt=f"{len(found)} crops of the Sun's limb with prominences",
        picture=OVERVIEW,
        numbers={f"{n}": p.words(km) for n, p in enumerate(found, start=1)},
        files=[*files, artefact("prominences")],
        details={
            "scale_arcsec": grid.scale_arcsec,
            "up_position_angle": grid.up_position_angle,
            "km_per_arcsec": round(km, 3),
            "limb": "the Sun's, by the ephemeris",
            # Of moon_limb_arcsec and height_above_moon_arcsec; null where it is not known.
            "moon_limb": limb or None,
            "prominences": entries,
        },
    )
    write_product(workspace, reporter, product)


def _above_the_moon(
    config: Config, found: list[Prominence], oriented: bool
) -> tuple[list[Prominence], str]:
    """Return prominences with the height of the Moon's limb there, and which limb that is.

    Without a known north the limb's mountains lie nobody knows where: then the Moon is smooth.
    """
    circumstances = place_and_time.eclipse(config)
    radii = place_and_time.radii(config)
    limb = place_and_time.moon_limb(config, circumstances)
    if limb is None or circumstances.kind != "total":
        return found, ""
    if not oriented:
        limb = smooth_limb(circumstances, radii)
    over = limb.lowest_over_sun(
        np.array([p.position_angle for p in found]),
        place_and_time.site(config),
        radii.solar_radius_km,
        config.sky.ephemeris,
    )
    placed = [replace(p, moon_arcsec=float(h)) for p, h in zip(found, over, strict=True)]
    return placed, limb.by


def _remove_old(workspace: Workspace) -> None:
    """Remove the crops of an earlier run: there may be fewer now."""
    for path in sorted(workspace.path(FOLDER).glob("??-pa*.*")):
        workspace.remove(f"{FOLDER}/{path.name}")
