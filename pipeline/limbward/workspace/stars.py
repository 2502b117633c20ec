"""stars.json and tables/stars.ecsv: what the stars in each body's frames tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import astropy.units as u
import numpy as np
from astropy.table import Table

from limbward.geometry.pointing import Pointing
from limbward.stars.session import Star, StarField
from limbward.workspace.columns import flags, floats, texts
from limbward.workspace.folder import Workspace

UNITS: dict[str, u.UnitBase] = {
    **dict.fromkeys(("magnitude", "measured_magnitude", "magnitude_sigma"), u.mag),
    **dict.fromkeys(("east", "north", "miss_east", "miss_north", "sigma"), u.arcsec),
}


@dataclass(frozen=True)
class BodyStars:
    """The search for stars in the frames of one body.

    Attributes
    ----------
    camera, serial : str
    frames : int
        That were searched.
    rotation_deg_per_hour : float
        Of the field.
    field : StarField or None
        None if no star is sure.
    decides : bool
        Whether the orientation is that of the stars, since nothing told a better one.
    """

    camera: str
    serial: str
    frames: int
    rotation_deg_per_hour: float
    field: StarField | None
    decides: bool

    def pointing(self, before: Pointing | None) -> Pointing | None:
        """Return how the camera stood by what was known before and by what stars tell better."""
        if self.field is None:
            return before
        found = self._orientation.with_lens_of(before) if self.decides else before
        return None if found is None else found.drawn(self.field.radial, self.field.radial_sigma)

    @property
    def _orientation(self) -> Pointing:
        assert self.field is not None
        return Pointing(
            self.camera,
            self.serial,
            self.field.orientation,
            self.field.up_sigma_deg,
            self.rotation_deg_per_hour,
        )


def write_stars(workspace: Workspace, bodies: Sequence[BodyStars]) -> None:
    """Write both; what there is nothing to say of is removed.

    Parameters
    ----------
    workspace : Workspace
    bodies : sequence of BodyStars
        Those whose frames were searched.
    """
    if bodies:
        workspace.write_json(Workspace.stars, {"cameras": [_entry(b) for b in bodies]})
    else:
        workspace.remove(Workspace.stars)
    found = [(b, star) for b in bodies if b.field is not None for star in b.field.stars]
    name = Workspace.table("stars")
    if not found:
        workspace.remove(name)
        return
    table = Table()
    table["camera"] = [b.camera for b, _ in found]
    table["serial"] = [b.serial for b, _ in found]
    for column in fields(Star):
        values = np.array([getattr(star, column.name) for _, star in found])
        table[column.name] = values * UNITS[column.name] if column.name in UNITS else values
        if values.dtype.kind == "f":
            table[column.name].info.format = ".4f"
    workspace.write_table(name, table)


def _entry(body: BodyStars) -> dict[str, Any]:
    told: dict[str, Any] = {
        "camera": body.camera,
        "serial": body.serial,
        "frames": body.frames,
        "stars": 0 if body.field is None else len(body.field.stars),
        "decides": body.decides,
    }
    if body.field is None:
        return told
    field = body.field
    return told | {
        "chance": field.chance,
        "pixel_scale_arcsec": round(field.orientation.pixel_scale_arcsec, 6),
        "pixel_scale_sigma": round(field.scale_sigma_arcsec, 7),
        "up_position_angle": round(field.orientation.up_position_angle, 5),
        "up_position_angle_sigma": round(field.up_sigma_deg, 5),
        "mirrored": field.orientation.mirrored,
        "field_rotation_deg_per_hour": round(body.rotation_deg_per_hour, 4),
        "distortion": round(field.radial, 6),
        "distortion_sigma": round(field.radial_sigma, 6) if field.radial_sigma == field.radial_sigma
        else None,
        # Found with the Sun where a wrong orientation had it, it means nothing.
        "sun_off_arcsec": None if body.decides else round(field.sun_off_arcsec, 3),
    }  # fmt: skip


def read_star_cameras(workspace: Workspace) -> list[dict[str, Any]]:
    """Return the cameras of stars.json; none if it was not made."""
    if not workspace.path(Workspace.stars).is_file():
        return []
    told = workspace.read_json(Workspace.stars)
    cameras = told.get("cameras", []) if isinstance(told, dict) else []
    return [c for c in cameras if isinstance(c, dict)]


def read_stars(workspace: Workspace) -> list[tuple[str, str, Star]]:
    """Return camera, serial number and star for each row of tables/stars.ecsv."""
    if not workspace.path(Workspace.table("stars")).is_file():
        return []
    table = workspace.read_table(Workspace.table("stars"))
    columns: list[list[Any]] = []
    for column in fields(Star):
        if column.type == "str":
            columns.append(texts(table, column.name).tolist())
        elif column.type == "bool":
            columns.append(flags(table, column.name).tolist())
        else:
            columns.append(floats(table, column.name).tolist())
    stars = [Star(*row) for row in zip(*columns, strict=True)]
    bodies = (texts(table, name).tolist() for name in ("camera", "serial"))
    return list(zip(*bodies, stars, strict=True))
