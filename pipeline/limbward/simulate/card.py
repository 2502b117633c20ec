"""A card dump on disk: DNG files as a camera leaves them, a configuration, and the truth."""

from __future__ import annotations

import json
import os
import textwrap
from collections.abc import Callable
from concurrent.futures import Executor, ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from datetime import UTC
from multiprocessing import get_context
from pathlib import Path

from limbward.errors import LimbwardError
from limbward.simulate.dng import ExposureTags, dng_bytes
from limbward.simulate.frames import SimulatedFrame, camera_frames, expose
from limbward.simulate.jpeg import write_jpeg
from limbward.simulate.plan import eclipse_of
from limbward.simulate.scenario import Camera, Scenario, adapt
from limbward.simulate.truth import frame_truth, truth_json
from limbward.sky.caution import caution
from limbward.sky.circumstances import Circumstances

CARD = "card"
TRUNCATED_PART = 0.6  # of a file that a failing card keeps


@dataclass(frozen=True)
class CardFile:
    """A frame and the path, relative to the dump, of the file that it goes into."""

    path: str
    frame: SimulatedFrame


def card_names(camera: Camera, count: int) -> list[str]:
    """Return DCF paths: eight-character names, numbers 0001 to 9999, folders 100 to 999.

    References
    ----------
    CIPA DC-009 (DCF 2.0). When a number passes 9999, a new folder begins at 0001.
    """
    out = []
    folder, number = camera.first_folder, camera.first_number
    for _ in range(count):
        out.append(f"DCIM/{folder}{camera.folder_name}/{camera.prefix}{number:04d}.DNG")
        number += 1
        if number > 9999:
            folder, number = folder + 1, 1
    return out


def exposure_tags(scenario: Scenario, frame: SimulatedFrame) -> ExposureTags:
    """Return what the camera writes about a frame."""
    camera, shot = frame.camera, frame.shot
    tags, body = camera.tags, camera.instrument
    gps = None
    if tags.gps:
        site = scenario.site
        # A receiver fixes once a second; the tag holds the last fix before the shutter.
        fix = shot.start.replace(microsecond=0)
        gps = (site.latitude, site.longitude, site.height, fix)
    return ExposureTags(
        make=body.make,
        model=body.model,
        serial=body.serial,
        time_camera=frame.time_camera,
        exposure_s=shot.nominal_s,
        f_number=camera.f_number,
        focal_length_mm=tags.focal_length_mm or camera.focal_length_mm,
        iso=shot.iso,
        pixel_pitch_um=body.pixel_pitch_um,
        subsec_digits=tags.subsec_digits,
        offset_hours=tags.offset_hours,
        orientation=tags.orientation,
        gps=gps,
    )


def write_frame(directory: Path, scenario: Scenario, file: CardFile, seed: int) -> None:
    """Simulate one frame and write its file, and the JPEG beside it if it has one."""
    frame = file.frame
    mosaic = expose(scenario, frame, seed)
    tags = exposure_tags(scenario, frame)
    layout = frame.camera.instrument.layout
    data = dng_bytes(mosaic, layout, tags)
    if frame.shot.truncated:
        data = data[: int(TRUNCATED_PART * len(data))]
    path = directory / file.path
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    written = [path]
    if frame.shot.jpeg:
        written.append(path.with_suffix(".JPG"))
        write_jpeg(written[-1], mosaic, layout, tags)
    for each in written:
        # A camera's file dates are its clock's, taken for whatever zone the reader is in; UTC here.
        stamp = frame.time_camera.replace(tzinfo=UTC).timestamp()
        os.utime(each, (stamp, stamp))


