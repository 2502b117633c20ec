"""What is said of each product: one JSON file, which the report reads, and where it lies."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

from limbward.work.reporting import Reporter
from limbward.workspace.folder import Workspace


@dataclass(frozen=True)
class Product:
    """One product as the report shows it.

    Attributes
    ----------
    name : str
        Of the command.
    title, caption, alt : str
    picture : str or None
        A PNG, named from the workspace.
    numbers : dict
        Label to text.
    warnings, files : list of str
    details : dict
        Places, times and angles, for other programs.
    """

    name: str
    title: str
    caption: str
    alt: str
    picture: str | None
    numbers: dict[str, str] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)
    files: list[str] = field(default_factory=list)
    details: dict[str, Any] = field(default_factory=dict)


def write_product(workspace: Workspace, reporter: Reporter, product: Product) -> None:
    """Write what is to be said of a product, in place of what an earlier run said, and warn."""
    workspace.write_json(artefact(product.name), asdict(product))
    for warning in product.warnings:
        reporter.warn(warning)


def product_files(workspace: Workspace, name: str) -> list[str]:
    """Return the files of a product, its picture first."""
    told: dict[str, Any] = workspace.read_json(artefact(name))  # just written
    first = [told["picture"]] if told["picture"] else []
    return [*first, *(f for f in told["files"] if f not in first)]


def artefact(name: str) -> str:
    """Return the name of the JSON file of a product."""
    return f"sequences/{name}.json"
