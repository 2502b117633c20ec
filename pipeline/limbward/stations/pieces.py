"""The pieces of work that join stations; what is large stays in files that all workers see."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from astropy.io.fits import Header

from limbward.campaign.cells import Cells, cell_means
from limbward.campaign.mean import Sums, as_tree, on_scale
from limbward.campaign.register import (
    Fit,
    Structure,
    coarse_turn,
    mean_structure,
    register,
    structure,
)
from limbward.campaign.view import (
    Floats,
    Pixels,
    Placing,
    View,
    binned,
    noise_left,
    picture_affine,
    pixel_radii,
    pixels_at,
    sampled,
    sampled_error,
)
from limbward.errors import LimbwardError
from limbward.radiance.fits import open_picture, read_rows
from limbward.workspace.writing import atomic_path

REACH = 3.1  # solar radii that are kept of the small pictures
GREEN = 1
UNLIKE = 0.3  # correlation below which a corona is not that of the others
FAR_TURN = 1.0  # degrees, from which a turn by rings alone is believed at the start


@dataclass(frozen=True)
class OnScale:
    """How a station's merge comes onto grid and scale.

    Attributes
    ----------
    path : str
        Of its corona.fits.
    placing : Placing
    gain, offset, misfit : ndarray, shape (3,)
    """

    path: str
    placing: Placing
    gain: Floats
    offset: Floats
    misfit: Floats


def prepare(merge: str, out: str, step: float) -> str:
    """Write a merge's surroundings of the Sun, at about ``step`` solar radii a pixel, to a file.

    Returns
    -------
    str
        Why it cannot be used; empty if it can.
    """
    try:
        with open_picture(merge, ["SIGMA"]) as hdus:
            header = hdus[0].header
            affine = picture_affine(header)
            if "SIGMA" not in hdus:
                raise LimbwardError(f"{merge} has no SIGMA.")
            factor = max(1, int(step / pixel_radii(header) + 0.25))
            light, sigma = [], []
            for c in range(3):
                plane, small = binned(read_rows(hdus[0], c), affine, factor)
                noise, _ = binned(np.square(read_rows(hdus["SIGMA"], c)), affine, factor)
                light.append(plane)
                sigma.append(np.sqrt(noise) / factor)
        box, small = _around_sun(light[0].shape, small)
        write_arrays(
            out,
            light=np.stack(light)[:, box[0], box[1]],
            sigma=np.stack(sigma)[:, box[0], box[1]],
            affine=small,
        )
    except (LimbwardError, OSError) as error:
        return str(error)
    return ""


def _around_sun(shape: tuple[int, ...], affine: Floats) -> tuple[tuple[slice, slice], Floats]:
    reach = REACH * float(np.hypot(affine[0, 0], affine[0, 1]))
    x, y = affine[0, 2], affine[1, 2]
    top, left = max(0, int(y - reach)), max(0, int(x - reach))
    rows = slice(top, min(shape[0], int(y + reach) + 2))
    columns = slice(left, min(shape[1], int(x + reach) + 2))
    moved = affine.copy()
    moved[:, 2] -= [left, top]
    return (rows, columns), moved


def write_arrays(out: str, **arrays: Any) -> None:
    """Write arrays to a file that is whole or not there; several may write the same one."""
    with atomic_path(Path(out)) as part, part.open("wb") as file:
        np.savez(file, **arrays)


class _Prepared:
    """A prepared corona in green, whose fine structure depends on how it is placed."""

    def __init__(self, path: str, view: View) -> None:
        with np.load(path) as stored:
            self._light, self._sigma = stored["light"][GREEN], stored["sigma"][GREEN]
            self._affine = stored["affine"]
        self._view = view

    def placed(self, placing: Placing) -> Structure:
        """Return the structure on the common grid."""
        return structure(
            sampled(self._light, self._affine, self._view, placing),
            sampled_error(self._sigma, self._affine, self._view, placing),
            self._view,
        )


def write_mean_structure(placed: Sequence[tuple[str, Placing]], view: View, out: str) -> str:
    """Write the mean structure of prepared coronas to a file, and return its name."""
    mean = mean_structure(_Prepared(path, view).placed(placing) for path, placing in placed)
    write_arrays(out, detail=mean.detail, weight=mean.weight)
    return out


def place(prepared: str, mean: str, view: View, start: Placing | None) -> Fit | None:
    """Register a prepared corona on the mean structure of a file.

    Without a start, one that is turned by degrees is found, too. None if the two are not alike.
    """
    with np.load(mean) as stored:
        first = Structure(stored["detail"], stored["weight"])
    seen = _Prepared(prepared, view).placed
    tries = [start or Placing()]
    if start is None:
        turn = coarse_turn(first, seen(Placing()), view)
        if abs(turn) > FAR_TURN:
            tries.append(Placing(turn_deg=turn))
    fits_ = [fit for fit in (register(first, seen, view, t) for t in tries) if fit is not None]
    best = max(fits_, key=lambda f: f.correlation, default=None)
    return best if best is not None and best.correlation >= UNLIKE else None


def write_cells(prepared: str, out: str, view: View, cells: Cells, placing: Placing) -> str:
    """Write a prepared corona's means over cells, (3, R, A) and their errors, to a file."""
    with np.load(prepared) as stored:
        light, sigma, affine = stored["light"], stored["sigma"], stored["affine"]
    # A pixel that is larger than the grid's is met several times, as often as it is larger.
    across = float(np.hypot(affine[0, 0], affine[0, 1])) * view.step * placing.scale
    times = np.float32(max(1.0, 1.0 / across))
    pairs = [
        cell_means(
            sampled(light[c], affine, view, placing),
            times * sampled_error(sigma[c], affine, view, placing),
            view,
            cells,
        )
        for c in range(3)
    ]
    write_arrays(
        out,
        mean=np.stack([p[0] for p in pairs]).astype(np.float32),
        error=np.stack([p[1] for p in pairs]).astype(np.float32),
    )
    return out


