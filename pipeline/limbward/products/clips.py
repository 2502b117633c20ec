"""`limbward clips`: films of other devices on the corrected time, and stills at the contacts."""

from __future__ import annotations

import math
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
from limbward.clips.sampling import MEMORY, PICTURE_S, Sampled, sample
from limbward.clips.sampling import stills as stills_of
from limbward.clock.body import solve_body
from limbward.clock.entries import known
from limbward.clock.readings import Body, Readings, seconds_from
from limbward.clock.solution import ClockSolution, split_zone
from limbward.config import Config
from limbward.errors import LimbwardError
from limbward.limb.measure import LimbMeasurement
from limbward.limb.partial import partial_discs
from limbward.products.shelf import Product, artefact, shelve
from limbward.render.writers import write_png
from limbward.sequences.canvas import Canvas, Label
from limbward.sequences.layout import places
from limbward.sky.contacts import Circumstances, iso_utc
from limbward.stages import setting
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
CORONA_COVERAGE = 0.6  # of the Moon's limb: a thin crescent shows up to 0.4 of a dark disc's
STILL_PX = 480  # of a still on the overview
SUBSECOND_S = 0.01  # the step that the tables know for times finer than a second


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Write the catalogue of clips, their timeline, and stills at the contacts.

    Raises
    ------
    LimbwardError
        If there is no clip, or none that can be read.
    """
    circumstances = setting.eclipse(config)
    epoch = setting.greatest(circumstances)
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
        _borrow_clocks(entries)
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
    words = setting.contacts_json(config, circumstances)["caution"]
    shelve(workspace, _product(entries, stills, picture, notes, words))
    for note in notes:
        reporter.warn(note)


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
        roots = setting.card_paths(config)
    listing = find_files(roots, base, config.input.exclude)
    return [(f.path, f.file) for f in listing.files if f.kind == "video"]


def _frames(config: Config, workspace: Workspace, file: str, sampled: Sampled) -> Table:
    """Return samples as rows like those of ingest, their limbs stored as frames' are."""
    clip = sampled.clip
    n = len(sampled.found)
    table = Table()
    table["file"] = [f"{file}#{at:.3f}" for at in sampled.at_s]
    table["phase"] = [_phase(m) for m in sampled.found]
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
            table[f"meas_{disc}_{part}"] = masked_floats(values, u.pix)
    name = f"{LIMBS}{artefact_name(file)}"
    table["reduced"] = masked_texts([f"{name}-{i:04d}.npz" for i in range(n)])
    for i, m in enumerate(sampled.found):
        name = str(table["reduced"][i])
        write_reduced(workspace, name, sun_limb=m.sun_limb, moon_limb=m.moon_limb)
    return table


def _phase(found: LimbMeasurement) -> str:
    """Return what a sample shows; a crescent too thin to measure has but half a dark disc."""
    if found.kind in ("totality", "contact") and found.coverage < CORONA_COVERAGE:
        return "other"
    return "other" if found.kind == "none" else found.kind


def _timed(
    config: Config,
    workspace: Workspace,
    circumstances: Circumstances,
    epoch: Time,
    file: str,
    sampled: Sampled,
) -> tuple[dict[str, Any], Table]:
    """Solve a clip's clock; return its entry, and its samples on the corrected time."""
    clip = sampled.clip
    n = len(sampled.found)
    entry: dict[str, Any] = {
        "file": file,
        "device": clip.device,
        "created": None if clip.created is None else clip.created.isoformat(),
        "duration_s": round(clip.duration_s, 4),
        "rate": round(clip.rate, 4),
        "pictures": clip.pictures,
        "width": clip.width,
        "height": clip.height,
        "codec": clip.codec,
        "samples": n,
        "samples_measured": sum(m.kind != "none" for m in sampled.found),
        "start_utc": None,
        "start_sigma_s": None,
        "clock": None,
        "stills": {},
        "notes": [],
    }
    frames = _frames(config, workspace, file, sampled)
    utc, sigma = np.full(n, np.nan), np.full(n, np.nan)
    try:
        solution, reading = _solve(config, workspace, circumstances, epoch, frames, clip)
    finally:
        for name in frames["reduced"]:
            workspace.remove(str(name))  # read once, kilobytes each
    if solution is None:
        entry["notes"].append(
            "Nothing in this clip tells the true time (no crescent, no totality), or it has no "
            "creation time."
        )
    else:
        utc = solution.utc_s(reading, 0.0)
        sigma = solution.sigma_s(reading, 0.0)
        start = (
            utc[0]
            - (utc[-1] - utc[0]) / max(sampled.at_s[-1] - sampled.at_s[0], 1e-9) * (sampled.at_s[0])
        )
        started = reading[0] - sampled.at_s[0]
        zone = config.clips.clock_offset_hours or 0.0
        _, hours, rest = split_zone(started - start + 3600.0 * zone, zone)
        entry |= {
            "start_utc": iso_utc(epoch + TimeDelta(float(start), format="sec")),
            "start_sigma_s": round(float(np.median(sigma)), 3),
            "clock": {
                "utc_offset_hours": hours,
                "offset_s": round(rest, 3),
                "sources": list(solution.sources),
                "residual_rms_s": known(solution.residual_rms_s),
            },
            "notes": list(solution.warnings),
        }
        if abs(rest - clip.duration_s) < min(5.0, 0.1 * clip.duration_s):
            entry["notes"].append(
                "The creation time seems to be that of the clip's end; times are corrected."
            )
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
        setting.track(config, epoch),
        body,
        read,
        partial_discs(measured_discs(frames), read.phase == "partial", body.rows),
        limbs_of_rows(workspace, frames),
        totality_s=setting.covered_s(config, circumstances),
        rotates=turns[config.timing.mount],
        profile=setting.limb_profile(config),
    )
    return solution, reading


