"""What a station's workspace says of itself, for its row and for the common timeline."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import nan
from typing import Any

import numpy as np
from astropy.table import Table
from astropy.time import Time
from numpy.typing import NDArray

from limbward.campaign.timeline import Seen, bracket, length_off_s
from limbward.config.stations import Station
from limbward.errors import LimbwardError
from limbward.workspace import Workspace
from limbward.workspace.columns import floats

SHINES = ("partial", "contact")


@dataclass(frozen=True)
class Facts:
    """A station's own findings.

    Attributes
    ----------
    frames, totality, used : int
        Files, those that show totality, those that were merged.
    clock_offset_s, clock_sigma_s : float
        Of the camera with most frames; NaN if not known.
    kind : str
        Of the eclipse at its site.
    seen : list of Seen
        Contacts between frames.
    length_off_s : float
        See `limbward.campaign.timeline.length_off_s`.
    fault : str
        Why nothing of this is known though the station has been run; empty if it is.
    """

    frames: int = 0
    totality: int = 0
    used: int = 0
    clock_offset_s: float = nan
    clock_sigma_s: float = nan
    kind: str = ""
    seen: list[Seen] = field(default_factory=list)
    length_off_s: float = nan
    fault: str = ""


def facts_of(station: Station) -> Facts:
    """Return what a workspace says; nothing where a run has not come so far."""
    workspace = Workspace(station.root)
    if not workspace.path(Workspace.frames).exists():
        return Facts()
    try:
        table = workspace.read_table(Workspace.frames)
        contacts = workspace.read_json(Workspace.contacts)
        phases = np.array([str(p) for p in table["phase"]])
        used = np.array([str(u) == "True" for u in table["used"]])
        offset, sigma = _clock(workspace)
        if station.config is not None and station.config.timing.lunar_limb == "smooth":
            contacts.pop("real_limb", None)
        seen, length = _contacts(station.name, table, phases, contacts)
    except LimbwardError as error:
        return Facts(fault=str(error))
    except (KeyError, ValueError, TypeError, AttributeError) as error:
        damaged = f"What its run wrote is damaged ({error!r}): run the station again."
        return Facts(fault=damaged)
    return Facts(
        len(table),
        int((phases == "totality").sum()),
        int(used.sum()),
        offset,
        sigma,
        str(contacts.get("kind", "")),
        seen,
        length,
    )


def _clock(workspace: Workspace) -> tuple[float, float]:
    if not workspace.path(Workspace.clock).exists():
        return nan, nan
    cameras = workspace.read_json(Workspace.clock)["cameras"]
    known = [c for c in cameras if c.get("offset_s") is not None]
    if not known:
        return nan, nan
    best = max(known, key=lambda c: c.get("frames_used") or 0)
    sigma = best.get("offset_sigma_s")
    return float(best["offset_s"]), nan if sigma is None else float(sigma)


def _contacts(
    name: str, table: Table, phases: NDArray[Any], contacts: dict[str, Any]
) -> tuple[list[Seen], float]:
    """Return between which frames second and third contact were, against the prediction."""
    stamps = [str(t) for t in table["time_utc"]]
    dated = np.array([len(t) > 10 for t in stamps])
    sigmas = floats(table, "time_utc_sigma")
    exposure = np.nan_to_num(floats(table, "exposure"))
    total = (phases == "totality") & dated
    if not total.any():
        return [], nan
    times = Time([s.rstrip("Z") for s in np.array(stamps)[dated]], format="isot", scale="utc")
    sigma = float(np.nanmedian(sigmas[total])) if np.isfinite(sigmas[total]).any() else nan
    shines = np.isin(phases, SHINES)
    out, between = [], {}
    for contact in ("C2", "C3"):
        told = contacts.get("real_limb", {}).get(contact) or contacts.get("contacts", {}).get(
            contact
        )
        if told is None:
            return [], nan
        begins = np.full(len(table), np.nan)
        begins[dated] = (times - Time(told["utc"].rstrip("Z"), format="isot", scale="utc")).sec
        found = bracket(begins, begins + exposure, total.tolist(), shines.tolist(), contact)
        between[contact] = found
        out.append(Seen(name, contact, *found, sigma))
    return out, length_off_s(between["C2"], between["C3"])