def header_of(path: str) -> Header:
    """Return the header of a merge, without its picture."""
    with open_picture(path, main=False) as hdus:
        return hdus[0].header.copy()


def sums_of(stations: Sequence[OnScale], view: View, rows: tuple[int, int]) -> Sums:
    """Return the sums of some stations over rows of the common grid."""
    return as_tree((_sums_of_one(s, view, rows) for s in stations), Sums.__add__)


def joined(first: Sums, second: Sums) -> Sums:
    """Return the sums of all stations of two."""
    return first + second


def _sums_of_one(station: OnScale, view: View, rows: tuple[int, int]) -> Sums:
    # Its checksums were true when it was prepared; only the rows that are needed are read here.
    with fits.open(station.path, memmap=False) as hdus:
        affine = picture_affine(hdus[0].header)
        height = int(hdus[0].header["NAXIS2"])
        _, y = pixels_at(affine, view, station.placing, rows)
        top = int(np.clip(np.floor(y.min()) - 1, 0, height))
        bottom = int(np.clip(np.ceil(y.max()) + 2, 0, height))
        shape = (3, rows[1] - rows[0], view.side)
        light, sigma = np.full(shape, np.nan, np.float32), np.full(shape, np.nan, np.float32)
        if bottom > top:
            for c in range(3):
                for out, hdu in ((light, hdus[0]), (sigma, hdus["SIGMA"])):
                    part = _rows(hdu, c, top, bottom, height)
                    out[c] = sampled(part, affine, view, station.placing, rows=rows, first_row=top)
            sigma *= noise_left(affine, view, station.placing, rows)
    return Sums.of(*on_scale(light, sigma, station.gain, station.offset, station.misfit))


def _rows(hdu: Any, c: int, top: int, bottom: int, height: int) -> Pixels:
    """Return rows of a colour, counted from the top; the file counts from the bottom."""
    return np.asarray(hdu.section[c, height - bottom : height - top][::-1], np.float32)


def write_band(sums: Sums, out: str) -> tuple[str, float]:
    """Write the mean of a band to a file; return its name and the median chi-square."""
    light, sigma, count, chi2 = sums.result()
    write_arrays(out, light=light, sigma=sigma, count=count)
    return out, chi2
