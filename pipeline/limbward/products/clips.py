"""`limbward clips`: films of other devices on the corrected time, and stills at the contacts."""

from __future__ import annotations

import math
from contextlib import ExitStack
from datetime import timedelta
from glob import glob
from pathlib import Path
from typing import Any

import astropy.units as u
import numpy as np
from astropy.table import MaskedColumn, Table, vstack
from astropy.time import Time, TimeDelta
from numpy.typing import NDArray
from PIL import Image

from limbward.camera.card import find_files
from limbward.clips.catalogue import Clip
from limbward.clips.overview import overview
from limbward.clips.sampling import MEMORY, PICTURE_S, Sampled, sample
from limbward.clips.sampling import stills as stills_of
from limbward.clips.times import (
    borrow_clocks,
    clock_of,
    contacts_in,
    entry_of,
    phase_of,
    start_of,
    words_of,
)
from limbward.clock.body import solve_body
from limbward.clock.readings import Body, Readings, seconds_from
from limbward.clock.solution import ClockSolution
from limbward.config import Config
from limbward.config.inputs import card_paths
from limbward.errors import LimbwardError
from limbward.limb.partial import partial_discs
from limbward.products.product import Product, artefact, write_product
from limbward.render.writers import write_png
from limbward.sky.contacts import Circumstances, iso_utc
from limbward.stages import place_and_time
from limbward.stages.measuring import artefact_name
from limbward.work.executors import local_crew
from limbward.work.map import Failure, FileMap, Task
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.columns import masked_floats, masked_texts, texts
from limbward.workspace.measured import limbs_of_rows, measured_discs
from limbward.workspace.stored import write_reduced

Floats = NDArray[np.float64]

LIMBS = "sequences/clips/"
STILLS = "sequences/stills/"
SUBSECOND_S = 0.01  # the step that the tables know for times finer than a second


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Write the catalogue of clips, their timeline, and stills at the contacts.

    Raises
    ------
    LimbwardError
        If there is no clip, or none that can be read.
    """
    circumstances = place_and_time.eclipse(config)
    epoch = place_and_time.greatest(circumstances)
    paths = find_clips(config)
    if not paths:
        raise LimbwardError(
            "There are no clips (MP4, MOV and the like) on the cards; name others under "
            "clips.files."
        )
    entries: list[dict[str, Any]] = []
    tables: list[Table] = []
    notes: list[str] = []
    stills = []
    ratio = circumstances.moon_sun_ratio
    with FileMap(local_crew(1), origin="device") as films:
        with reporter.progress(len(paths), "clips") as advance:
            for path, name in paths:
                wanted = config.clips.samples
                sampled = films.one(sample, _task(path, (path, wanted, ratio), wanted))
                if isinstance(sampled, Failure):
                    notes.append(sampled.sentence)
                    entries.append({"file": name, "note": sampled.sentence})
                else:
                    entry, table = _timed(config, workspace, circumstances, epoch, name, sampled)
                    entries.append(entry)
                    tables.append(table)
                advance()
        if not tables:
            raise LimbwardError("None of the clips can be read: " + " ".join(notes))
        borrow_clocks(entries)
        for (path, _), entry in zip(paths, entries, strict=True):
            if "duration_s" in entry:
                stills += _stills(workspace, circumstances, epoch, path, entry, films)
                notes += [f"{entry['file']}: {note}" for note in entry["notes"]]
    workspace.write_table("tables/clips.ecsv", vstack(tables, metadata_conflicts="silent"))
    picture = None
    if stills:
        picture = "sequences/clips.png"
        with workspace.writing(picture) as part:
            write_png(part, _overview(workspace, stills), "Stills of clips at the contacts")
    words = place_and_time.contacts_json(config, circumstances)["caution"]
    write_product(workspace, reporter, _product(entries, stills, picture, notes, words))


def _task(path: Path, arguments: tuple[Any, ...], pictures: int) -> Task[Path]:
    return Task(path, path, arguments, extra_s=PICTURE_S * pictures, room=MEMORY)


def find_clips(config: Config) -> list[tuple[Path, str]]:
    """Return the clips and their names in tables: those the config names, or those on the cards."""
    base = config.base_dir.absolute()
    if config.clips.files:
        roots = [
            Path(match)
            for pattern in config.clips.files
            for match in sorted(glob(str(config.resolve(pattern).absolute()), recursive=True))
        ]
    else:
        roots = card_paths(config)
    listing = find_files(roots, base, config.input.exclude)
    return [(f.path, f.file) for f in listing.files if f.kind == "video"]


def _frames(config: Config, workspace: Workspace, file: str, sampled: Sampled) -> Table:
    """Return samples as rows like those of ingest, their limbs stored as frames' are."""
    clip = sampled.clip
    n = len(sampled.found)
    table = Table()
    table["file"] = [f"{file}#{at:.3f}" for at in sampled.at_s]
    table["phase"] = [phase_of(m) for m in sampled.found]
    table["sequence"] = np.arange(n)
    table["has_subsec"] = np.ones(n, bool)
    table["exposure"] = MaskedColumn(np.zeros(n), mask=np.ones(n, bool), unit=u.s)
    created = clip.created
    if created is not None and config.clips.clock_offset_hours is not None:
        created -= timedelta(hours=config.clips.clock_offset_hours)
    table["time_camera"] = masked_texts(
        [
            "" if created is None else (created + timedelta(seconds=float(at))).isoformat()
            for at in sampled.at_s
        ]
    )
    table["gps_utc"] = masked_texts([""] * n)
    for disc in ("sun", "moon"):
        circles = [getattr(m, disc) for m in sampled.found]
        for part in ("x", "y", "radius", "sigma"):
            values = [math.nan if c is None else getattr(c, part) for c in circles]
            table[f"measured_{disc}_{part}"] = masked_floats(values, u.pix)
    name = f"{LIMBS}{artefact_name(file)}"
    table["reduced"] = masked_texts([f"{name}-{i:04d}.npz" for i in range(n)])
    for i, m in enumerate(sampled.found):
        name = str(table["reduced"][i])
        write_reduced(workspace, name, sun_limb=m.sun_limb, moon_limb=m.moon_limb)
    return table


