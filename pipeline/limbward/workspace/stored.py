"""What stages store for others: one writer and one reader of each, which tells what is damaged."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import astropy.units as u
import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from limbward.errors import LimbwardError
from limbward.geometry.disc import RIM_BINS
from limbward.geometry.lens import MOST
from limbward.geometry.orientation import Orientation
from limbward.geometry.pointing import STATED_UP_SIGMA, Pointing
from limbward.workspace import Workspace
from limbward.workspace.columns import floats, texts
from limbward.workspace.stars import read_star_cameras

Floats = NDArray[np.float64]

# Dimensions of the arrays of a reduced frame; the last axis of some has a meaning of its own.
DIMENSIONS = {
    "planes": 3,
    "factor": 0,
    "sun_limb": 2,
    "moon_limb": 2,
    "crop": 2,
    "crop_scale": 0,
    "crop_origin": 1,
    "rim": 1,
    "points": 2,
}
CROP = ("crop", "crop_scale", "crop_origin")
LAST_AXIS = {"sun_limb": 3, "moon_limb": 3, "crop_origin": 2, "rim": RIM_BINS, "points": 5}
MAY_BE_MISSING = (*CROP, "rim", "points")

# What the stages after it cannot do without, with units.
COLUMNS: dict[str, dict[str, u.UnitBase | None]] = {
    "ingest": {
        **dict.fromkeys(("file", "sha256", "camera", "serial", "phase", "reduced"), None),
        **{"iso": None, "f_number": None, "sequence": None, "exposure": u.s},
        **dict.fromkeys(("width", "height", "measured_sun_x", "measured_moon_x"), u.pix),
    },
    "timing": {
        "file": None,
        "phase": None,
        "since_greatest_s": u.s,
        "time_utc_sigma": u.s,
        "sun_x": u.pix,
    },
    "align": {
        **{"file": None, "usable": None, "rotation_deg": u.deg},
        **{"sun_sigma": u.pix, "sun_sigma_relative": u.pix},
        **{f"{d}_{p}": u.pix for d in ("sun", "moon") for p in ("x", "y", "radius")},
    },
}


@dataclass(frozen=True)
class StoredCrop:
    """The inner corona of a frame, as `limbward.limb.corona.Crop` has it."""

    values: NDArray[Any]
    scale: float
    origin: tuple[float, float]


def write_reduced(
    workspace: Workspace,
    artefact: str,
    *,
    sun_limb: Floats,
    moon_limb: Floats,
    planes: NDArray[np.float32] | None = None,
    factor: int = 0,
    crop: StoredCrop | None = None,
    rim: NDArray[np.float32] | None = None,
    points: Floats | None = None,
) -> None:
    """Write what the stages after ingest need of a frame.

    Parameters
    ----------
    workspace : Workspace
    artefact : str
    sun_limb, moon_limb : ndarray, shape (N, 3)
        Points x, y of an edge and their weight.
    planes : ndarray of float32, shape (3, h, w), optional
        Its colours, made smaller ``factor`` times; not kept of frames of a clip.
    crop : StoredCrop, optional
        Of a frame of totality.
    rim : ndarray of float32, shape (RIM_BINS,), optional
        Of a frame without a filter: see `limbward.limb.rim.rim_light`.
    points : ndarray, shape (N, 5), optional
        Of a long exposure without a filter: see `limbward.stars.points.find_points`.
    """
    arrays: dict[str, Any] = {}
    if planes is not None:
        arrays = {"planes": planes, "factor": factor}
    arrays |= {"sun_limb": sun_limb, "moon_limb": moon_limb}
    if crop is not None:
        arrays |= {"crop": crop.values, "crop_scale": crop.scale, "crop_origin": crop.origin}
    if rim is not None:
        arrays["rim"] = rim
    if points is not None:
        arrays["points"] = points
    with workspace.writing(artefact) as part, part.open("wb") as stream:
        np.savez(stream, **arrays)


def read_planes(path: Path) -> tuple[NDArray[np.float32], int]:
    """Return a reduced frame's colours (3, h, w) and by how much they are smaller.

    Raises
    ------
    LimbwardError
        As of `_read_reduced`.
    """
    stored = _read_reduced(path, ("planes", "factor"))
    return stored["planes"], int(stored["factor"])


def planes_of_rows(
    workspace: Workspace, ingest: Table
) -> Callable[[int], tuple[NDArray[np.float32], int]]:
    """Return what reads the colours of a row's reduced frame, as `read_planes` does."""
    reduced = texts(ingest, "reduced")

    def planes(row: int) -> tuple[NDArray[np.float32], int]:
        return read_planes(workspace.path(reduced[row]))

    return planes


