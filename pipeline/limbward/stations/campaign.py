"""A campaign from its config to its report: stations are run, joined and told."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from contextlib import ExitStack
from math import nan
from pathlib import Path
from typing import Any

import numpy as np

from limbward.campaign.cells import Cells
from limbward.campaign.chart import Stand, change_frames, flattened, map_of
from limbward.campaign.page import render
from limbward.campaign.timeline import check_contacts, clock_fault, site_fault, untimed
from limbward.config.base import is_url
from limbward.config.campaign import CampaignConfig
from limbward.config.stations import Station, folder_of
from limbward.errors import LimbwardError
from limbward.imports import sources, stamp
from limbward.radiance.fits import read_picture
from limbward.runs.stage import ORDER
from limbward.sequences.film import write_films
from limbward.stations.combine import FOLDER, MEAN, Joined, join
from limbward.stations.facts import Facts, facts_of
from limbward.stations.far import bring_results
from limbward.stations.hands import ClusterHands, Hands, OwnHands
from limbward.stations.spread import cluster, run_here, run_spread
from limbward.stations.store import send
from limbward.stations.table import (
    stations_table,
    tracks_table,
    write_frames,
)
from limbward.stations.tally import Tally
from limbward.stations.work import Outcome, Plan, told
from limbward.work.reporting import Reporter
from limbward.work.worker import one_thread_of_blas
from limbward.workspace import Workspace

STATIONS, TRACKS, MAP, PICTURE, REPORT = (
    "stations.ecsv",
    "motions.ecsv",
    "map.png",
    "mean-corona.png",
    "campaign.html",
)
FILM = {"mp4": "changes.mp4", "webm": "changes.webm"}
RECORD = "state/campaign.json"
SENT = "state/sent.json"
RATE = 4.0  # pictures of the film a second
SMALLEST_PICTURE = 900  # pixels, to about which the mean corona's picture is binned


def run_campaign(
    campaign: CampaignConfig, stations: Sequence[Station], reporter: Reporter
) -> dict[str, Any]:
    """Run all stations and join them; only what is missing or out of date is done.

    Parameters
    ----------
    campaign : CampaignConfig
    stations : sequence of Station
    reporter : Reporter

    Returns
    -------
    dict
        What ``limbward campaign --json`` prints.

    Raises
    ------
    ConfigError, LimbwardError
        If there is no cluster, or the output folder cannot be written to. What fails at a station
        is in its row.
    """
    workspace = Workspace(folder_of(campaign))
    workspace.claim()
    with ExitStack() as stack:
        stack.enter_context(workspace.locked())
        reporter.stage("stations")
        tally = Tally(reporter.note)
        hands: Hands = OwnHands()
        if campaign.run.executor == "dask":
            client = stack.enter_context(cluster(campaign.run, reporter))
            if not is_url(campaign.output):  # else the workers do not see the merges
                hands = ClusterHands(client)
            per_task = campaign.run.frames_per_task
            found = run_spread(client, stations, campaign.until, per_task, tally)
        else:
            found = run_here(stations, campaign.until, campaign.run.workers, tally, reporter)
        _bring(stations, found)
        for station in stations:
            if found[station.name][1].fault:
                reporter.warn(f"{station.name}: {found[station.name][1].fault}")
        facts = {s.name: facts_of(s) for s in stations}
        digest = _digest(campaign, stations, found)
        if _up_to_date(workspace, digest):
            reporter.note("all stations together: up to date")
        else:
            reporter.stage("all stations together")
            with one_thread_of_blas():
                _make(campaign, stations, found, facts, workspace, hands, reporter, digest)
        for sentence in workspace.take_kept():
            reporter.warn(sentence)
        record = workspace.read_json(RECORD)
        if is_url(campaign.output):
            _send(workspace, record, campaign.output)
    summary: dict[str, Any] = record["summary"]
    return summary


def _bring(stations: Sequence[Station], found: dict[str, tuple[Plan, Outcome]]) -> None:
    """Fetch the merges of stations whose results were sent away."""
    for station in stations:
        plan, outcome = found[station.name]
        if station.out and not outcome.failed:
            try:
                bring_results(station)
            except LimbwardError as error:
                found[station.name] = plan, Outcome(fault=told(error), failed=True)


def _send(workspace: Workspace, record: dict[str, Any], url: str) -> None:
    """Send what was joined, unless that has been done."""
    if workspace.path(SENT).exists() and workspace.read_json(SENT) == record:
        return
    send(workspace.root, record["files"], url)
    workspace.write_json(SENT, record)


def _digest(
    campaign: CampaignConfig,
    stations: Sequence[Station],
    found: dict[str, tuple[Plan, Outcome]],
) -> str:
    """Return a digest of all that the joint results depend on."""
    digest = hashlib.sha256(campaign.combine.model_dump_json().encode())
    for path in sources(__name__):
        digest.update(stamp(path))
    for station in stations:
        digest.update(f"{station.name}\0{found[station.name][1].fault}\0".encode())
        if station.config is not None:
            digest.update(station.config.site.model_dump_json().encode())
        for name in (Workspace.corona, Workspace.clock, Workspace.frames):
            path = station.root / name
            status = path.stat() if path.exists() else None
            told_ = "-" if status is None else f"{status.st_size} {status.st_mtime_ns}"
            digest.update(f"{name} {told_}\n".encode())
    return digest.hexdigest()


def _up_to_date(workspace: Workspace, digest: str) -> bool:
    if not workspace.path(RECORD).exists():
        return False
    record = workspace.read_json(RECORD)
    made = record.get("files", [])
    return record.get("made_from") == digest and all(workspace.proves(n) for n in made)


def _make(
    campaign: CampaignConfig,
    stations: Sequence[Station],
    found: dict[str, tuple[Plan, Outcome]],
    facts: dict[str, Facts],
    workspace: Workspace,
    hands: Hands,
    reporter: Reporter,
    digest: str,
) -> None:
    merged = ORDER.index(campaign.until) >= ORDER.index("merge")
    merges = {
        s.name: s.root / Workspace.corona
        for s in stations
        if merged and found[s.name][1].corona and not found[s.name][1].failed
    }
    old = workspace.read_json(RECORD).get("files", []) if workspace.path(RECORD).exists() else []
    warned, left = _warnings(facts)
    out = {n for n, why in left.items() if why}
    joined = join(merges, campaign.combine, workspace, hands, reporter, out) if merges else Joined()
    _remove_scratch(workspace)
    for name in set(joined.names) & out:
        warned[name] = f"{warned[name]} {left[name]}".strip()
    rows = [_row(s, *found[s.name], facts[s.name], joined, warned[s.name]) for s in stations]
    files = [STATIONS]
    workspace.write_table(STATIONS, stations_table(rows))
    name, frames = write_frames(stations, workspace)
    files += [name] if name else []
    best = float(np.nanmin(joined.noise)) if joined.names else nan
    stands = [
        Stand(
            s.name, s.config.site.latitude, s.config.site.longitude, _noise(joined, s.name) / best
        )
        for s in stations
        if s.config is not None
    ]
    if stands:
        with workspace.writing(MAP) as part:
            part.write_bytes(map_of(stands))
        files.append(MAP)
    if joined.names:
        files += [MEAN, PICTURE]
        _write_picture(workspace, joined)
        workspace.write_table(TRACKS, tracks_table(joined.tracks))
        files.append(TRACKS)
    if joined.found is not None and campaign.combine.film:
        _write_film(workspace, joined)
        files += FILM.values()
    summary = _summary(campaign, rows, joined, files, frames, workspace)
    images = {
        key: _inline(workspace, name) for key, name in (("map", MAP), ("mean", PICTURE))
        if name in files
    }  # fmt: skip
    workspace.write_text(REPORT, render(rows=rows, summary=summary, images=images))
    files.append(REPORT)
    for name in set(old) - set(files):
        workspace.remove(name)
    workspace.write_json(RECORD, {"made_from": digest, "files": files, "summary": summary})


def _warnings(facts: dict[str, Facts]) -> tuple[dict[str, str], dict[str, str]]:
    """Return what is wrong with stations' clocks and sites, and why their times are of no use."""
    checked = check_contacts([s for f in facts.values() for s in f.seen])
    warned, left = {}, {}
    for name, of in facts.items():
        mine = [c for c in checked if c.station == name]
        site = site_fault(of.length_off_s, of.kind, of.totality > 0)
        left[name] = untimed(mine, site, of.clock_sigma_s)
        warned[name] = of.fault or site or clock_fault(mine)
    return warned, left