def _timed(
    config: Config,
    workspace: Workspace,
    circumstances: Circumstances,
    epoch: Time,
    file: str,
    sampled: Sampled,
) -> tuple[dict[str, Any], Table]:
    """Solve a clip's clock; return its entry, and its samples on the corrected time."""
    entry = entry_of(file, sampled.clip, sampled.found)
    frames = _frames(config, workspace, file, sampled)
    utc, sigma = np.full(len(frames), np.nan), np.full(len(frames), np.nan)
    try:
        solution, reading = _solve(config, workspace, circumstances, epoch, frames, sampled.clip)
    finally:
        for name in frames["reduced"]:
            workspace.remove(str(name))  # read once, kilobytes each
    if solution is not None:
        utc, sigma = solution.since_greatest_s(reading, 0.0), solution.sigma_s(reading, 0.0)
        zone = config.clips.clock_offset_hours or 0.0
        entry |= clock_of(sampled.clip, solution, sampled.at_s, reading, epoch, zone)
    table = frames["file", "phase"]
    table["clip"] = file
    table["clip_s"] = sampled.at_s * u.s
    table["time_utc"] = masked_texts(
        [iso_utc(epoch + TimeDelta(t, format="sec")) if np.isfinite(t) else "" for t in utc]
    )
    table["time_utc_sigma"] = masked_floats(sigma, u.s)
    for name in frames.colnames:
        if name.startswith("meas_"):
            table[name.removeprefix("meas_")] = frames[name]
    return entry, table


def _solve(
    config: Config,
    workspace: Workspace,
    circumstances: Circumstances,
    epoch: Time,
    frames: Table,
    clip: Clip,
) -> tuple[ClockSolution | None, Floats]:
    """Solve for the clip's clock as for a camera's; return its readings, too, seconds."""
    if clip.created is None:
        return None, np.full(len(frames), np.nan)
    reading = seconds_from(epoch.utc.to_datetime(), texts(frames, "time_camera"))
    n = len(frames)
    # The pictures of a clip are spaced exactly: what the whole second of the creation time leaves
    # open is part of the clock's offset, and no picture's reading is uncertain by itself.
    read = Readings(
        texts(frames, "file"),
        texts(frames, "phase"),
        np.full(n, "", dtype=object),
        reading - 0.5 * SUBSECOND_S,
        np.full(n, SUBSECOND_S),
        np.zeros(n),
        np.arange(n, dtype=float),
    )
    turns = {"auto": None, "equatorial": False, "altazimuth": True, "fixed": True}
    body = Body(clip.device, "", np.arange(n))
    solution, _ = solve_body(
        place_and_time.track(config, epoch),
        body,
        read,
        partial_discs(measured_discs(frames), read.phase == "partial", body.rows),
        limbs_of_rows(workspace, frames),
        totality_s=place_and_time.covered_s(config, circumstances),
        rotates=turns[config.timing.mount],
        profile=place_and_time.limb_profile(config),
    )
    return solution, reading


def _stills(
    workspace: Workspace,
    circumstances: Circumstances,
    epoch: Time,
    path: Path,
    entry: dict[str, Any],
    films: FileMap,
) -> list[tuple[str, str]]:
    """Write the pictures nearest to the contacts; return their names and labels."""
    start = start_of(entry, epoch)
    made: list[tuple[str, str]] = []
    for name, at in contacts_in(entry, circumstances, epoch):
        shown = films.one(stills_of, _task(path, (path, [at]), 1))
        if isinstance(shown, Failure):
            entry["notes"].append(f"There is no still of {name}: {shown.sentence}")
            continue
        for picture in shown:
            still = f"{STILLS}{artefact_name(entry['file'])}-{name}.png"
            with workspace.writing(still) as part:
                Image.fromarray(picture.colours).save(part, "PNG")
            utc = iso_utc(epoch + TimeDelta(start + picture.at_s, format="sec"))
            entry["stills"][name] = {
                "picture": still,
                "clip_s": round(picture.at_s, 4),
                "utc": utc,
            }
            made.append((still, f"{name}   {Path(entry['file']).name}   {utc[11:21]} UTC"))
    return made


def _overview(workspace: Workspace, stills: list[tuple[str, str]]) -> NDArray[np.float32]:
    with ExitStack() as stack:
        images = (stack.enter_context(Image.open(workspace.path(name))) for name, _ in stills)
        return overview(images, [words for _, words in stills])


def _product(
    entries: list[dict[str, Any]],
    stills: list[tuple[str, str]],
    picture: str | None,
    notes: list[str],
    caution: str,
) -> Product:
    return Product(
        name="clips",
        title="Clips",
        caption="Films of other devices, put on the same corrected time"
        + ("; the pictures nearest to the contacts." if stills else "."),
        alt="Pictures out of the films at the contacts" if stills else "",
        picture=picture,
        numbers={e["file"]: words_of(e) for e in entries if "duration_s" in e},
        warnings=notes,
        files=[*(name for name, _ in stills), artefact("clips"), "tables/clips.ecsv"],
        details={"caution": caution, "clips": entries},
    )
