"""What a camera's clock did, in words; see clock.json."""

from __future__ import annotations

from typing import Any

from limbward.limb.relief import told

Clock = dict[str, Any]  # one camera of clock.json

UNMEASURED_DRIFT = 10.0  # s/h; a quartz is never off by that, so such a sigma says nothing
SAID_AT_MOST = 10


def clock_verdict(clock: Clock) -> str:
    """Return what a camera's clock did, in a sentence.

    Parameters
    ----------
    clock : dict
        An element of ``cameras`` in clock.json; without uncertainties, none are shown.

    Examples
    --------
    >>> from limbward.clock.wording import clock_verdict
    >>> clock_verdict(
    ...     {
    ...         "camera": "Example One",
    ...         "serial": "12",
    ...         "utc_offset_hours": 3.0,
    ...         "offset_s": -58.31,
    ...         "offset_sigma_s": 0.12,
    ...         "drift_s_per_hour": -2.4,
    ...         "drift_sigma_s_per_hour": 0.3,
    ...     }
    ... )
    'Example One (12): 58.31 ± 0.12 s slow, losing 2.4 ± 0.3 s per hour; zone UTC+3 h'
    """
    if clock["offset_s"] is None:
        return f"{clock_name(clock)}: {clock_error(clock)}"
    drift = clock_drift(clock) or "drift not measured"
    return f"{clock_name(clock)}: {clock_error(clock)}, {drift}; zone {clock_zone(clock)}"


def clock_name(clock: Clock) -> str:
    """Return model and serial number."""
    serial = clock.get("serial")
    return f"{clock['camera']} ({serial})" if serial else f"{clock['camera']}"


def clock_zone(clock: Clock) -> str:
    """Return the zone the clock was set to: ``UTC+3 h``."""
    hours = clock["utc_offset_hours"]
    return "an unknown zone" if hours is None else f"UTC{hours:+g} h" if hours else "UTC"


def clock_error(clock: Clock) -> str:
    """Return by how much the clock was fast or slow."""
    offset = clock["offset_s"]
    if offset is None:
        return "not known"
    value = _measured(abs(offset), clock.get("offset_sigma_s"))
    return f"{value} s {'fast' if offset > 0 else 'slow'}"


def clock_drift(clock: Clock) -> str:
    """Return how the error grew; empty if that was not measured."""
    drift, sigma = clock["drift_s_per_hour"], clock.get("drift_sigma_s_per_hour")
    if drift is None or (sigma is not None and sigma >= UNMEASURED_DRIFT):
        return ""
    return f"{'gaining' if drift > 0 else 'losing'} {_measured(abs(drift), sigma)} s per hour"


def dated_by_another(date: str, eclipse: str, days: int) -> str:
    """Return the warning that frames are dated by another eclipse, seen at the same site.

    Parameters
    ----------
    date, eclipse : str
        Of the frames by their clock, and of the eclipse that they are said to show.
    days : int
        By which the clock would have to be fast.
    """
    return (
        f"The frames are dated {date}, when another eclipse was seen at the site, and fit that of "
        f"{eclipse} only with a clock {abs(days)} days {'fast' if days > 0 else 'slow'}; so the "
        "clock is not solved. Check eclipse in the config; if the camera's date was wrong, name a "
        "frame under timing.references."
    )


def audit_lines(clock: Clock) -> list[str]:
    """Return all that is known of a camera's clock, in short lines."""
    rows = [("clock", clock_error(clock))]
    if clock["offset_s"] is not None:
        rows += [
            ("zone", clock_zone(clock)),
            ("drift", clock_drift(clock) or "not measured"),
            ("frames", f"{clock['frames_used']} used"),
        ]
    elif clock["utc_offset_hours"] is not None:
        rows.append(("zone", f"{clock_zone(clock)}, not checked"))
    lines = [clock_name(clock), *(f"  {name:<8}{value}" for name, value in rows)]
    for row in clock.get("evidence", []):
        if row["frames"]:
            scatter = row.get("scatter_s")
            scattered = "" if scatter is None else f", scatter {scatter:.2f} s"
            lines.append(f"  {row['source']}: {row['used']} of {row['frames']} used{scattered}")
    if limb := limb_used(clock):
        lines.append(f"  limb: {limb}")
    lines += [f"  {line}" for line in (*bead_lines(clock), *disagreeing_lines(clock))]
    return [*lines, *(f"  warning: {warning}" for warning in clock["warnings"])]


def bead_lines(clock: Clock) -> list[str]:
    """Return what became of frames with beads; nothing without any."""
    beads = clock.get("beads")
    if not beads:
        return []
    if beads["why_not"]:
        return [f"beads: {beads['why_not']}"]
    return [f"beads alone give the clock to {beads['sigma_s']:.2f} s, apart from the site's error"]


def limb_used(clock: Clock) -> str:
    """Return which limb of the Moon the crescents were dated with; empty if none is told."""
    limb = clock.get("lunar_limb")
    if not limb:
        return ""
    height = "not compared"
    if limb["amplitude"] is not None:
        height = f"seen at {told(limb['amplitude'], limb['amplitude_sigma'])} of its height"
    return {
        "real": f"the Moon's real one, {height}",
        "smooth": f"smooth; the real one is {height}",
        "undetermined": f"the Moon's real one, in doubt: {height}"
        if limb.get("used", True)
        else f"smooth, in doubt: the real one is {height}",
        "given": "as the config gives it",
    }[limb["decision"]]


def disagreeing_lines(clock: Clock) -> list[str]:
    """Return where the clock was set, and the frames that disagree with its solution."""
    lines = []
    one = clock.get("step")
    for step in clock.get("steps") or ([one] if one else []):
        lines.append(
            f"the clock was set by {step['seconds']:+.1f} ± {step['sigma_s']:.1f} s between "
            f"{step['after_file']} and {step['before_file']}"
        )
    rows = clock.get("disagreeing", [])
    for row in rows[:SAID_AT_MOST]:
        if row["by_s"] is None and row.get("why"):
            lines.append(f"{row['file']} was not used: {row['why']}")
            continue
        by = "" if row["by_s"] is None else f" by {row['by_s']:+.1f} s"
        lines.append(f"{row['file']} disagrees{by} and was not used")
    if len(rows) > SAID_AT_MOST:
        lines.append(f"{len(rows) - SAID_AT_MOST} more disagree; see clock.json")
    return lines


def _measured(value: float, sigma: float | None) -> str:
    """Return a value to as many places as its uncertainty allows."""
    if sigma is None:
        return f"{value:.1f}"
    places = 0 if sigma >= 10 else 1 if sigma >= 0.25 else 2
    return f"{value:.{places}f} ± {max(sigma, 0.01):.{places}f}"
