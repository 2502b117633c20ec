"""`limbward sheet`: crescents at even steps on one sheet, with totality in the middle."""

from __future__ import annotations

from functools import partial

from limbward.config import Config
from limbward.errors import LimbwardError
from limbward.products.shots import caption_of, counted_off, cuts, read_shots
from limbward.radiance.scratch import let_go, room_on_disk
from limbward.render.space import Space
from limbward.render.writers import Caption, place_text
from limbward.sequences.canvas import Canvas, write_pdf
from limbward.sequences.frame_edge import rather_whole
from limbward.sequences.sheet import Sheet, choose, crescents, scale_for, with_deepest
from limbward.sequences.shots import UP_WORDS
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.composite import read_totality
from limbward.workspace.pictures import write_tiff_and_png
from limbward.workspace.product import Product, artefact, write_product

NAMES = ("sequences/sheet.tif", "sequences/sheet.png", "sequences/sheet.pdf")


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Write the sheet of partial phases.

    Raises
    ------
    LimbwardError
        If there is no crescent to put on it.
    """
    options = config.sheet
    shots = read_shots(config, workspace, ("partial",), options.camera, "sheet")
    if not len(shots):
        raise LimbwardError(
            "There are no frames of the partial phases in which the Sun was measured, so there is "
            "nothing for a sheet."
        )
    total = None
    if options.totality:
        total = read_totality(workspace, Space(config.compose.profile))
    shots = shots.take(rather_whole(shots, options.count))
    chosen, before = choose(shots, options.steps, options.count, total is not None)
    if options.totality and total is None:
        chosen = with_deepest(shots, options.steps, options.count)
    picked = shots.take(chosen)
    scale = scale_for(picked, options.cell_px)
    views = picked.views(options.cell_px, scale, options.up)
    room = partial(room_on_disk, folder=config.resolve(config.workspace))
    with reporter.progress(len(picked), "crescents") as advance:
        made = cuts(config, picked, picked.sun[:, :2], views)
        cells, notes = crescents(picked, views, counted_off(made, advance), options.tint, room)
    sheet = Sheet(picked, views, before, options.layout, options.up, options.times)
    words = f"Solar eclipse of {config.eclipse.isoformat()}, {UP_WORDS[options.up]}"
    site = config.site
    place = place_text(site.name, site.latitude, site.longitude)
    caption = caption_of(config, picked, words, place)
    canvas, on_sheet, off = sheet.drawn(cells, total, caption.text(), room)
    _write(workspace, canvas, caption)
    product = Product(
        name="sheet",
        title="Partial phases",
        caption=f"{len(picked)} crescents by {options.steps}, {UP_WORDS[options.up]}, with "
        "corrected times in UTC.",
        alt=f"{len(picked)} pictures of the partly covered Sun in order of time"
        + (", the corona in the middle" if total is not None else ""),
        picture=NAMES[1],
        numbers=sheet.numbers(off),
        warnings=notes,
        files=[*NAMES, artefact("sheet")],
        details=sheet.details(on_sheet, off),
    )
    write_product(workspace, reporter, product)


def _write(workspace: Workspace, canvas: Canvas, caption: Caption) -> None:
    tif, png, pdf = NAMES
    write_tiff_and_png(workspace, (tif, png), canvas.drawn(), caption)
    let_go(canvas.picture)
    with workspace.writing(pdf) as part:
        write_pdf(part, canvas, caption.description)
