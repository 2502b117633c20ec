"""What `limbward landscape` tells of wide frames as tables: their times, and their directions."""

from __future__ import annotations

import astropy.units as u
import numpy as np
from astropy.io import fits
from astropy.table import Table

from limbward.landscape.lens import directions
from limbward.landscape.solved import Solved
from limbward.workspace.columns import masked_floats, masked_texts
from limbward.workspace.folder import Workspace

TABLE = Workspace.table("landscape")
DIRECTIONS_PX = 1000  # longer side of the maps of directions, which are smooth


def write_times(workspace: Workspace, solved: Solved) -> None:
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


def write_directions(workspace: Workspace, solved: Solved) -> list[str]:
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
