"""What the modules of `limbward landscape` write, and what is to be said of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from limbward.config import Config
from limbward.errors import ConfigError
from limbward.landscape.develop import Developed
from limbward.landscape.said import Said
from limbward.landscape.solved import Solved
from limbward.render.writers import Caption, write_png, write_tiff
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.product import Product, artefact, write_product

Developer = Callable[..., Developed | str]
WRITERS = {"png": write_png, "tif": write_tiff}


@dataclass(frozen=True)
class Output:
    """Where it goes, the files that are written, and what is to be said of them."""

    config: Config
    workspace: Workspace
    reporter: Reporter
    files: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def frame(self, made: Developed | str) -> Developed | None:
        """Return a frame; None if it could not be decoded, of which a note is taken."""
        if isinstance(made, str):
            self.notes.append(made)
            return None
        return made

    def caption(self, words: str, *span: str) -> Caption:
        """Return what a picture file says of itself."""
        report, site = self.config.report, self.config.site
        start, end = span or ("", "")
        place = site.latitude, site.longitude
        return Caption(words, report.title, report.author, site.name, start, end, *place)

    def picture(
        self, picture: NDArray[np.uint8], name: str, caption: Caption | str, *more: str
    ) -> list[str]:
        """Write bytes (h, w, 3) below ``sequences/`` as PNG, and as what else is named."""
        pixels = np.moveaxis(picture, -1, 0).astype(np.float32) / np.float32(255.0)
        names = [f"sequences/{name}.{ending}" for ending in ("png", *more)]
        for file, ending in zip(names, ("png", *more), strict=True):
            with self.workspace.writing(file) as part:
                WRITERS[ending](part, pixels, caption)
        self.files.extend(names)
        return names

    def tell(
        self, said: Said, picture: str | None, files: Sequence[str], warnings: Sequence[str] = ()
    ) -> None:
        """Write what is said of a picture for the report."""
        files = [*files, artefact(said.name)]
        product = Product(
            said.name, said.title, said.caption, said.alt, picture, said.numbers, [*warnings],
            files, said.details,
        )  # fmt: skip
        write_product(self.workspace, self.reporter, product)

    def drop(self, *names: str) -> None:
        """Remove what an earlier run said of pictures that are not made now."""
        for name in names:
            self.workspace.remove(artefact(name))

    def named(self, solved: Solved, key: str, name: str) -> int:
        """Return the number of a frame that a key names.

        Raises
        ------
        ConfigError
            If it is none of the wide frames, or not solved.
        """
        try:
            return solved.find(name)
        except LookupError as error:
            where = self.config.where("landscape", key)
            raise ConfigError(f"{where}: {error.args[0]}") from error
