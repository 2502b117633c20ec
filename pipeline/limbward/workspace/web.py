"""Finished pictures once more as JPEGs for the web."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import PurePosixPath

from limbward.render.export import write_web_jpeg
from limbward.workspace.folder import Workspace

FOLDER = "exports/web/"


def web_name(artefact: str) -> str:
    """Return where the JPEG of a picture lies.

    Examples
    --------
    >>> web_name("enhanced/nrgf.png"), web_name("sequences/strip.png"), web_name("composite.png")
    ('exports/web/enhanced-nrgf.jpg', 'exports/web/strip.jpg', 'exports/web/composite.jpg')
    """
    path = PurePosixPath(artefact)
    parts = [part for part in path.parts[:-1] if part not in ("sequences", "pictures")]
    return f"{FOLDER}{'-'.join([*parts, path.stem])}.jpg"


def write_web_copies(workspace: Workspace, names: Iterable[str], longest_px: int) -> list[str]:
    """Write a JPEG of each of some PNG pictures of a workspace that are there.

    Parameters
    ----------
    workspace : Workspace
    names : iterable of str
        Of the PNGs; what is none is passed over.
    longest_px : int
        Of the longer side; no picture is enlarged.

    Returns
    -------
    list of str
        What was written.
    """
    made = []
    for name in dict.fromkeys(names):
        path = workspace.path(name)
        if path.suffix != ".png" or not path.is_file():
            continue
        with workspace.writing(web_name(name)) as part:
            write_web_jpeg(path, part, longest_px)
        made.append(web_name(name))
    return made
