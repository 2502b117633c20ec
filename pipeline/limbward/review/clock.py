"""The camera clocks for the page: residuals, and times that the user knows."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from limbward.clock.wording import audit_lines
from limbward.config import Config
from limbward.config.edit import REMOVE, Changes
from limbward.config.yaml_source import Location
from limbward.workspace import Workspace


def clocks_of(config: Config, workspace: Workspace) -> dict[str, Any]:
    """Return what each clock did, in words and numbers, and the references of the config."""
    # It brings the report's plots; the first picture does not wait for it.
    from limbward.workspace.reported import read_clocks

    clocks = [
        {
            "name": audit.name,
            "error": audit.error,
            "zone": audit.zone,
            "drift": audit.drift,
            "lines": audit_lines(dict(audit.entry)),
            "rms_s": audit.entry.get("residual_rms_s"),
            "frames_used": audit.entry.get("frames_used"),
            "sources": audit.entry.get("sources", []),
            "warnings": audit.entry.get("warnings", []),
        }
        for audit in read_clocks(workspace)
    ]
    references = [
        {"file": r.file, "utc": r.utc.isoformat().replace("+00:00", "Z")}
        for r in config.timing.references
    ]
    return {"clocks": clocks, "references": references}


def dated(config: Config, file: str, utc: str | None) -> Changes:
    """Return the changes of a config that give a frame a known time, or take it back.

    Parameters
    ----------
    config : Config
    file : str
        Its path as in frames.ecsv.
    utc : str or None
        ISO 8601; without a zone it is UTC.
    """
    references = config.timing.references
    own = [i for i, r in enumerate(references) if file == r.file or file.endswith(f"/{r.file}")]
    if utc is None:
        if not own:
            return {}
        if len(own) == len(references):
            return {("timing", "references"): REMOVE}
        return {("timing", "references", i): REMOVE for i in own}
    text = datetime.fromisoformat(utc).isoformat()
    place: Location = ("timing", "references", own[-1] if own else len(references))
    if own:
        return {(*place, "utc"): text}
    return {place: {"file": file, "utc": text}}
