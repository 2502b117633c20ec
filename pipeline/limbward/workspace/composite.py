"""The composite of a run, as a sheet of partial phases has it in its middle."""

from __future__ import annotations

import numpy as np
import tifffile

from limbward.errors import LimbwardError
from limbward.geometry.grid import read_geometry
from limbward.radiance.fits import open_picture
from limbward.render.space import Space, to_srgb
from limbward.sequences.totality import Totality
from limbward.workspace.folder import Workspace


def read_totality(workspace: Workspace, space: Space) -> Totality | None:
    """Return the composite with its scale and directions; None where there is none.

    Parameters
    ----------
    workspace : Workspace
    space : Space
        Of its colours.

    Raises
    ------
    LimbwardError
        If it cannot be read.
    """
    names = Workspace.composite_tif, Workspace.corona, Workspace.tone
    tif, corona, _ = paths = [workspace.path(name) for name in names]
    if not all(path.exists() for path in paths):
        return None
    try:
        with open_picture(corona) as hdus:
            header = hdus[0].header
        grid, _, _ = read_geometry(header)
        told = workspace.read_json(Workspace.tone)
        sun, up = told["sun"], float(told["up_position_angle"])
        data = tifffile.imread(tif)
    except (OSError, LookupError, TypeError, ValueError, tifffile.TiffFileError) as error:
        raise LimbwardError(
            f"The composite cannot be read ({error}); run `limbward run --from compose`."
        ) from error
    picture = np.moveaxis(data, -1, 0).astype(np.float32) / np.float32(65535.0)
    return Totality(
        to_srgb(picture, space),
        grid.scale_arcsec,
        up,
        float(header["SOLARPA"]),
        float(header["ZENITHPA"]),
        str(header["DATE-AVG"])[11:19],
        (float(sun["x"]), float(sun["y"])),
    )
