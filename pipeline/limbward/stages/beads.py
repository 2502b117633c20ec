"""Timing's part about beads: a camera's clock by its frames near second and third contact."""

from __future__ import annotations

from astropy.table import Table

from limbward.clock.bead_light import Edges
from limbward.clock.bead_use import nothing_known, with_beads
from limbward.clock.beads import Beads, date_by_beads
from limbward.clock.body import KnownLimb
from limbward.clock.readings import Body, Readings
from limbward.clock.solution import ClockSolution
from limbward.clock.standing import equal_readings
from limbward.config import Config
from limbward.sky.doubt import Doubt
from limbward.sky.track import SkyTrack
from limbward.workspace import Workspace
from limbward.workspace.columns import floats
from limbward.workspace.measured import rims_of_rows


def by_beads(
    config: Config,
    workspace: Workspace,
    frames: Table,
    readings: Readings,
    track: SkyTrack,
    doubt: Doubt,
    totality_s: tuple[float, float] | None,
    body: Body,
    solution: ClockSolution | None,
    limb: KnownLimb | None,
) -> tuple[ClockSolution | None, Beads | None]:
    """Return a camera's clock with what its beads tell, and what they tell; None without any.

    Where crescents have shown that the Moon of the pictures has another limb, so have its beads.
    """
    verdict = None if solution is None else solution.limb
    another = verdict is not None and not verdict.used
    stands_still = equal_readings(readings, body.rows) > 0
    if not config.timing.beads or limb is None or another or totality_s is None or stands_still:
        return solution, None
    profile = limb.at(0.0)  # the Moon turns by 0.02 degrees from there to a contact
    edges = Edges(track, profile.position_angle, profile.height_arcsec, limb.sun_size)
    beads = date_by_beads(
        edges,
        body,
        readings,
        rims_of_rows(workspace, frames),
        solution or nothing_known(body, readings),
        totality_s,
        config.timing.rotates,
        floats(frames, "iso"),
    )
    if beads is None or (beads.why_not and solution is None):
        return solution, beads
    # Glare at one side makes the Moon too small by a few parts in a thousand.
    dark = beads.rows[readings.phase[beads.rows] == "totality"]
    moon_px = floats(frames, "measured_moon_radius")[dark if dark.size else beads.rows]
    return with_beads(solution or nothing_known(body, readings), beads, track, doubt, moon_px)
