"""What becomes of a good corona of an earlier run."""

from __future__ import annotations

from collections.abc import Callable

from astropy.io import fits

from limbward.workspace.folder import Workspace

FEWER = 0.75  # of the frames of an earlier corona: below this it is kept


def keep_better(workspace: Workspace, frames: int, warn: Callable[[str], None]) -> None:
    """Keep the corona of an earlier run under another name if clearly more frames went into it.

    A card that came loose must not cost a good corona: that of fewer than `FEWER` of the frames
    takes its place, but not silently.

    Parameters
    ----------
    workspace : Workspace
    frames : int
        Merged now; 0 if there will be no corona.
    warn : callable
        Told of a corona that is kept.
    """
    path = workspace.path(Workspace.corona)
    try:
        before = int(fits.getheader(path).get("NFRAMES", 0))
    except (OSError, ValueError, TypeError, fits.VerifyError):
        return  # none, or one that is damaged
    if frames >= FEWER * before:
        return
    kept = workspace.keep(Workspace.corona, always=True)
    warn(
        f"Only {frames} frames can be merged now. The corona of the previous run was made from "
        f"{before} and is kept as {kept}. Are all the cards connected?"
    )