def read_limbs(path: Path) -> tuple[Floats, Floats]:
    """Return the points (N, 3) of the solar and of the lunar limb.

    Raises
    ------
    LimbwardError
        As of `_read_reduced`.
    """
    stored = _read_reduced(path, ("sun_limb", "moon_limb"))
    return stored["sun_limb"], stored["moon_limb"]


def read_crop(path: Path) -> StoredCrop | None:
    """Return the inner corona of a reduced frame, None if it has none.

    Raises
    ------
    LimbwardError
        As of `_read_reduced`.
    """
    stored = _read_reduced(path, CROP)
    if len(stored) < len(CROP):
        return None
    left, top = (float(v) for v in stored["crop_origin"])
    return StoredCrop(stored["crop"], float(stored["crop_scale"]), (left, top))


def read_rim(path: Path) -> NDArray[np.float32] | None:
    """Return the light around the Moon's limb in a reduced frame, None if it has none.

    Raises
    ------
    LimbwardError
        As of `_read_reduced`.
    """
    return _read_reduced(path, ("rim",)).get("rim")


def read_points(path: Path) -> Floats | None:
    """Return the points of light in a reduced frame, None if it was not searched for any.

    Raises
    ------
    LimbwardError
        As of `_read_reduced`.
    """
    return _read_reduced(path, ("points",)).get("points")


def _read_reduced(path: Path, names: Iterable[str]) -> dict[str, NDArray[Any]]:
    """Return arrays of a reduced frame; those that may be missing are left out.

    Parameters
    ----------
    path : Path
    names : iterable of str
        ``planes``, ``factor``, ``sun_limb``, ``moon_limb``; ``crop``, ``crop_scale``,
        ``crop_origin``, ``rim`` and ``points``, which not all frames have.

    Raises
    ------
    LimbwardError
        If the file is not there, is damaged, or has an array of another shape.
    """
    try:
        with np.load(path, allow_pickle=False) as stored:
            found = {n: stored[n] for n in names if n in stored or n not in MAY_BE_MISSING}
    except Exception as error:  # of zip files, headers and sizes, NumPy's reader raises all kinds
        raise damaged(path, str(error) or type(error).__name__) from error
    for name, array in found.items():
        shaped = array.ndim == DIMENSIONS[name] and array.dtype.kind in "fiu"
        shaped &= name not in LAST_AXIS or array.shape[-1] == LAST_AXIS[name]
        shaped &= name not in ("planes", "crop") or array.size > 0
        shaped &= name not in ("factor", "crop_scale") or bool(array > 0)
        if not shaped:
            raise damaged(path, f"{name} has the shape {array.shape} of {array.dtype}")
    return found


def read_stage_table(workspace: Workspace, stage: str) -> Table:
    """Return the table of ingest, timing or align, if it has what the stages after it use.

    Raises
    ------
    LimbwardError
        If it is not there, is damaged, or a column is missing or has another unit or kind.
    """
    name = Workspace.table(stage)
    table = workspace.read_table(name)
    for column, unit in COLUMNS[stage].items():
        if column not in table.colnames:
            raise damaged(workspace.path(name), f"it has no column {column}", stage)
        found = table[column]
        if unit is not None and found.unit != unit:
            wrong = f"{column} is in {found.unit or 'no unit'}, not in {unit}"
            raise damaged(workspace.path(name), wrong, stage)
        # A column masked throughout has no type of its own.
        if unit is not None and found.dtype.kind not in "fiu" and not _masked_throughout(found):
            raise damaged(workspace.path(name), f"{column} is not of numbers", stage)
    return table


