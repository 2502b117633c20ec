"""What ingest measured, as the rooms for limbs and clocks want it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from astropy.table import Table
from astropy.time import Time
from numpy.typing import NDArray

from limbward.clock.bead_choice import Rims
from limbward.clock.order import order_of_taking
from limbward.clock.readings import Readings, seconds_from
from limbward.geometry.lens import STRAIGHT, Lens
from limbward.limb.corona import Crop
from limbward.workspace import Workspace
from limbward.workspace.columns import flags, floats, texts
from limbward.workspace.stored import read_crop, read_limbs, read_points, read_rim

Floats = NDArray[np.float64]

DISCS = (
    "sun_x",
    "sun_y",
    "sun_radius",
    "sun_sigma",
    "moon_x",
    "moon_y",
    "moon_radius",
    "moon_sigma",
)


def middles_of(ingest: Table) -> Floats:
    """Return the middle of each frame, x and y, pixels, shape (N, 2)."""
    return np.stack([(floats(ingest, name) - 1.0) / 2.0 for name in ("width", "height")], axis=1)


def lens_of_rows(ingest: Table, rows: NDArray[np.int64], growth: float = 0.0) -> Lens:
    """Return the lens of a body's frames, which have the size of most of them."""
    size = size_of_rows(ingest, rows)
    return STRAIGHT if size is None else Lens.of_frame(*size, growth)


def size_of_rows(ingest: Table, rows: NDArray[np.int64]) -> tuple[float, float] | None:
    """Return width and height of most of a body's frames, pixels; None if none is known."""
    sizes = np.stack([floats(ingest, name)[rows] for name in ("width", "height")], axis=1)
    sizes = sizes[np.isfinite(sizes).all(axis=1)]
    if not sizes.size:
        return None
    size, count = np.unique(sizes, axis=0, return_counts=True)
    width, height = size[np.argmax(count)]
    return float(width), float(height)


def measured_discs(ingest: Table) -> dict[str, Floats]:
    """Return Sun and Moon as ingest measured them, pixels, NaN where it did not."""
    return {name: floats(ingest, f"measured_{name}") for name in DISCS}


def with_cores(
    measured: dict[str, Floats], ingest: Table, phase: NDArray[np.object_]
) -> tuple[dict[str, Floats], NDArray[np.bool_]]:
    """Return discs with Moons put where totality is clipped that hides them, and in which rows.

    Parameters
    ----------
    measured : dict of str to ndarray
        Of `measured_discs`.
    ingest : Table
    phase : ndarray of str
        What the frames show.
    """
    core = {name: floats(ingest, f"core_{name}") for name in ("x", "y", "sigma")}
    drowned = (phase == "totality") & np.isfinite(core["x"]) & ~np.isfinite(measured["moon_x"])
    moons = {
        f"moon_{name}": np.where(drowned, values, measured[f"moon_{name}"])
        for name, values in core.items()
    }
    return {**measured, **moons}, drowned


def clock_readings(ingest: Table, epoch: Time) -> Readings:
    """Return the frames' clock readings less ``epoch``."""
    file = texts(ingest, "file")
    reading_s = seconds_from(epoch.utc.to_datetime(), texts(ingest, "time_camera"))
    body = texts(ingest, "camera"), texts(ingest, "serial")
    return Readings(
        file,
        texts(ingest, "phase"),
        texts(ingest, "gps_utc"),
        reading_s,
        # A second, or a hundredth with SubSecTimeOriginal.
        np.where(flags(ingest, "has_subsec"), 0.01, 1.0),
        np.nan_to_num(floats(ingest, "exposure")),
        order_of_taking(file, *body, floats(ingest, "sequence"), reading_s),
    )


def limbs_of_rows(workspace: Workspace, ingest: Table) -> Callable[[int], tuple[Floats, Floats]]:
    """Return what reads the edge points of the Sun's limb and of the Moon's in a row's frame."""
    reduced = texts(ingest, "reduced")

    def limbs(row: int) -> tuple[Floats, Floats]:
        return read_limbs(workspace.path(reduced[row]))

    return limbs


def crops_of_rows(workspace: Workspace, ingest: Table) -> Callable[[int], Crop | None]:
    """Return what reads the inner corona in a row's frame; None where nothing is stored of it."""
    reduced = texts(ingest, "reduced")

    def crop(row: int) -> Crop | None:
        stored = read_crop(workspace.path(reduced[row]))
        return None if stored is None else Crop(stored.values, stored.scale, stored.origin)

    return crop


def rims_of_rows(workspace: Workspace, ingest: Table) -> Rims:
    """Return what reads the light around the Moon's limb in a row's frame; None without any."""
    reduced = texts(ingest, "reduced")

    def rim(row: int) -> NDArray[np.float32] | None:
        return read_rim(workspace.path(reduced[row])) if reduced[row] else None

    return rim


def points_of_rows(workspace: Workspace, ingest: Table) -> Callable[[int], Floats | None]:
    """Return what reads the points of light in a row's frame; None without any."""
    reduced = texts(ingest, "reduced")

    def points(row: int) -> Floats | None:
        return read_points(workspace.path(reduced[row])) if reduced[row] else None

    return points