def _borrow_clocks(entries: list[dict[str, Any]]) -> None:
    """Give clips that show no crescent the clock of the same device's others.

    That totality was seen bounds a clip's time to some seconds only.
    """

    def by_crescents(entry: dict[str, Any]) -> bool:
        return bool(entry.get("clock")) and "crescents" in entry["clock"]["sources"]

    good = [e for e in entries if by_crescents(e)]
    for entry in entries:
        if by_crescents(entry) or entry.get("created") is None:
            continue
        solved = [e["clock"] for e in good if e["device"] == entry["device"] != ""]
        if not solved:
            continue
        hours = solved[0]["utc_offset_hours"]
        fast = float(np.mean([c["offset_s"] for c in solved]))
        start = Time(entry["created"]) - TimeDelta(hours * 3600.0 + fast, format="sec")
        entry |= {
            "start_utc": iso_utc(start),
            # Each creation time is cut to a whole second.
            "start_sigma_s": round(math.sqrt(1.0 / 12.0 + 1.0 / 12.0 / len(solved)), 3),
            "clock": {
                "utc_offset_hours": hours,
                "offset_s": round(fast, 3),
                "sources": ["other clips"],
                "residual_rms_s": None,
            },
            "notes": ["Its time is that of the same device's other clips."],
        }


def _stills(
    workspace: Workspace,
    circumstances: Circumstances,
    epoch: Time,
    path: Path,
    entry: dict[str, Any],
    films: FileMap,
) -> list[tuple[str, str]]:
    """Write the pictures nearest to the contacts; return their names and labels."""
    if entry["start_utc"] is None:
        return []
    start = float((Time(entry["start_utc"].rstrip("Z")) - epoch).to_value("s"))
    wanted = {}
    for name in ("C1", "C2", "C3", "C4"):
        if name in circumstances.contacts:
            at = float((circumstances.contacts[name].time - epoch).to_value("s")) - start
            if 0.0 <= at < entry["duration_s"]:
                wanted[name] = at
    made: list[tuple[str, str]] = []
    for name, at in sorted(wanted.items(), key=lambda item: item[1]):
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
    cell = float(STILL_PX)
    centres, size = places("grid", len(stills), cell)
    canvas = Canvas.blank(*size)
    for (name, text), (x, y) in zip(stills, centres, strict=True):
        with Image.open(workspace.path(name)) as image:
            image.thumbnail((STILL_PX - 20, STILL_PX - 60))
            picture = np.moveaxis(np.asarray(image.convert("RGB"), np.float32) / 255.0, -1, 0)
        canvas.lighten(picture, float(x), float(y) - 20.0)
        canvas.labels.append(Label(text, float(x), float(y) + 0.42 * cell, 15.0))
    return canvas.drawn()


def _product(
    entries: list[dict[str, Any]],
    stills: list[tuple[str, str]],
    picture: str | None,
    notes: list[str],
    caution: str,
) -> Product:
    numbers = {}
    for e in entries:
        if "duration_s" in e:
            began = "start not known"
            if e["start_utc"]:
                began = f"{e['start_utc'][11:22]} UTC ± {e['start_sigma_s']:.2f} s"
            numbers[e["file"]] = (
                f"{e['duration_s']:.1f} s at {e['rate']:g} a second, {e['width']} x {e['height']}, "
                f"{began}"
            )
    return Product(
        name="clips",
        title="Clips",
        caption="Films of other devices, put on the same corrected time"
        + ("; the pictures nearest to the contacts." if stills else "."),
        alt="Pictures out of the films at the contacts" if stills else "",
        picture=picture,
        numbers=numbers,
        warnings=notes,
        files=[*(name for name, _ in stills), artefact("clips"), "tables/clips.ecsv"],
        details={"caution": caution, "clips": entries},
    )
