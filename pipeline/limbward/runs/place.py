"""Where a workspace may lie: in a folder of its own, apart from everything a run reads."""

from __future__ import annotations

import os
from collections.abc import Iterator
from glob import glob, has_magic
from pathlib import Path

from limbward.config import Config
from limbward.errors import ConfigError
from limbward.workspace import own


def place_fault(config: Config, root: Path) -> str:
    """Return why a folder cannot be the workspace, empty if it can.

    Parameters
    ----------
    config : Config
    root : Path
    """
    real = Path(os.path.realpath(root))
    for source, what in _sources(config):
        if real == source or real in source.parents:
            how = "is" if real == source else "holds"
        elif source in real.parents and source.is_dir():
            how = "lies in"
        else:
            continue
        return (
            f"The workspace {root} {how} {what}, {source}, where a run writes nothing. Name "
            "another folder, with `workspace:` in the config or with --workspace."
        )
    return own.fault(root)


def require_own_place(config: Config, root: Path) -> None:
    """Refuse a workspace that is not a folder of its own.

    Raises
    ------
    ConfigError
        If it is, holds or lies in a folder of photographs, or holds files that are not a run's.
    """
    fault = place_fault(config, root)
    if fault:
        raise ConfigError(f"{config.where('workspace')}: {fault}")


def _sources(config: Config) -> Iterator[tuple[Path, str]]:
    """Yield the folders and files that a run reads, links followed, and what they are."""
    for card in config.input.cards:
        yield _real(config.resolve(card)), "a folder of photographs (input.cards)"
    for key in ("darks", "flats", "bias"):
        for pattern in getattr(config.input, key):
            yield from ((p, f"input.{key}") for p in _reached(str(config.resolve(pattern))))
    for pattern in config.clips.files:
        yield from ((p, "clips.files") for p in _reached(str(config.resolve(pattern))))


def _reached(pattern: str) -> Iterator[Path]:
    """Yield what a glob pattern matches, and a stand-in for what it may match one day.

    A workspace may lie beside files that are named one by one: ``dark*.dng`` next to the config
    does not claim its whole folder.
    """
    if not has_magic(pattern):
        yield _real(Path(pattern))
        return
    for match in glob(pattern, recursive=True):
        if "**" not in pattern or Path(match).is_file():
            yield _real(Path(match))
    parts = Path(pattern).parts
    plain = next(i for i, part in enumerate(parts) if has_magic(part))
    yield _real(Path(*parts[:plain])) / "*"


def _real(path: Path) -> Path:
    return Path(os.path.realpath(path))
