"""`limbward prominences`: each prominence of the merge at its own scale, with its height."""

from __future__ import annotations

from typing import Any

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray

from limbward.config import Config
from limbward.errors import LimbwardError
from limbward.geometry.disc import Disc
from limbward.geometry.grid import Grid, read_geometry
from limbward.products.product import Product, artefact, write_product
from limbward.radiance.fits import read_picture
from limbward.render.colour import solar_white, to_linear_srgb
from limbward.render.writers import Caption, write_png, write_tiff
from limbward.sequences.prominence_crops import box_of, crop_of, overview, prominences_of
from limbward.sequences.prominences import Prominence
from limbward.sky.ephemeris import ARCSEC
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace

Pixels = NDArray[np.float32]

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
        raise LimbwardError(
            f"There is no merged corona ({path.name}) in the workspace, so there are no "
            "prominences to measure: run `limbward run` on a card with totality."
        )
    with reporter.progress(2, "prominences") as advance:
        radiance, header, _ = read_picture(path)
        grid, sun, _ = read_geometry(header)
        linear = _white_corona(radiance, grid, sun, header)
        del radiance
        found = prominences_of(linear, grid, sun)[: options.count]
        advance()
        if not found:
            raise LimbwardError("No prominence stands out in the merged corona.")
        km = km_per_arcsec(header)
        _remove_old(workspace)
        entries, crops, files = [], [], []
        for number, p in enumerate(found, start=1):
            box = box_of(p, grid, sun, options.margin_arcsec)
            crops.append(crop_of(linear, box))
            name = f"{FOLDER}/{number:02d}-pa{p.position_angle:05.1f}"
            for write, suffix in ((write_tiff, "tif"), (write_png, "png")):
                with workspace.writing(f"{name}.{suffix}") as part:
                    write(part, crops[-1], Caption(f"Prominence, {p.words(km)}"))
                files.append(f"{name}.{suffix}")
            entries.append(_entry(p, km, box, f"{name}.tif"))
        with workspace.writing(OVERVIEW) as part:
            write_png(part, overview(found, crops, km), Caption("Prominences"))
        advance()
    product = Product(
        name="prominences",
        title="Prominences",
        caption="Crops of the linear merge at its own scale (enlarged here), each with its "
        "position angle from celestial north and its height above the Sun's limb: where the "
        "red of hydrogen is half as bright as the corona behind it.",
        alt=f"{len(found)} crops of the Sun's limb with prominences",
        picture=OVERVIEW,
        numbers={f"{n}": p.words(km) for n, p in enumerate(found, start=1)},
        files=[*files, artefact("prominences")],
        details={
            "scale_arcsec": grid.scale_arcsec,
            "up_position_angle": grid.up_position_angle,
            "km_per_arcsec": round(km, 3),
            "limb": "the Sun's, by the ephemeris",
            "prominences": entries,
        },
    )
    write_product(workspace, reporter, product)


def _white_corona(radiance: Pixels, grid: Grid, sun: Disc, header: Header) -> Pixels:
    """Return the merge in linear sRGB with a white corona."""
    y, x = np.ogrid[: radiance.shape[1], : radiance.shape[2]]
    rho = (np.hypot(x - sun.x, y - sun.y) / sun.radius).astype(np.float32)
    daylight = np.array([header[f"DAYWB{c}"] for c in (1, 2, 3)], np.float32)
    matrix = np.array([[header[f"SRGB{i}_{j}"] for j in (1, 2, 3)] for i in (1, 2, 3)], np.float32)
    return to_linear_srgb(radiance, solar_white(radiance, rho, daylight), matrix)


def km_per_arcsec(header: Header) -> float:
    """Return how many kilometres at the Sun's distance an arcsecond is."""
    return float(header["DSUN_OBS"]) / 1000.0 / ARCSEC


def _entry(p: Prominence, km: float, box: tuple[slice, slice], file: str) -> dict[str, Any]:
    return {
        "file": file,
        "position_angle": round(p.position_angle, 2),
        "from_position_angle": round(p.first, 2),
        "to_position_angle": round(p.last, 2),
        "height_arcsec": round(p.height_arcsec, 2),
        "height_thousand_km": round(p.thousand_km(km), 2),
        "red_excess": round(p.excess, 2),
        "columns": [box[0].start, box[0].stop],
        "rows": [box[1].start, box[1].stop],
    }


def _remove_old(workspace: Workspace) -> None:
    """Remove the crops of an earlier run: there may be fewer now."""
    for path in sorted(workspace.path(FOLDER).glob("??-pa*.*")):
        workspace.remove(f"{FOLDER}/{path.name}")
