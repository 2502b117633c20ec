"""What a config knows of its file: the folder that paths start from, and where each key stands."""

from __future__ import annotations

from pathlib import Path
from typing import TypeVar

from pydantic import PrivateAttr

from limbward.config.base import Section
from limbward.config.yaml_source import Location, key_path


class Bound(Section):
    """A whole config of a file."""

    _base_dir: Path = PrivateAttr(default=Path())
    _places: dict[Location, str] = PrivateAttr(default_factory=dict)

    @property
    def base_dir(self) -> Path:
        """Folder of the config file; relative paths in the config start here."""
        return self._base_dir

    def resolve(self, path: str) -> Path:
        """Return a path or glob pattern of the config as seen from the working directory."""
        return self._base_dir / Path(path).expanduser()

    def where(self, *location: str | int) -> str:
        """Return ``file:line: key.path`` of a key, to begin a message about it with.

        Examples
        --------
        >>> from limbward.config import Config
        >>> config = Config.model_validate(
        ...     {
        ...         "site": {"latitude": 0.0, "longitude": 0.0},
        ...         "eclipse": "2026-08-12",
        ...         "input": {"cards": ["card"]},
        ...     }
        ... )
        >>> config.where("input", "cards", 0)
        'input.cards[0]'
        """
        shown = key_path(location)
        for end in range(len(location), -1, -1):  # a default has its section's line
            if location[:end] in self._places:
                return f"{self._places[location[:end]]}: {shown}"
        return shown


Whole = TypeVar("Whole", bound=Bound)


def bind(config: Whole, base_dir: Path, places: dict[Location, str]) -> Whole:
    """Return the config with its folder and the ``file:line`` of its keys."""
    bound = config.model_copy()
    bound._base_dir = base_dir
    bound._places = places
    return bound
