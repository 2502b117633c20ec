"""What a run's artefacts tell, as the report wants it; what was not made is None or empty."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from limbward.camera.card import dcf_number
from limbward.clock.wording import clock_drift, clock_error, clock_name, clock_zone
from limbward.errors import LimbwardError
from limbward.limb.darkening import limb_darkening
from limbward.limb.measure import measure
from limbward.radiance.fits import history_of, open_picture, read_picture, read_rows
from limbward.radiance.noise import NoiseRecord
from limbward.radiance.scratch import let_go, room_on_disk
from limbward.report import ClockAudit, Corona, Frame, Product, Sample
from limbward.report.corona import corona_of
from limbward.report.limbs import LimbView, furthest_off
from limbward.report.material import ContactLimb, Instrument, MoonLimb, StarsSeen, SunStack
from limbward.report.sun import sun_of
from limbward.report.wording import VARIANTS
from limbward.sky.wording import uneven_limb
from limbward.workspace import Workspace
from limbward.workspace.bodies import COLOURS, read_bodies
from limbward.workspace.columns import flags, floats, texts
from limbward.workspace.stars import read_star_cameras, read_stars
from limbward.workspace.stored import read_crop, read_limbs, read_planes

GREEN = 1
SENSOR_ADU = 10_000.0
SEQUENCES = "sequences/"
PLACES = ("sun_x", "sun_y", "sun_radius", "moon_x", "moon_y", "moon_radius", "limb_sigma")


def there(workspace: Workspace, name: str) -> Path | None:
    """Return where an artefact lies, None if it was not made."""
    path = workspace.path(name)
    return path if path.is_file() else None


def read_told(workspace: Workspace, name: str) -> dict[str, Any]:
    """Return a JSON object, without keys if it was not made.

    Raises
    ------
    LimbwardError
        If the file holds something else.
    """
    if not workspace.path(name).exists():
        return {}
    told = workspace.read_json(name)
    if not isinstance(told, dict):
        raise LimbwardError(f"{workspace.path(name)} is damaged; delete it and run again.")
    return told


def read_frames(workspace: Workspace) -> list[Frame]:
    """Return the files of frames.ecsv, with what the stages' own tables know besides.

    Parameters
    ----------
    workspace : Workspace
    """
    if not workspace.path(Workspace.frames).exists():
        return []
    frames = workspace.read_table(Workspace.frames)
    ingest, timing, merge = (_table(workspace, s, frames) for s in ("ingest", "timing", "merge"))
    number = {name: floats(frames, name) for name in ("size", "exposure", "iso", *PLACES)}
    text = {n: texts(frames, n) for n in ("file", "phase", "camera", "serial", "time_utc", "note")}
    used = flags(frames, "used")
    residual = floats(timing, "clock_residual_s")
    relative = floats(merge, "relative_exposure")
    width, height = floats(ingest, "width"), floats(ingest, "height")
    preview = texts(ingest, "preview")
    found = []
    for i, file in enumerate(text["file"]):
        path = PurePosixPath(file)
        time = text["time_utc"][i]
        found.append(
            Frame(
                file=file,
                phase=text["phase"][i] or "other",
                camera=clock_name({"camera": text["camera"][i], "serial": text["serial"][i]}),
                size=int(np.nan_to_num(number["size"][i])),
                exposure_s=number["exposure"][i],
                iso=number["iso"][i],
                time=datetime.fromisoformat(time.rstrip("Z")) if time else None,
                **{name: float(number[name][i]) for name in PLACES},
                width=width[i],
                height=height[i],
                clock_residual_s=residual[i],
                relative_exposure=relative[i],
                used=bool(used[i]),
                note=text["note"][i],
                number=dcf_number(Path(file)),
                # The count runs on across the folders of one DCIM, and is the camera's own.
                roll=f"{path.parent.parent.as_posix()}/{path.stem[:4]}",
                preview=workspace.path(preview[i]) if preview[i] else None,
            )
        )
    return found


def read_clocks(workspace: Workspace) -> list[ClockAudit]:
    """Return what each camera's clock did, with words for it."""
    return [
        ClockAudit(
            name=clock_name(clock),
            error=clock_error(clock),
            zone=clock_zone(clock),
            drift=clock_drift(clock),
            entry=clock,
        )
        for clock in read_told(workspace, Workspace.clock).get("cameras", [])
    ]