def simulate_card(
    directory: str | os.PathLike[str],
    scenario: Scenario,
    *,
    megapixels: float | None = None,
    seed: int = 1,
    jobs: int = 1,
    progress: Callable[[int, int], None] | None = None,
    open_pool: Callable[[int], Executor] | None = None,
) -> Path:
    """Write a card dump, its configuration and its truth.

    Parameters
    ----------
    directory : path
        Gets ``card/``, ``limbward.yaml`` and ``truth.json``. Must hold none of them.
    scenario : Scenario
    megapixels : float, optional
        Instead of what the scenario's cameras have.
    seed : int
        The same seed writes the same bytes, whatever the number of jobs.
    jobs : int
        Processes.
    progress : callable, optional
        Called with frames done and frames in all.
    open_pool : callable, optional
        Opens a pool of so many processes; by default each begins from nothing.

    Returns
    -------
    Path
        Of the configuration.

    Raises
    ------
    LimbwardError
        If there is no eclipse, or the directory is in use or cannot be written.
    """
    root = Path(directory)
    if megapixels is not None:
        for index in range(len(scenario.cameras)):
            scenario = adapt(scenario, index, instrument={"megapixels": megapixels})
    for name in (CARD, "limbward.yaml", "truth.json"):
        if (root / name).exists():
            raise LimbwardError(
                f"{root / name} is already there; choose another folder or remove it first."
            )
    circumstances, contacts = eclipse_of(scenario)
    files: list[CardFile] = []
    for index, camera in enumerate(scenario.cameras):
        total = circumstances.kind == "total"
        frames = camera_frames(scenario, index, contacts, seed, total=total)
        top = f"{CARD}/{camera.card}/" if camera.card else f"{CARD}/"
        names = card_names(camera, len(frames))
        files += [CardFile(top + n, f) for n, f in zip(names, frames, strict=True)]
    config = root / "limbward.yaml"
    rows = [frame_truth(f.path, f.frame, scenario, seed) for f in files]
    truth = truth_json(scenario, rows, circumstances, contacts, seed)
    try:
        root.mkdir(parents=True, exist_ok=True)
        _write_all(root, scenario, files, seed, jobs, progress, open_pool or _new_processes)
        (root / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
        config.write_text(_config(scenario, circumstances, files), encoding="utf-8")
    except OSError as error:
        raise LimbwardError(f"The card dump cannot be written: {error}") from error
    return config


def _new_processes(count: int) -> Executor:
    """Return fresh processes: a forked one would inherit the threads in an undefined state."""
    return ProcessPoolExecutor(count, mp_context=get_context("spawn"))


def _write_all(
    root: Path,
    scenario: Scenario,
    files: list[CardFile],
    seed: int,
    jobs: int,
    progress: Callable[[int, int], None] | None,
    open_pool: Callable[[int], Executor],
) -> None:
    report = progress or (lambda done, total: None)
    report(0, len(files))
    if jobs <= 1:
        for done, file in enumerate(files, start=1):
            write_frame(root, scenario, file, seed)
            report(done, len(files))
        return
    with open_pool(jobs) as pool:
        futures = [pool.submit(write_frame, root, scenario, file, seed) for file in files]
        try:
            for done, future in enumerate(as_completed(futures), start=1):
                future.result()
                report(done, len(files))
        except BaseException:
            pool.shutdown(cancel_futures=True)  # do not render on after a full disk or Ctrl-C
            raise


def _config(scenario: Scenario, circumstances: Circumstances, files: list[CardFile]) -> str:
    site = scenario.site
    folders = sorted({f.frame.camera.card for f in files})
    cards = ", ".join(f"{CARD}/{name}" if name else CARD for name in folders)
    words = textwrap.wrap(caution(circumstances.to_json_dict()), 98)
    suits = " that suits a bracketed totality run" if circumstances.kind == "total" else ""
    return (
        f"# {scenario.name or 'A simulated eclipse'}: what limbward needs to know.\n"
        f"# Everything else has a default{suits}.\n#\n"
        + "".join(f"# {line}\n" for line in words)
        + "\n"
        f'site: {{name: "{site.name}", latitude: {site.latitude}, longitude: {site.longitude}, '
        f"height: {site.height}}}  # degrees north and east, metres\n"
        f"eclipse: {scenario.date}\n"
        f"input: {{cards: [{cards}]}}  # folders, relative to this file; only ever read\n"
    )
