"""The pictures that a report shows, with what is said of them."""

from __future__ import annotations

from pathlib import Path

from limbward.config import Config
from limbward.errors import LimbwardError
from limbward.report import Enhanced, Product
from limbward.workspace import Workspace

SEQUENCES = "sequences/"


def there(workspace: Workspace, name: str) -> Path | None:
    """Return where an artefact lies, None if it was not made."""
    path = workspace.path(name)
    return path if path.is_file() else None


def read_enhanced(config: Config, workspace: Workspace) -> list[Enhanced]:
    """Return the enhanced versions that were made."""
    found = []
    for recipe in config.enhance:
        picture = there(workspace, Workspace.enhanced(recipe.name)[2])
        if picture is not None:
            done = [
                " ".join([f"the filter {s.filter}", *(f"{k}={v}" for k, v in s.params.items())])
                for s in recipe.steps
            ]
            found.append(Enhanced(recipe.name, picture, done))
    return found


def read_variants(workspace: Workspace) -> list[Product]:
    """Return the finished picture in the other forms that compose makes."""
    known = (
        (
            Workspace.annotated,
            "With its coordinates",
            "Position angle, distance in solar radii, scale and what the picture is made of.",
            "The corona with circles at whole solar radii and position angles drawn over it.",
        ),
        (
            Workspace.side_by_side,
            "What it is made of",
            "The linear corona, white at the limb; the filtered one; and the finished picture.",
            "Three pictures of the same corona beside each other: linear, filtered, finished.",
        ),
        (
            Workspace.polar,
            "Unwrapped about the Sun",
            "Position angle along, distance from the Sun's centre upwards.",
            "The corona unwrapped: the limb is a level line and streamers rise from it.",
        ),
    )
    return [
        Product(title, workspace.path(name), caption, alt)
        for name, title, caption, alt in known
        if workspace.path(name).is_file()
    ]


def read_products(workspace: Workspace) -> list[Product]:
    """Return the sequences and clips that were made, each of which has a JSON file.

    Raises
    ------
    LimbwardError
        If such a file is damaged.
    """
    return [_product(workspace, p) for p in sorted(workspace.path(SEQUENCES).glob("*.json"))]


def _product(workspace: Workspace, path: Path) -> Product:
    told = workspace.read_json(f"{SEQUENCES}{path.name}")
    try:
        return Product(
            title=str(told["title"]),
            picture=there(workspace, told["picture"]) if told["picture"] else None,
            caption=str(told["caption"]),
            alt=str(told["alt"]),
            numbers={str(k): str(v) for k, v in told["numbers"].items()},
            warnings=[str(w) for w in told["warnings"]],
            files=[str(f) for f in told["files"]],
        )
    except (LookupError, TypeError, AttributeError) as error:
        raise LimbwardError(
            f"{path} does not tell what was made; delete it and make the {path.stem} again."
        ) from error
