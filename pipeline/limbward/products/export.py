"""`limbward export`: copies of the finished picture for the web, for print and for screens."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import tifffile

from limbward.config import Config
from limbward.errors import LimbwardError
from limbward.radiance.fits import open_picture
from limbward.render.avif import encoder, write_avif
from limbward.render.export import Pixels, parse_size, resized, write_copy
from limbward.render.hdr import hdr_codes
from limbward.render.rotate import turned_up
from limbward.render.space import SRGB, Space, to_srgb
from limbward.render.tone import ToneCurve
from limbward.render.writers import Caption, xmp
from limbward.stages.look import caption_for
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace

FOLDER = "exports/"


def export(
    config: Config, workspace: Workspace, reporter: Reporter, sizes: Sequence[str]
) -> list[str]:
    """Write copies of the finished picture into the folder exports of a workspace.

    Parameters
    ----------
    config : Config
    workspace : Workspace
    reporter : Reporter
    sizes : sequence of str
        As `limbward.render.export.parse_size` takes them.

    Returns
    -------
    list of str
        The files' names in the workspace.

    Raises
    ------
    ConfigError
        If a size is none, or the library that it needs is not installed.
    LimbwardError
        If there is no finished picture, or none of a corona for high dynamic range.
    """
    wanted = [parse_size(size) for size in sizes]
    if any(size.kind == "avif" for size in wanted):
        encoder()
    path = workspace.path(Workspace.composite_tif)
    if not path.exists():
        raise LimbwardError(
            f"There is no finished picture in {workspace.root} yet: run `limbward run` first."
        )
    made: list[str] = []
    with workspace.locked(), reporter.progress(len(wanted), "exporting") as advance:
        # As it was written: the config may say something else by now.
        whole = tifffile.imread(path)
        picture = np.moveaxis(whole, -1, 0).astype(np.float32)
        del whole
        picture /= np.float32(65535.0)
        space = _space_of(workspace)
        caption = _caption(config, workspace)
        sun = _sun(config, workspace)
        for size in wanted:
            if size.kind in ("tif", "avif"):
                copy, own = resized(picture, size, space, sun), space
            else:
                copy, own = resized(to_srgb(picture, space), size, sun=sun), SRGB
            longest = max(picture.shape[1:])
            if size.longest is not None and longest < size.longest:
                reporter.warn(
                    f"{size.name}: the picture has {longest} pixels, fewer than the "
                    f"{size.longest} of this size; it was not enlarged."
                )
            if size.exact is not None and _beyond(size.exact, picture):
                reporter.warn(f"{size.name}: the picture was enlarged, so it is soft.")
            name = f"{FOLDER}composite-{size.name}.{size.kind}"
            with workspace.writing(name) as part:
                if size.kind == "avif":
                    write_avif(part, hdr_codes(copy, _tone(workspace), own), xmp(caption))
                else:
                    write_copy(part, copy, caption, size, own)
            made.append(name)
            advance()
        for kept in workspace.take_kept():
            reporter.warn(kept)
    return made


def _beyond(exact: tuple[int, int], picture: Pixels) -> bool:
    return exact[0] > picture.shape[2] or exact[1] > picture.shape[1]


def _tone(workspace: Workspace) -> ToneCurve:
    """Return the tone curve of the finished picture."""
    if not workspace.path(Workspace.tone).exists():
        raise LimbwardError(
            "Only the picture of a corona has a high dynamic range, and this one is of the Sun's "
            "disc. Export it as .jpg, .png or .tif."
        )
    told = workspace.read_json(Workspace.tone)
    try:
        curve = [float(told[k]) for k in ("dark", "bright", "soft", "floor", "ceiling")]
        # Pictures made before there were these have none.
        return ToneCurve(*curve, *(float(told.get(k, 0.0)) for k in ("brightness", "contrast")))
    except (KeyError, TypeError, ValueError) as error:
        raise _damaged(workspace) from error


def _sun(config: Config, workspace: Workspace) -> tuple[float, float] | None:
    """Return where the Sun is in the finished picture, if that was not cropped by hand."""
    if not workspace.path(Workspace.tone).exists():
        return None
    sun = workspace.read_json(Workspace.tone).get("sun")
    if sun is None or config.compose.crop is not None:
        return None
    try:
        return float(sun["x"]), float(sun["y"])
    except (KeyError, TypeError, ValueError) as error:
        raise _damaged(workspace) from error


def _damaged(workspace: Workspace) -> LimbwardError:
    return LimbwardError(
        f"{workspace.path(Workspace.tone)} is damaged: make the picture again with "
        "`limbward run --from compose`."
    )


def _space_of(workspace: Workspace) -> Space:
    """Return the colour space that the finished TIFF says that it has."""
    with tifffile.TiffFile(workspace.path(Workspace.composite_tif)) as file:
        profile = file.pages[0].tags.get(34675)
        wide = profile is not None and bytes(profile.value) == Space("wide").profile()
    return Space("wide") if wide else SRGB


def _caption(config: Config, workspace: Workspace) -> Caption:
    for artefact in (Workspace.corona, Workspace.sun):
        path = workspace.path(artefact)
        if path.exists():
            with open_picture(path, ()) as hdus:
                header = hdus[0].header
            _, words = turned_up(header, config.compose.up, config.compose.rotation_deg)
            return caption_for(config, workspace, header, words)
    return Caption(title=config.report.title, author=config.report.author)