def _noise(joined: Joined, name: str) -> float:
    return float(joined.noise[joined.names.index(name)]) if name in joined.names else nan


def _row(
    station: Station,
    plan: Plan,
    outcome: Outcome,
    facts: Facts,
    joined: Joined,
    warning: str,
) -> dict[str, Any]:
    """Return a station's row."""
    site = None if station.config is None else station.config.site
    reason = outcome.fault or joined.left_out.get(station.name, "")
    if outcome.failed:
        status = "failed"
    elif station.name in joined.names:
        status = "joined"
    else:
        status = "not joined" if outcome.corona else "no corona"
    row: dict[str, Any] = {
        "station": station.name,
        "status": status,
        "reason": reason,
        "warning": warning,
        "frames": facts.frames or plan.frames,
        "size": plan.size,
        "totality": facts.totality,
        "used": facts.used,
        "clock_offset": facts.clock_offset_s,
        "clock_sigma": facts.clock_sigma_s,
        "workspace": str(station.root),
    }
    if site is not None:
        row |= {"latitude": site.latitude, "longitude": site.longitude, "height": site.height}
    if station.name not in joined.names:
        return row
    i = joined.names.index(station.name)
    header, fit = joined.headers[station.name], joined.fits[station.name]
    arcsec = float(header["RSUN_OBS"])
    west, north, turn, scale = fit.sigma
    row |= {
        "time_utc": f"{header['DATE-AVG']}Z",
        "pixel_scale": float(header["CDELT1"]),
        "west": fit.placing.west * arcsec,
        "north": fit.placing.north * arcsec,
        "place_sigma": float(np.hypot(west, north)) * arcsec,
        "turn": fit.placing.turn_deg,
        "turn_sigma": float(turn),
        "scale": fit.placing.scale,
        "scale_sigma": float(scale),
        "misfit": float(joined.scales[1].misfit[i]),
        "noise": float(joined.noise[i]),
    }
    for c, of in zip("rgb", joined.scales, strict=True):
        row[f"gain_{c}"], row[f"gain_{c}_sigma"] = float(of.gain[i]), float(of.gain_sigma[i])
    return row


