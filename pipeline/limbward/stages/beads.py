"""Timing's part about beads: a camera's clock by its frames near second and third contact."""

from __future__ import annotations

from astropy.table import Table

from limbward.clock.bead_light import Edges
from limbward.clock.bead_use import nothing_known, with_beads
from limbward.clock.beads import Beads, date_by_beads
from limbward.clock.readings import Body, Readings
from limbward.clock.solution import ClockSolution
from limbward.clock.standing import equal_readings
from limbward.config import Config
from limbward.sky.doubt import Doubt
from limbward.sky.lunar_limb import limb_of
from limbward.sky.real_limb import turned_moon_if_known
from limbward.sky.track import SkyTrack
from limbward.stages import place_and_time
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
) -> tuple[ClockSolution | None, Beads | None]:
    """Return a camera's clock with what its beads tell, and what they tell; None without any."""
    edges = _edges(config, track) if config.timing.beads else None
    stands_still = equal_readings(readings, body.rows) > 0
    if totality_s is None or edges is None or stands_still:
        return solution, None
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


def _edges(config: Config, track: SkyTrack) -> Edges | None:
    """Return the Moon's limb before the Sun's: the configured profile, else the Moon's relief.

    None where the relief is not known.
    """
    profile = place_and_time.limb_profile(config)
    if profile is None:
        site = place_and_time.site(config)
        moon = turned_moon_if_known(track.epoch, site, ephemeris=config.sky.ephemeris)
        if moon is None:
            return None
        profile = limb_of(moon).profile(place_and_time.radii(config))
    size = place_and_time.sun_over_track(config)
    return Edges(track, profile.position_angle, profile.height_arcsec, size)
