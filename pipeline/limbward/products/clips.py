"""`limbward clips`: films of other devices on the corrected time, and stills at the contacts."""

from __future__ import annotations

from dataclasses import dataclass, field
from glob import glob
from pathlib import Path
from typing import Any

from astropy.table import Table
from astropy.time import Time
from PIL import Image

from limbward.camera.card import find_files
from limbward.clips.clock import Beforehand, timed
from limbward.clips.overview import overview, thumbnail
from limbward.clips.sampling import MEMORY, PICTURE_S, sample
from limbward.clips.sampling import stills as stills_of
from limbward.clips.times import add_still, borrow_clocks, contacts_in, words_of
from limbward.config import Config, place_and_time
from limbward.config.inputs import absolute_pattern, card_paths
from limbward.config.known_limb import known_limb
from limbward.errors import LimbwardError
from limbward.render.writers import write_png
from limbward.sky.circumstances import Circumstances
from limbward.work.executors import local_crew
from limbward.work.map import Failure, FileMap, Task
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.clips_table import CLIPS, clip_table, write_clips
from limbward.workspace.names import artefact_name
from limbward.workspace.product import Product, artefact, write_product

STILLS = "sequences/stills/"
OVERVIEW = "sequences/clips.png"


@dataclass
class Stills:
    """The stills written so far: their files, small versions, and the words below those."""

    files: list[str] = field(default_factory=list)
    small: list[Image.Image] = field(default_factory=list)
    words: list[str] = field(default_factory=list)


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Write the catalogue of clips, their timeline, and stills at the contacts.

    Raises
    ------
    LimbwardError
        If there is no clip, or none that can be read.
    """
    circumstances = place_and_time.eclipse(config)
    epoch = place_and_time.greatest(circumstances)
    paths = _find_clips(config)
    if not paths:
        raise LimbwardError(
            "There are no videos (MP4, MOV and the like) on the cards; name them under clips.files."
        )
    beforehand = _beforehand(config, circumstances, epoch)
    wanted, zone = config.clips.samples, config.clips.clock_offset_hours
    entries: list[dict[str, Any]] = []
    tables: list[Table] = []
    notes: list[str] = []
    stills = Stills()
    with FileMap(local_crew(1), origin="device") as films:
        with reporter.progress(len(paths), "clips") as advance:
            for path, name in paths:
                ratio = circumstances.moon_sun_ratio
                sampled = films.one(sample, _task(path, (path, wanted, ratio), wanted))
                if isinstance(sampled, Failure):
                    notes.append(sampled.sentence)
                    entries.append({"file": name, "note": sampled.sentence})
                else:
                    clip = timed(name, sampled, beforehand, epoch, zone)
                    entries.append(clip.entry)
                    tables.append(clip_table(name, sampled, clip, epoch))
                advance()
        if not tables:
            raise LimbwardError("None of the clips can be read: " + " ".join(notes))
        borrow_clocks(entries)
        for (path, _), entry in zip(paths, entries, strict=True):
            if "duration_s" in entry:
                _write_stills(workspace, circumstances, epoch, path, entry, films, stills)
                notes += [f"{entry['file']}: {note}" for note in entry["notes"]]
    write_clips(workspace, tables)
    if stills.files:
        with workspace.writing(OVERVIEW) as part:
            picture = overview(stills.small, stills.words)
            write_png(part, picture, "Stills of clips at the contacts")
    words = place_and_time.contacts_json(config, circumstances)["caution"]
    write_product(workspace, reporter, _product(entries, stills.files, notes, words))


def _find_clips(config: Config) -> list[tuple[Path, str]]:
    """Return the clips and their names in tables: those the config names, or those on the cards."""
    base = config.base_dir.absolute()
    if config.clips.files:
        roots = [
            Path(match)
            for pattern in config.clips.files
            for match in sorted(glob(absolute_pattern(config, pattern), recursive=True))
        ]
    else:
        roots = card_paths(config)
    listing = find_files(roots, base, config.input.exclude)
    return [(f.path, f.file) for f in listing.files if f.kind == "video"]


def _beforehand(config: Config, circumstances: Circumstances, epoch: Time) -> Beforehand:
    track = place_and_time.track(config, epoch)
    return Beforehand(
        track,
        place_and_time.doubt(config, track),
        totality_s=place_and_time.covered_s(config, circumstances),
        rotates=config.timing.rotates,
        limb=known_limb(config, epoch),
    )


def _task(path: Path, arguments: tuple[Any, ...], pictures: int) -> Task[Path]:
    return Task(path, path, arguments, extra_s=PICTURE_S * pictures, room=MEMORY)


def _write_stills(
    workspace: Workspace,
    circumstances: Circumstances,
    epoch: Time,
    path: Path,
    entry: dict[str, Any],
    films: FileMap,
    stills: Stills,
) -> None:
    """Write the pictures nearest to the contacts that a clip shows."""
    for name, at in contacts_in(entry, circumstances, epoch):
        found = films.one(stills_of, _task(path, (path, [at]), 1))
        if isinstance(found, Failure):
            entry["notes"].append(f"There is no still of {name}: {found.sentence}")
            continue
        for still in found:
            file = f"{STILLS}{artefact_name(entry['file'])}-{name}.png"
            with workspace.writing(file) as part:
                Image.fromarray(still.colours).save(part, "PNG")
            stills.files.append(file)
            stills.small.append(thumbnail(still.colours))
            stills.words.append(add_still(entry, name, file, still.at_s, epoch))


def _product(
    entries: list[dict[str, Any]], stills: list[str], notes: list[str], caution: str
) -> Product:
    return Product(
        name="clips",
        title="Clips",
        caption="Videos from other devices, with corrected times"
        + ("; the stills are the video frames nearest the contacts." if stills else "."),
        alt="Video frames nearest the contacts" if stills else "",
        picture=OVERVIEW if stills else None,
        numbers={e["file"]: words_of(e) for e in entries if "duration_s" in e},
        warnings=notes,
        files=[*stills, artefact("clips"), CLIPS],
        details={"caution": caution, "clips": entries},
    )
