"""Joining the stations of a campaign: one frame, one scale, the mean corona, what moved."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from math import nan
from pathlib import Path

import numpy as np
from astropy.io.fits import Header
from astropy.time import Time
from numpy.typing import NDArray

from limbward.campaign.cells import Cells
from limbward.campaign.mean import as_tree
from limbward.campaign.motion import Changes, Track, changes, find_tracks
from limbward.campaign.register import Fit, about_their_middle
from limbward.campaign.scale import Scales, common_scale
from limbward.campaign.view import Floats, Placing, View, common_header, pixel_radii, view_of
from limbward.config.campaign import CombineConfig
from limbward.errors import LimbwardError
from limbward.radiance.fits_rows import RowsFile
from limbward.stations.hands import Hands
from limbward.stations.pieces import (
    GREEN,
    OnScale,
    header_of,
    joined,
    place,
    prepare,
    sums_of,
    write_band,
    write_cells,
    write_mean_structure,
)
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace

SMALL_SIDE = 900  # pixels, at most, of the pictures that are registered
SMALL_RADII = 2.85
BAND_PIXELS = 1_000_000  # of a band of rows of the mean
GROUP = 8  # stations that one piece adds up
MEAN_OF = 12  # stations, the quietest, whose mean the others are registered on
SEED = 20  # of the shuffles that tell chance: any will do
MEAN = "mean-corona.fits"
FOLDER = "joining/"


@dataclass
class Joined:
    """What came of joining.

    Attributes
    ----------
    names : list of str
        Stations that are in it, in the order of `fits` and `scales`.
    left_out : dict
        Why others with a corona are not.
    headers : dict
        Of the merges.
    fits : dict
    scales : list of Scales
        Of each colour.
    noise : ndarray, shape (N,)
        Relative, of a station's cells in green.
    view : View or None
        Of the mean corona.
    chi2 : float
        By how much stations scatter about the mean, reduced.
    found : Changes or None
    times : list of Time
        Of ``found``.
    tracks : list of Track
    """

    names: list[str] = field(default_factory=list)
    left_out: dict[str, str] = field(default_factory=dict)
    headers: dict[str, Header] = field(default_factory=dict)
    fits: dict[str, Fit] = field(default_factory=dict)
    scales: list[Scales] = field(default_factory=list)
    noise: Floats = field(default_factory=lambda: np.empty(0))
    view: View | None = None
    chi2: float = nan
    found: Changes | None = None
    times: list[str] = field(default_factory=list)
    tracks: list[Track] = field(default_factory=list)


def join(
    merges: dict[str, Path],
    options: CombineConfig,
    workspace: Workspace,
    hands: Hands,
    reporter: Reporter,
    untimed: Collection[str] = (),
) -> Joined:
    """Join the merges of stations; the mean corona is written.

    Parameters
    ----------
    merges : dict of str to Path
        Of each station, by its name.
    options : CombineConfig
    workspace : Workspace
        The campaign's.
    hands : Hands
    reporter : Reporter
    untimed : collection of str
        Stations that are not asked what moved, since their times are wrong.
    """
    out = Joined()
    for name, path in merges.items():
        try:
            header = header_of(str(path))
            pixel_radii(header)
            out.headers[name] = header
        except (LimbwardError, KeyError, OSError) as error:
            out.left_out[name] = str(error)
    if not out.headers:
        return out
    folder = workspace.path(FOLDER)
    finest = min(pixel_radii(h) for h in out.headers.values())
    view = view_of(SMALL_RADII, max(finest, 2 * SMALL_RADII / SMALL_SIDE))
    small = {n: str(folder / f"{n}-small.npz") for n in out.headers}
    with reporter.progress(len(small), "preparing coronas") as advance:
        pieces = [hands.submit(prepare, str(merges[n]), small[n], view.step) for n in small]
        for name, why in zip(list(small), hands.results(pieces), strict=True):
            advance()
            if why:
                out.left_out[name] = why
                del small[name]
    if small:
        _place(out, small, view, folder, hands)
    if out.fits:
        _scale(out, small, view, folder, hands, untimed)
    if out.names:
        radius = float(np.mean([float(out.headers[n]["RSUN_OBS"]) for n in out.names]))
        finest = min(pixel_radii(out.headers[n]) for n in out.names)
        step = options.scale_arcsec / radius if options.scale_arcsec else finest
        out.view = view_of(options.radii, step)
        _mean(out, merges, workspace, hands, reporter)
    return out


def _place(out: Joined, small: dict[str, str], view: View, folder: Path, hands: Hands) -> None:
    """Find how coronas lie on each other: on the quietest first, then on the mean of several."""
    names = sorted(small, key=lambda n: (pixel_radii(out.headers[n]), n))
    # The finest half, of which that with most frames is the first: it has most structure.
    first = max(
        names[: max(1, len(names) // 2)], key=lambda n: int(out.headers[n].get("NFRAMES", 0))
    )
    mean = str(folder / "mean-structure.npz")
    hands.results([hands.submit(write_mean_structure, [(small[first], Placing())], view, mean)])
    found = _fits(small, mean, view, dict.fromkeys(small), hands)
    fits = {n: f for n, f in found.items() if f is not None}
    if len(fits) > 1:
        fits = about_their_middle(fits)
        quiet = sorted(fits, key=lambda n: float(np.hypot(*fits[n].sigma[:2])))[:MEAN_OF]
        pairs = [(small[n], fits[n].placing) for n in quiet]
        hands.results([hands.submit(write_mean_structure, pairs, view, mean)])
        starts = {n: f.placing for n, f in fits.items()}
        again = _fits(small, mean, view, {n: starts.get(n) for n in small}, hands)
        fits = about_their_middle({n: f for n, f in again.items() if f is not None})
    for name in small:
        if name not in fits:
            out.left_out[name] = (
                "Its corona is not that of the other stations at any turn; it may be mirrored, out "
                "of focus or behind cloud."
            )
    out.fits = {n: fits[n] for n in small if n in fits}


def _fits(
    small: dict[str, str],
    mean: str,
    view: View,
    starts: dict[str, Placing | None],
    hands: Hands,
) -> dict[str, Fit | None]:
    pieces = [hands.submit(place, small[n], mean, view, starts[n]) for n in small]
    return dict(zip(small, hands.results(pieces), strict=True))


def _scale(
    out: Joined,
    small: dict[str, str],
    view: View,
    folder: Path,
    hands: Hands,
    untimed: Collection[str],
) -> None:
    """Find the common scale of each colour, and what moved."""
    cells = Cells()
    names = list(out.fits)
    files = [str(folder / f"{n}-cells.npz") for n in names]
    hands.results(
        [
            hands.submit(write_cells, small[n], file, view, cells, out.fits[n].placing)
            for n, file in zip(names, files, strict=True)
        ]
    )
    light, sigma = (np.stack([_stored(f, key) for f in files]) for key in ("mean", "error"))
    scales = [common_scale(light[:, c], sigma[:, c]) for c in range(3)]
    good = np.array([np.isfinite([s.gain[i] for s in scales]).all() for i in range(len(names))])
    good &= np.array([all(s.gain[i] > 0 for s in scales) for i in range(len(names))])
    for name, ok in zip(names, good, strict=True):
        if not ok:
            out.left_out[name] = "Too little of its corona is seen by other stations to compare it."
    out.names = [n for n, ok in zip(names, good, strict=True) if ok]
    out.fits = {n: out.fits[n] for n in out.names}
    out.scales = [
        Scales(
            s.gain[good], s.offset[good], s.gain_sigma[good], s.offset_sigma[good],
            s.misfit[good], s.mean,
        )
        for s in scales
    ]  # fmt: skip
    if not out.names:
        return
    green = out.scales[GREEN]
    value = green.gain[:, None, None] * light[good, GREEN] + green.offset[:, None, None]
    error = green.gain[:, None, None] * sigma[good, GREEN]
    with np.errstate(invalid="ignore"):
        out.noise = np.nanmedian(np.abs(error / value).reshape(len(value), -1), axis=1)
    timed = np.array([n not in untimed for n in out.names])
    _motion(out, value, error, cells, timed)


def _stored(file: str, key: str) -> Floats:
    with np.load(file) as stored:
        return np.asarray(stored[key], float)


def _motion(
    out: Joined, value: Floats, error: Floats, cells: Cells, timed: NDArray[np.bool_]
) -> None:
    if timed.sum() < 3:
        return
    value, error = value[timed], error[timed]
    names = [n for n, good in zip(out.names, timed, strict=True) if good]
    stamps = [str(out.headers[n]["DATE-AVG"]) for n in names]
    times = Time(stamps, format="isot", scale="utc")
    seconds = np.asarray((times - times[0]).sec, float)
    out.found = changes(value, error, seconds)
    out.times = [stamps[i] for i in np.argsort(seconds, kind="stable")]
    out.tracks = find_tracks(out.found, cells, np.random.default_rng(SEED))


def _mean(
    out: Joined,
    merges: dict[str, Path],
    workspace: Workspace,
    hands: Hands,
    reporter: Reporter,
) -> None:
    """Write the mean corona, band by band; sums of groups are joined as a tree."""
    view = out.view
    assert view is not None
    folder = workspace.path(FOLDER)
    stations = [
        OnScale(
            str(merges[n]),
            out.fits[n].placing,
            *(
                np.array([getattr(s, key)[i] for s in out.scales])
                for key in ("gain", "offset", "misfit")
            ),
        )
        for i, n in enumerate(out.names)
    ]
    groups = [stations[i : i + GROUP] for i in range(0, len(stations), GROUP)]
    height = max(16, BAND_PIXELS // view.side)
    bands = [(top, min(top + height, view.side)) for top in range(0, view.side, height)]
    pieces = []
    for top, bottom in bands:
        sums = as_tree(
            (hands.submit(sums_of, group, view, (top, bottom)) for group in groups),
            lambda a, b: hands.submit(joined, a, b),
        )
        pieces.append(hands.submit(write_band, sums, str(folder / f"band-{top}.npz")))
        del sums
    with reporter.progress(len(bands), "mean corona") as advance:
        files = []
        for piece in pieces:
            files += hands.results([piece])
            advance()
    told = [chi2 for _, chi2 in files if np.isfinite(chi2)]
    out.chi2 = float(np.median(told)) if told else nan
    _write_mean(
        out, workspace, [(top, file) for (top, _), (file, _) in zip(bands, files, strict=True)]
    )


def _write_mean(out: Joined, workspace: Workspace, bands: Sequence[tuple[int, str]]) -> None:
    view = out.view
    assert view is not None
    header = common_header(view, [out.headers[n] for n in out.names])
    header["NSTATION"] = (len(out.names), "stations")
    worse = max(1.0, float(np.sqrt(out.chi2))) if np.isfinite(out.chi2) else 1.0
    header["SIGMAFAC"] = (worse, "SIGMA holds this factor: stations differ so")
    shape = (3, view.side, view.side)
    shapes: dict[str, tuple[tuple[int, ...], str]] = {
        "": (shape, "f4"),
        "SIGMA": (shape, "f4"),
        "COUNT": (shape[1:], "u2"),
    }
    history = [
        f"The mean of {len(out.names)} stations, in the brightness of the median one, on their "
        "common frame.",
        f"Stations: {', '.join(out.names)}",
    ]
    with (
        workspace.writing(MEAN) as part,
        RowsFile(part, header, shapes, history) as file,
    ):
        for top, name in bands:
            with np.load(name) as stored:
                file.write("", top, stored["light"])
                file.write("SIGMA", top, stored["sigma"] * np.float32(worse))
                file.write("COUNT", top, stored["count"])
            Path(name).unlink()
