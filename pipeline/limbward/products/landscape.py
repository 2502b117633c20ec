"""`limbward landscape`: where wide frames look, what is in them, and the Sun's path."""

from __future__ import annotations

import astropy.units as u
import numpy as np
from astropy.io import fits
from astropy.table import Table

from limbward.config import Config
from limbward.landscape.lens import directions
from limbward.landscape.solved import Solved
from limbward.landscape.told import names_told, numbers_told, session_told, warnings_told
from limbward.products import landscape_path, landscape_sky
from limbward.products.landscape_pictures import write_copies
from limbward.products.wide_frames import Made, developer, read_wide
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.columns import masked_floats, masked_texts
from limbward.workspace.frames import assemble_frames
from limbward.workspace.product import Product, artefact, write_product

SKY = "sky.json"
TABLE = Workspace.table("landscape")
DIRECTIONS_PX = 1000  # longer side of the maps of directions, which are smooth


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Write sky.json, the times, the maps of directions and the pictures.

    Raises
    ------
    LimbwardError
        If there are no wide frames, or the Sun shows in none of them.
    """
    wide = read_wide(config, workspace, reporter)
    solved = wide.solved
    told = session_told(solved)
    workspace.write_json(SKY, told)
    _write_times(workspace, solved)
    assemble_frames(workspace)
    made = Made([SKY, TABLE, *_write_directions(workspace, solved)])
    with developer(config, wide) as developed:
        annotated = write_copies(config, workspace, reporter, solved, developed, made)
        landscape_path.write(config, workspace, reporter, solved, developed, made)
    landscape_sky.write(config, workspace, reporter, solved, made)
    named = names_told(told)
    words = "" if annotated is None else f"{annotated[1]} with what is in it."
    product = Product(
        name="landscape",
        title="The whole sky",
        caption=f"{words} The lens, how the tripod stood and the clock follow from "
        f"the Sun{', planets and stars' if named else ''} in {int(solved.placed.sum())} frames.",
        alt="A wide frame with planets, stars, altitudes, azimuths and the horizon marked",
        picture=None if annotated is None else annotated[0],
        numbers=numbers_told(solved, told),
        warnings=[*wide.notes, *warnings_told(solved), *made.notes],
        files=[*made.files, artefact("landscape")],
        details={"lens": told["lens"], "clock": told["clock"], "bodies": named},
    )
    write_product(workspace, reporter, product)


def _write_times(workspace: Workspace, solved: Solved) -> None:
    """Write the times of frames that the stage timing has not dated; frames.ecsv takes them."""
    known = not solved.timed and solved.session.clock is not None
    times = solved.starts_utc() if known else [""] * len(solved.file)
    sigma = np.where([bool(t) for t in times], solved.sigma_s, np.nan)
    table = Table()
    table["file"] = solved.file
    table["time_utc"] = masked_texts(times)
    table["time_utc_sigma"] = masked_floats(sigma, u.s)
    table["stand"] = solved.session.stand
    table["off_px"] = masked_floats(solved.session.off_px, u.pix)
    table["note"] = masked_texts(["wide frame, dated by the light" if t else "" for t in times])
    workspace.write_table(TABLE, table)


def _write_directions(workspace: Workspace, solved: Solved) -> list[str]:
    """Write altitude and azimuth of the pixels, a file for each place of the tripod."""
    seen = solved.frames[0].seen
    step = max(1, -(-max(seen.width, seen.height) // DIRECTIONS_PX))
    names = []
    for stand in range(len(solved.session.fit.poses)):
        planes = directions(solved.session.fit.camera(stand), seen.width, seen.height, step)
        # FITS has the bottom row first.
        hdu = fits.PrimaryHDU(np.stack(planes)[:, ::-1].astype(np.float32))
        hdu.header["BUNIT"] = "deg"
        hdu.header["STEP"] = (step, "raw pixels from one value to the next")
        hdu.header["COMMENT"] = "First plane altitude, refraction included; second azimuth from N."
        names.append(f"landscape/directions-{stand}.fits")
        with workspace.writing(names[-1]) as part:
            hdu.writeto(part, overwrite=True)
    return names