def _masked_throughout(column: Any) -> bool:
    return bool(np.ma.getmaskarray(np.ma.asarray(column)).all())


def read_stage_tables(workspace: Workspace, *stages: str) -> list[Table]:
    """Return tables of stages that are of the same files, row by row.

    Raises
    ------
    LimbwardError
        As of `read_stage_table`, or if the rows differ.
    """
    tables = [read_stage_table(workspace, stage) for stage in stages]
    for stage, table in zip(stages[1:], tables[1:], strict=True):
        if list(map(str, table["file"])) != list(map(str, tables[0]["file"])):
            path = workspace.path(Workspace.table(stage))
            raise damaged(path, f"its files are not those of {Workspace.table(stages[0])}", stage)
    return tables


def read_cameras(workspace: Workspace, artefact: str) -> list[dict[str, Any]]:
    """Return the cameras of clock.json or pointing.json.

    Raises
    ------
    LimbwardError
        If the file is not there or damaged, or has another shape.
    """
    told = workspace.read_json(artefact)
    cameras = told.get("cameras") if isinstance(told, dict) else None
    known = isinstance(cameras, list) and all(
        isinstance(c, dict)
        and isinstance(c.get("camera"), str)
        and isinstance(c.get("serial"), str)
        for c in cameras
    )
    if not known:
        raise damaged(workspace.path(artefact), "it has no list of cameras", "timing")
    assert isinstance(cameras, list)
    if artefact == Workspace.pointing:
        for camera in cameras:
            _check_pointing(workspace.path(artefact), camera, "timing")
    return cameras


def read_pointings(workspace: Workspace) -> list[Pointing]:
    """Return how the cameras were turned at greatest eclipse, by the best that tells it.

    Raises
    ------
    LimbwardError
        As of `read_cameras`.
    """
    by_stars = {(p.camera, p.serial): p for p in read_star_pointings(workspace)}
    by_discs = {(p.camera, p.serial): p for p in read_measured_pointings(workspace)}
    found = by_discs | {b: p.with_lens_of(by_discs.get(b)) for b, p in by_stars.items()}
    for c in read_star_cameras(workspace):
        body = str(c.get("camera")), str(c.get("serial"))
        if body in found and "distortion" in c:
            path = workspace.path(Workspace.stars)
            found[body] = found[body].drawn(*_distortion(path, c, "align"))
    return list(found.values())


def pointing_sources(workspace: Workspace) -> dict[tuple[str, str], str]:
    """Return by camera and serial number what pointing.json rests on.

    It is ``crescents``, ``beads`` or ``corona``; ``crescents`` too where an older file does not
    tell.

    Raises
    ------
    LimbwardError
        As of `read_cameras`.
    """
    cameras = read_cameras(workspace, Workspace.pointing)
    return {(c["camera"], c["serial"]): c.get("source", "crescents") for c in cameras}


def read_measured_pointings(workspace: Workspace) -> list[Pointing]:
    """Return how the cameras were turned by their Suns and Moons, stars left aside.

    Raises
    ------
    LimbwardError
        As of `read_cameras`.
    """
    path = workspace.path(Workspace.pointing)
    return [_pointing(path, c, "timing") for c in read_cameras(workspace, Workspace.pointing)]


def read_star_pointings(workspace: Workspace) -> list[Pointing]:
    """Return the orientations that stars decide; none if no stars were looked for.

    Raises
    ------
    LimbwardError
        If the file is damaged.
    """
    path = workspace.path(Workspace.stars)
    deciding = [c for c in read_star_cameras(workspace) if c.get("decides")]
    for camera in deciding:
        _check_pointing(path, camera, "align")
    return [_pointing(path, c, "align") for c in deciding]