def read_corona(workspace: Workspace, noise: NoiseRecord | None) -> Corona | None:
    """Return the merged corona's green plane, None if there is no corona."""
    path = there(workspace, Workspace.corona)
    if path is None:
        return None
    with open_picture(path, ["SIGMA", "COUNT"]) as hdus:
        header = hdus[0].header
        # On disk: few of the pixels are looked at.
        planes = {
            name: _on_disk(hdus[name], workspace) for name in (0, "SIGMA", "COUNT") if name in hdus
        }
    return corona_of(
        planes[0],
        header,
        sigma=planes.get("SIGMA"),
        count=planes.get("COUNT"),
        noise={} if noise is None else noise.by_iso(),
        history=history_of(header),
    )


def _on_disk(hdu: Any, workspace: Workspace) -> NDArray[Any]:
    """Return a picture's green plane, or its only one."""
    kind = np.float32 if hdu.header["BITPIX"] < 0 else np.uint16
    out = room_on_disk(hdu.shape[-2:], kind, workspace.root)
    read_rows(hdu, GREEN if len(hdu.shape) == 3 else None, out)
    let_go(out)
    return out


def read_stars_seen(workspace: Workspace) -> list[StarsSeen]:
    """Return what the stars in each camera's frames tell."""
    pointings = read_told(workspace, Workspace.pointing).get("cameras", [])
    rows = read_stars(workspace)
    return [
        StarsSeen(
            f"{c['camera']} {c['serial']}".strip(),
            c,
            [asdict(star) for *body, star in rows if body == [c["camera"], c["serial"]]],
            next(
                (p for p in pointings if (p["camera"], p["serial"]) == (c["camera"], c["serial"])),
                {},
            ),
        )
        for c in read_star_cameras(workspace)
    ]


def read_sun(workspace: Workspace) -> SunStack | None:
    """Return what is known of the stacked disc of the Sun, None if there is none."""
    path = there(workspace, Workspace.sun)
    if path is None:
        return None
    green, header, _ = read_picture(path, plane=GREEN)
    lit = np.nan_to_num(green)
    # As large as the numbers of a sensor, which the search for limbs has its floors for.
    lit *= np.float32(SENSOR_ADU / max(float(lit.max(initial=0.0)), 1e-9))
    found = measure(lit, np.zeros(lit.shape, bool))
    return sun_of(
        green, header, limb_darkening, blur_px=found.limb_width, history=history_of(header)
    )


def read_samples(workspace: Workspace) -> Iterator[Sample]:
    """Yield the reduced frames of the merge with the Sun's place in them."""
    frames = workspace.read_table(Workspace.frames)
    reduced = texts(_table(workspace, "ingest", frames), "reduced")
    x, y, radius = (floats(frames, f"sun_{n}") for n in ("x", "y", "radius"))
    exposure, iso = floats(frames, "exposure"), floats(frames, "iso")
    for i in np.flatnonzero(flags(frames, "used") & np.isfinite(x + y + radius)):
        path = workspace.path(reduced[i])
        if not reduced[i] or not path.exists():
            continue
        planes, factor = read_planes(path)
        yield Sample(
            exposure_s=float(exposure[i]),
            iso=float(np.nan_to_num(iso[i])),
            plane=planes[GREEN],
            sun_x=(float(x[i]) + 0.5) / factor - 0.5,
            sun_y=(float(y[i]) + 0.5) / factor - 0.5,
            sun_radius=float(radius[i]) / factor,
        )


