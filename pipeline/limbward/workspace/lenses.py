"""Which lens the photographs name, for captions."""

from __future__ import annotations

from collections import Counter

from limbward.workspace.columns import texts
from limbward.workspace.folder import Workspace


def lens_name_of(workspace: Workspace, camera: str) -> str:
    """Return the lens that most frames of a camera model name; empty if none does.

    Parameters
    ----------
    workspace : Workspace
    camera : str
    """
    ingest = Workspace.table("ingest")
    if not workspace.path(ingest).exists():
        return ""
    table = workspace.read_table(ingest)
    if "lens" not in table.colnames:  # written before there was this column
        return ""
    named = zip(texts(table, "camera"), texts(table, "lens"), strict=True)
    counts = Counter(str(lens) for model, lens in named if model == camera and lens)
    return counts.most_common(1)[0][0] if counts else ""
