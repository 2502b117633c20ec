"""`limbward chromosphere`: the Sun in hydrogen-alpha, stacked from all phases, and measured."""

from __future__ import annotations

from functools import partial

import numpy as np
from numpy.typing import NDArray

from limbward.camera.bands import line_camera
from limbward.config import Config, place_and_time
from limbward.errors import LimbwardError
from limbward.geometry.grid import Observer
from limbward.products.shots import cuts, read_shots
from limbward.radiance.field import observer_of
from limbward.radiance.fits import write_picture
from limbward.render.line import shown
from limbward.render.writers import Caption, write_png
from limbward.sequences.line_disc import (
    FEATHER,
    LineDisc,
    Stack,
    flattened,
    prominences_of,
    unseen_limb,
)
from limbward.sequences.line_session import (
    ROUNDS,
    Session,
    add_totality,
    excess_by_discs,
    line_header,
    placed_entries,
    session_of,
    stack_of,
)
from limbward.sequences.prominences import Prominence, km_per_arcsec
from limbward.sequences.shots import Shots
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.columns import floats, texts
from limbward.workspace.product import Product, artefact, write_product
from limbward.workspace.stored import read_stage_table, read_sun_excess

# Heights of the simulators' prominences are within an arcsecond in pixels of up to about 4.
RESOLVED_ARCSEC = 5.0
UNSEEN = 0.01  # of the limb, from which it is told
COARSE = "; these pixels are too coarse for heights within an arcsecond"
FITS, PNG = Workspace.chromosphere, "sequences/chromosphere.png"


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Write the Sun in the line as FITS and PNG, and the prominences that are measured in it.

    Raises
    ------
    LimbwardError
        If no frame of a body in a spectral line shows the Sun's disc.
    """
    camera = config.chromosphere.camera or _line_camera(workspace)
    shots = read_shots(config, workspace, ("partial",), camera, "chromosphere")
    if not len(shots):
        raise LimbwardError(
            "There are no frames of the partial phases in hydrogen-alpha. Say which camera took "
            "them by bodies: [{camera: ..., band: h-alpha}] in the config."
        )
    dark = read_shots(
        config, workspace, ("totality", "contact"), camera, "chromosphere", placed=False
    )
    told = read_sun_excess(workspace, (shots.camera, shots.serial))
    excess, excess_sigma = told or (excess_by_discs(shots), None)
    session = session_of(shots, excess, _blurs(workspace, shots))
    stack = stack_of(session, excess)
    cutter = partial(cuts, config)
    notes: list[str] = []
    with reporter.progress(2 * len(shots), "stacking the disc") as advance:
        for k, cut in session.cuts(cutter):
            session.look(stack, k, cut)
            advance()
        stack.settle()
        for k, cut in session.cuts(cutter):
            notes += filter(None, [session.add(stack, k, cut, FEATHER)])
            advance()
    placed: dict[int, NDArray[np.float64]] = {}
    if len(dark):
        blurs = _blurs(workspace, dark)
        with reporter.progress((ROUNDS + 1) * len(dark), "registering totality") as advance:
            placed, said = add_totality(stack, session, dark, blurs, cutter, advance)
        notes += said
    disc = stack.disc()
    unseen = unseen_limb(disc, stack.away)
    if unseen > UNSEEN:
        notes.append(
            f"{100.0 * unseen:.0f} % of the Sun's limb lies beyond the edge of every frame; "
            "prominences there are not seen."
        )
    found = prominences_of(disc, excess, stack.away)[: config.prominences.count]
    sky = place_and_time.view_at(config, shots.epoch)
    observer = observer_of(sky, config.sky.solar_radius_km)
    _write(config, workspace, session, disc, stack, observer)
    scale = session.view.scale_arcsec
    km = km_per_arcsec(observer.distance_km * 1000.0)
    product = Product(
        name="chromosphere",
        title="Chromosphere",
        caption="The Sun in hydrogen-alpha: frames of all phases registered on its disc, without "
        "limb darkening and scattered light. Heights are above the limb in white light, to where a "
        "prominence falls to half of its brightness at the top, or to 1 % of the disc's centre, "
        "after the picture's blur was taken out as far as its pixels allow. Their errors hold what "
        "fine threads and tops near that 1 % leave open. What rises less than three times the blur "
        "above the disc cannot be told from its limb" + COARSE * (scale > RESOLVED_ARCSEC) + ".",
        alt="The Sun's disc in hydrogen-alpha with prominences",
        picture=PNG,
        numbers=_numbers(excess, excess_sigma, len(shots), len(placed), found, km),
        warnings=notes,
        files=[FITS, artefact("chromosphere")],
        details={
            "camera": shots.camera,
            "serial": shots.serial,
            "sun_radius_excess": excess,
            "sun_radius_excess_sigma": excess_sigma,
            "frames": len(shots) + len(placed),
            "registered_in_totality": placed_entries(dark, placed),
            "prominences": [p.entry(km) for p in found],
        },
    )
    write_product(workspace, reporter, product)


def _line_camera(workspace: Workspace) -> str | None:
    """Return the camera with most frames in a spectral line; None before the first run.

    Raises
    ------
    LimbwardError
        If no frame is in such a line.
    """
    if not workspace.path(Workspace.table("ingest")).exists():
        return None
    ingest = read_stage_table(workspace, "ingest")
    try:
        return line_camera(*(texts(ingest, name) for name in ("band", "camera", "serial")))
    except LookupError as error:
        raise LimbwardError(
            "No frame is in the light of a spectral line; if some are, give their camera a band "
            "under bodies in the config, such as bodies: [{name: solar telescope, "
            "files: ['card-2/*'], band: h-alpha}]."
        ) from error


def _blurs(workspace: Workspace, shots: Shots) -> NDArray[np.float64]:
    """Return the blur of the limb in each frame, raw pixels; NaN where it was not measured."""
    ingest = read_stage_table(workspace, "ingest")
    by_file = dict(zip(texts(ingest, "file"), floats(ingest, "limb_width"), strict=True))
    return np.array([by_file.get(file, np.nan) for file in shots.file], float)


def _write(
    config: Config,
    workspace: Workspace,
    session: Session,
    disc: LineDisc,
    stack: Stack,
    observer: Observer,
) -> None:
    flat = flattened(disc, stack.away)
    extensions = {"SIGMA": disc.sigma, "COUNT": disc.count, "FLAT": flat}
    with workspace.writing(FITS) as part:
        write_picture(part, disc.picture, line_header(session, disc, observer), extensions)
    with workspace.writing(PNG) as part:
        picture = shown(flat, stack.away, config.chromosphere.colour)
        write_png(part, picture, Caption("The Sun in hydrogen-alpha"))


def _numbers(
    excess: float,
    sigma: float | None,
    partial: int,
    dark: int,
    found: list[Prominence],
    km: float,
) -> dict[str, str]:
    doubt = "" if sigma is None else f" ± {100.0 * sigma:.2f}"
    told = {
        "Sun larger than in white light by": f"{100.0 * excess:.2f}{doubt} %",
        "frames": f"{partial} of partial phases, {dark} of totality",
    }
    return told | {f"{n}": p.words(km) for n, p in enumerate(found, start=1)}
