"""The config that the page changes, and the workspace that it shows."""

from __future__ import annotations

import os
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from threading import RLock
from typing import Any

from limbward.config import Config
from limbward.config.edit import Changes, edited
from limbward.config.loading import read_config
from limbward.config.yaml_source import decoded
from limbward.errors import ConfigError, LimbwardError
from limbward.workspace import Workspace, atomic_path


class Conflict(LimbwardError):
    """The config is another than the one that a page knows."""


@dataclass(frozen=True)
class Loaded:
    """A config as it stands in its file.

    Attributes
    ----------
    config : Config
    text : str
    revision : str
        A digest of the file.
    """

    config: Config
    text: str
    revision: str


class Session:
    """One config and its workspace, for all pages that are open.

    Parameters
    ----------
    path : Path
        The config file.
    workspace : Path, optional
        In place of the one that the config names.
    """

    def __init__(self, path: Path, workspace: Path | None = None) -> None:
        self.path = Path(path).expanduser()
        self._workspace = workspace
        self._lock = RLock()
        self._last: Loaded | None = None

    def load(self) -> Loaded:
        """Return the config as it is in the file now.

        Raises
        ------
        ConfigError
            If it cannot be read or is not valid.
        """
        with self._lock:
            data = self._read()
            revision = _digest(data)
            if self._last is None or self._last.revision != revision:
                text = decoded(data, str(self.path))
                config = read_config(text, str(self.path), self.path.parent)
                self._last = Loaded(config, text, revision)
            return self._last

    def workspace(self, config: Config) -> Workspace:
        """Return the workspace of a config."""
        return Workspace(self._workspace or config.resolve(config.workspace))

    @property
    def workspace_option(self) -> Path | None:
        """What the command line named as the workspace."""
        return self._workspace

    def revision(self) -> str:
        """Return the digest of the file as it is now; empty if it cannot be read."""
        try:
            return _digest(self._read())
        except ConfigError:
            return ""

    def save(self, changes: Changes, revision: str) -> Loaded:
        """Change the config file.

        Parameters
        ----------
        changes : mapping
            As `limbward.config.edit.edited` takes them.
        revision : str
            That of the file on which the changes are based.

        Raises
        ------
        Conflict
            If the file is another one now. Nothing is written then.
        ConfigError
            If the result were no valid config. Nothing is written then either.
        """
        with self._lock:
            before = self.load()
            if before.revision != revision:
                raise Conflict("The config file was changed elsewhere meanwhile.")
            if not changes:
                return before
            text = edited(before.text, changes, str(self.path))
            config = read_config(text, str(self.path), self.path.parent)
            data = text.encode("utf-8")
            real = Path(os.path.realpath(self.path))

            def settle(part: Path) -> None:
                os.chmod(part, real.stat().st_mode & 0o7777)
                if self.revision() != revision:  # an editor was faster
                    raise Conflict("The config file was changed elsewhere meanwhile.")

            with atomic_path(real, settle) as part:
                part.write_bytes(data)
            self._last = Loaded(config, text, _digest(data))
            return self._last

    def _read(self) -> bytes:
        try:
            return self.path.read_bytes()
        except OSError as error:
            raise ConfigError(f"{self.path}: cannot be read ({error.strerror}).") from error


def _digest(data: bytes) -> str:
    return sha256(data).hexdigest()


def clean(value: Any) -> Any:
    """Return a value as JSON holds it: numbers that are none become null."""
    if isinstance(value, float):
        return value if value == value and abs(value) != float("inf") else None
    if isinstance(value, dict):
        return {str(k): clean(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [clean(v) for v in value]
    return value
