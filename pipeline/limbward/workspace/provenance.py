"""What a run was made of and made with: provenance.json."""

from __future__ import annotations

import platform
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, requires, version
from typing import Any

import limbward
from limbward.config import Config
from limbward.errors import LimbwardError
from limbward.workspace import Workspace


@dataclass(frozen=True)
class StageRun:
    """What became of a stage: run or skipped, and how long its last run took."""

    name: str
    skipped: bool
    seconds: float


@contextmanager
def recording(config: Config, workspace: Workspace, runs: list[StageRun]) -> Iterator[None]:
    """Write provenance.json when the block ends, well or not.

    Parameters
    ----------
    config : Config
    workspace : Workspace
    runs : list of StageRun
        Filled while the block runs.
    """
    begun = _now()
    outcome = "failed"
    try:
        yield
        outcome = "done"
    except LimbwardError as error:
        outcome = f"failed: {error}"
        raise
    finally:
        frames = workspace.path(workspace.frames)
        inputs: list[dict[str, Any]] = []
        if frames.exists():
            table = workspace.read_table(workspace.frames)
            inputs = [
                {
                    "file": str(row["file"]),
                    "sha256": _known(row["sha256"]),
                    "size": _known(row["size"]),
                }
                for row in table
            ]
        workspace.write_json(
            workspace.provenance,
            {
                "limbward": limbward.__version__,
                "python": platform.python_version(),
                "platform": platform.platform(),
                "libraries": _library_versions(),
                "began": begun,
                "ended": _now(),
                "outcome": outcome,
                "stages": [vars(run) for run in runs],
                "config": config.model_dump(mode="json"),
                "noise": _noise(workspace),
                "inputs": inputs,
            },
        )


def _noise(workspace: Workspace) -> Any:
    """Return the cameras' noise as the merge found it, None if nothing was merged."""
    there = workspace.path(workspace.noise).exists()
    return workspace.read_json(workspace.noise) if there else None


def _known(value: Any) -> Any:
    """Return a table's value for JSON, None if masked."""
    return None if getattr(value, "mask", False) else getattr(value, "tolist", lambda: value)()


def _library_versions() -> dict[str, str]:
    versions = {}
    for requirement in requires("limbward") or []:
        match = re.match(r"[\w.-]+", requirement)
        if match and "extra ==" not in requirement:
            try:
                versions[match[0]] = version(match[0])
            except PackageNotFoundError:
                versions[match[0]] = "not installed"
    return versions


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