def _write_picture(workspace: Workspace, joined: Joined) -> None:
    from PIL import Image

    from limbward.campaign.view import View, binned

    light, _, _ = read_picture(workspace.path(MEAN))
    assert joined.view is not None
    factor = max(1, light.shape[1] // SMALLEST_PICTURE)
    small = np.stack([binned(plane, np.zeros((2, 3)), factor)[0] for plane in light])
    picture = flattened(small, View(small.shape[1], joined.view.step * factor))
    with workspace.writing(PICTURE) as part:
        Image.fromarray(picture).save(part, "PNG")


def _write_film(workspace: Workspace, joined: Joined) -> None:
    assert joined.found is not None
    labels = [f"{t[:19].replace('T', ' ')} UTC" for t in joined.times]
    with ExitStack() as stack:
        paths = {k: stack.enter_context(workspace.writing(n)) for k, n in FILM.items()}
        write_films(paths, change_frames(joined.found, Cells(), labels), RATE)


def _remove_scratch(workspace: Workspace) -> None:
    folder = workspace.path(FOLDER)
    if not folder.is_dir():
        return
    for path in folder.glob("*.npz"):
        path.unlink()
    try:
        folder.rmdir()
    except OSError as error:  # somebody else has put something there
        told(error)


def _inline(workspace: Workspace, name: str) -> str:
    data = workspace.path(name).read_bytes()
    return "data:image/png;base64," + base64.b64encode(data).decode("ascii")


def _summary(
    campaign: CampaignConfig,
    rows: Sequence[dict[str, Any]],
    joined: Joined,
    files: Sequence[str],
    frames: int,
    workspace: Workspace,
) -> dict[str, Any]:
    """Return what is printed and stands at the head of the report."""

    def plain(value: Any) -> Any:
        if isinstance(value, float | np.floating):
            return float(value) if np.isfinite(value) else None
        return value

    median = float(np.nanmedian(joined.noise)) if joined.names else nan
    return {
        "eclipse": campaign.eclipse.isoformat(),
        "folder": str(workspace.root),
        "files": list(files),
        "frames": frames,
        "stations": [{k: plain(v) for k, v in row.items() if v not in ("", None)} for row in rows],
        "mean": None
        if not joined.names
        else {
            "stations": len(joined.names),
            "chi_square": plain(joined.chi2),
            "pixel_solar_radii": joined.view.step if joined.view else None,
            "noise_of_the_median_station": plain(median),
        },
        "tracks": [{k: plain(v) for k, v in vars(t).items()} for t in joined.tracks],
        "tracks_searched": joined.found is not None,
    }


def report_path(campaign: CampaignConfig) -> Path:
    """Return where the report of a campaign lies."""
    return folder_of(campaign) / REPORT