def _pointing(path: Path, camera: dict[str, Any], stage: str) -> Pointing:
    growth, sigma = _distortion(path, camera, stage)
    return Pointing(
        camera["camera"],
        camera["serial"],
        Orientation(
            float(camera["pixel_scale_arcsec"]),
            float(camera["up_position_angle"]),
            camera["mirrored"],
        ),
        float(camera.get("up_position_angle_sigma", STATED_UP_SIGMA)),
        float(camera["field_rotation_deg_per_hour"]),
        lean_deg=_lean(path, camera, stage),
        distortion=growth,
        distortion_sigma=sigma,
    )


def _distortion(path: Path, camera: dict[str, Any], stage: str) -> tuple[float, float]:
    """Return a lens's distortion and its standard error; 0 and infinity where nothing tells it."""
    growth, sigma = camera.get("distortion"), camera.get("distortion_sigma")
    if growth is None or sigma is None:
        return 0.0, np.inf
    for value in (growth, sigma):
        if isinstance(value, bool) or not isinstance(value, int | float) or value != value:
            raise damaged(path, f"distortion is {growth!r} ± {sigma!r}", stage)
    if abs(growth) > MOST:
        raise damaged(path, f"distortion is {growth!r}", stage)
    return float(growth), float(sigma)


def _lean(path: Path, camera: dict[str, Any], stage: str) -> tuple[float, float]:
    """Return how far a head leans; a level one is not mentioned."""
    lean = camera.get("head_lean_deg", [0.0, 0.0])
    try:
        north, east = (float(d) for d in lean)
    except (TypeError, ValueError) as error:
        raise damaged(path, f"head_lean_deg is {lean!r}", stage) from error
    return north, east


def read_sun_excess(workspace: Workspace, body: tuple[str, str]) -> tuple[float, float] | None:
    """Return by what part of its radius a body's spectral line shows the Sun larger.

    Parameters
    ----------
    workspace : Workspace
    body : (str, str)
        Camera and serial number.

    Returns
    -------
    (float, float) or None
        With its standard error; None of bodies that see white light.

    Raises
    ------
    LimbwardError
        As of `read_cameras`.
    """
    for c in read_cameras(workspace, Workspace.pointing):
        if (c["camera"], c["serial"]) == body and "sun_radius_excess" in c:
            return float(c["sun_radius_excess"]), float(c["sun_radius_excess_sigma"])
    return None


def _check_pointing(path: Path, camera: dict[str, Any], stage: str) -> None:
    for key in ("camera", "serial"):
        if not isinstance(camera.get(key), str):
            raise damaged(path, f"{key} is {camera.get(key)!r}", stage)
    numbers = ["pixel_scale_arcsec", "up_position_angle", "field_rotation_deg_per_hour"]
    if "up_position_angle_sigma" in camera:
        numbers.append("up_position_angle_sigma")
    for key in numbers:
        value = camera.get(key)
        if isinstance(value, bool) or not isinstance(value, int | float) or value != value:
            raise damaged(path, f"{key} is {value!r}", stage)
        if key == "pixel_scale_arcsec" and value <= 0:
            raise damaged(path, f"{key} is {value!r}", stage)
    if not isinstance(camera.get("mirrored"), bool):
        raise damaged(path, f"mirrored is {camera.get('mirrored')!r}", stage)


def merged_limb_widths(workspace: Workspace) -> Floats:
    """Return how wide limbs were measured in the frames merged, pixels; NaN where not measured."""
    ingest = Workspace.table("ingest")
    if not workspace.path(ingest).exists():
        return np.zeros(0)
    width = floats(workspace.read_table(ingest), "limb_width")
    return width[np.asarray(workspace.read_table(Workspace.table("merge"))["used"], bool)]


def damaged(path: Path, why: str, stage: str = "ingest") -> LimbwardError:
    """Return the error for an artefact that is not as a stage wrote it."""
    return LimbwardError(
        f"{path} is damaged ({why}); delete it and run again, or run with --from {stage}."
    )
