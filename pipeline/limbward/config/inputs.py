"""The files that a config names: those of the cards, and those of its darks, flats and biases."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from glob import escape, glob
from pathlib import Path
from typing import TYPE_CHECKING

from limbward.camera.card import Listing, find_files
from limbward.config import Config
from limbward.errors import ConfigError
from limbward.workspace import is_workspace

if TYPE_CHECKING:  # it brings the kernels, which `limbward check` does not need
    from limbward.camera.classify import Content


def card_paths(config: Config) -> list[Path]:
    """Return the absolute paths of the cards: folders, or single files.

    Raises
    ------
    ConfigError
        With a line for each that is not there.
    """
    paths = [config.resolve(card).absolute() for card in config.input.cards]
    missing = [
        f"{config.where('input', 'cards', i)}: there is no folder {path}. Connect the card or "
        "correct the path; relative paths start at the config file."
        for i, path in enumerate(paths)
        if not path.exists()
    ]
    if missing:
        raise ConfigError("\n".join(missing))
    return paths


def find_inputs(config: Config) -> tuple[Listing, dict[Path, Content]]:
    """Return the files of the cards and the calibration patterns, and what the latter state.

    Raises
    ------
    ConfigError
        If a folder of photographs is not there.
    """
    base = config.base_dir.absolute()
    roots = card_paths(config)
    stated: dict[Path, Content] = {}
    for content, patterns in _stated_patterns(config).items():
        for path in _matches(config, patterns):
            stated.setdefault(path, content)
    listing = find_files([*roots, *stated], base, config.input.exclude, skip=_is_workspace(config))
    return listing, stated


def _stated_patterns(config: Config) -> dict[Content, list[str]]:
    return {
        "dark": config.input.darks,
        "flat": config.input.flats,
        "bias": config.input.bias,
    }


def _matches(config: Config, patterns: Iterable[str]) -> Iterator[Path]:
    """Yield the files that glob patterns match; of a folder, all that is in it."""
    for pattern in patterns:
        for match in sorted(glob(absolute_pattern(config, pattern), recursive=True)):
            path = Path(match)
            if path.is_dir():
                yield from (p for p in sorted(path.rglob("*")) if p.is_file())
            else:
                yield path


def absolute_pattern(config: Config, pattern: str) -> str:
    """Return a pattern from the config's folder, whose own name is not one: it may hold ``[*]``."""
    start, *rest = Path(pattern).parts or (".",)
    if start.startswith("~"):
        return str(Path(escape(str(Path(start).expanduser())), *rest))
    return str(Path(escape(str(config.base_dir.absolute())), start, *rest))


def without_match(config: Config) -> list[str]:
    """Return the patterns that no file matches."""
    patterns = [p for group in _stated_patterns(config).values() for p in group]
    return [p for p in patterns if next(_matches(config, [p]), None) is None]


def _is_workspace(config: Config) -> Callable[[Path], bool]:
    """Return a test for folders that a run has made, which may lie among the photographs."""
    own = config.resolve(config.workspace).absolute()
    return lambda folder: folder == own or is_workspace(folder)


def nothing_found(config: Config, listing: Listing) -> str:
    """Return that a listing has no frame, and what it has, in a sentence."""
    where = ", ".join(str(path) for path in card_paths(config))
    if not listing.files:
        return f"There are no files in {where}. Name the folders of photographs under input.cards."
    kinds = Counter(f.kind for f in listing.files)
    found = ", ".join(f"{n} {kind}" for kind, n in sorted(kinds.items()))
    return (
        f"There are no RAW, TIFF, FITS or JPEG frames in {where} (found: {found}). Name the "
        "folders of photographs under input.cards; videos are for `limbward clips`."
    )


def inputs_digest(config: Config) -> str:
    """Return a digest of names, sizes and times of all input files."""
    listing, stated = find_inputs(config)
    digest = hashlib.sha256()
    for f in listing.files:
        line = (f.file, f.size, f.mtime_ns, stated.get(f.path))
        digest.update(repr(line).encode("utf-8", "backslashreplace"))
    return digest.hexdigest()
