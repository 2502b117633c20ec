"""The config and the workspace that a command is given."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

# Imported inside: --help should not wait for it.
if TYPE_CHECKING:
    from limbward.config import Config
    from limbward.workspace import Workspace


def load(path: Path, workspace: Path | None, jobs: int | None) -> tuple[Config, Workspace]:
    """Return the config of a file, and the workspace that the command line or the config names.

    Raises
    ------
    ConfigError
        If the config cannot be read or is not valid.
    """
    from limbward.config import with_jobs
    from limbward.config.loading import load_config
    from limbward.workspace import Workspace

    config = with_jobs(load_config(path), jobs)
    return config, Workspace(workspace or config.resolve(config.workspace))