def read_worst_limbs(workspace: Workspace) -> list[LimbView]:
    """Return the frames of totality whose limb lies furthest from where the alignment has it."""
    names = [Workspace.table(name) for name in ("ingest", "align")]
    if not all(workspace.path(name).exists() for name in names):
        return []
    ingest, align = (workspace.read_table(name) for name in names)
    file, reduced = texts(align, "file"), texts(ingest, "reduced")
    exposure, miss = floats(ingest, "exposure"), floats(align, "limb_miss")
    moon = np.column_stack([floats(align, f"moon_{n}") for n in ("x", "y", "radius")])
    found = []
    for row in furthest_off(miss):
        path = workspace.path(reduced[row])
        crop = read_crop(path)
        if crop is None:
            continue
        x, y, radius = (float(value) for value in moon[row])
        found.append(
            LimbView(
                file=file[row],
                exposure_s=float(exposure[row]),
                miss_px=float(miss[row]),
                values=crop.values,
                scale=crop.scale,
                origin=crop.origin,
                points=read_limbs(path)[1][:, :2],
                moon=(x, y, radius),
            )
        )
    return found


def read_variants(workspace: Workspace) -> list[Product]:
    """Return the finished picture in the other forms that compose makes."""
    names = (Workspace.annotated, Workspace.side_by_side, Workspace.polar)
    return [
        Product(said.title, workspace.path(name), said.caption, said.alt)
        for name, said in zip(names, VARIANTS, strict=True)
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


def read_moon_limb(
    workspace: Workspace, contacts: Mapping[str, Any], by: str, drawn: list[ContactLimb]
) -> MoonLimb:
    """Return the Moon's limb with the beads that it makes and those that were found.

    Parameters
    ----------
    workspace : Workspace
    contacts : mapping
        As in contacts.json.
    by : str
        What the limb is known by.
    drawn : list of ContactLimb

    Raises
    ------
    LimbwardError
        If the strip's JSON file is damaged.
    """
    told = read_told(workspace, f"{SEQUENCES}strip.json")
    due = list(uneven_limb(contacts)[1].get("beads", []))
    if not told:
        return MoonLimb(by, drawn, due)
    try:
        details = told["details"]
        # Strips of older versions have no beads but those that were found.
        due = list(details.get("beads", due))
        found = [
            {n: frame[n] for n in ("file", "contact", "seconds_from_contact")} | bead
            for frame in details["frames"]
            for bead in frame["beads"] or []
        ]
    except (LookupError, TypeError, AttributeError) as error:
        raise LimbwardError(
            f"{workspace.path(SEQUENCES)}/strip.json does not tell what was made; delete it and "
            "make the strip again."
        ) from error
    return MoonLimb(by, drawn, due, found, measured=True)


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
            f"{path} is damaged; delete it and run `limbward {path.stem}` again."
        ) from error


def _table(workspace: Workspace, stage: str, frames: Table) -> Table:
    """Return a stage's table if it is there and fits the frames, else one without columns."""
    name = Workspace.table(stage)
    if workspace.path(name).exists():
        table = workspace.read_table(name)
        if list(table["file"]) == list(frames["file"]):
            return table
    return frames["file",]


def read_instruments(workspace: Workspace) -> list[Instrument]:
    """Return the cameras of a merge of several as the report shows them; none if not made."""
    rows, shares = read_bodies(workspace)
    if shares is None:
        return []
    found = []
    for row in rows:
        name = {"camera": str(row["camera"]), "serial": str(row["serial"])}
        mine = (texts(shares, "camera") == row["camera"]) & (
            texts(shares, "serial") == row["serial"]
        )
        ring = {n: floats(shares, n)[mine] for n in ("from", "to", "share", "covered")}
        number = {n: float(v) for n, v in row.items() if isinstance(v, float)}
        found.append(
            Instrument(
                name=clock_name(name),
                merged=row["merged"] == "True",
                note=str(row["note"]),
                frames=int(np.nan_to_num(number["frames"])),
                exposure_s=number["exposure"],
                pixel_scale_arcsec=number["pixel_scale"],
                up_position_angle=number["up_position_angle"],
                field_deg=(number["field_width"], number["field_height"]),
                gain=[number[f"gain_{colour}"] for colour in COLOURS],
                distortion=float(np.nan_to_num(number["distortion"])),
                edges=np.append(ring["from"][:1], ring["to"]),
                share=ring["share"],
                covered=ring["covered"],
            )
        )
    return found
