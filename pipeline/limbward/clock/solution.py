"""What became of a camera's clock, and offsets in words."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from limbward.clock.crescent_result import Place, Step
from limbward.geometry.lens import UNTOLD, Growth
from limbward.geometry.orientation import Orientation
from limbward.limb.relief import LimbVerdict

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

QUARTER_HOUR_S = 900.0
DAY_S = 86400.0


@dataclass(frozen=True)
class ClockSolution:
    """A camera clock and, where crescents were seen, how the camera was turned.

    ``offset_s`` is reading minus UTC at the epoch, time zone included, before any of the ``steps``.
    ``covariance`` (2, 2) is that of offset and drift. Residuals are in seconds of time, one a
    crescent, positive where the clock read late; those of frames not ``used`` count for nothing,
    and those not ``inside`` lie hours from the eclipse by this clock or lack a measurement (NaN).
    ``own_s`` is the begin of each crescent's exposure by the crescent itself, NaN where it tells
    none, and ``own_sigma_s`` its standard error. The offset of a clock that stood still is NaN.
    ``lean_deg`` is how far north and east the vertical axis leans about which the field turns.
    ``roll_deg`` is how far a hand has rolled the camera at each crescent beside totality, None if
    it has not.
    ``cost`` is the bounded chi-square of the crescents. ``limb`` is what is made of the Moon's true
    limb, None where it is not asked for or nothing can be compared. ``growth`` is the lens's, which
    does not count unless it shows.
    """

    offset_s: float
    drift_s_per_hour: float
    covariance: Floats
    sources: tuple[str, ...]
    warnings: tuple[str, ...] = ()
    steps: tuple[Step, ...] = ()
    place: Place | None = None
    orientation: Orientation | None = None
    scale_sigma_arcsec: float = float("nan")
    up_sigma_deg: float = float("nan")
    rotates: bool = False
    lean_deg: tuple[float, float] = (0.0, 0.0)
    roll_deg: Floats | None = None
    residual_s: Floats = field(default_factory=lambda: np.zeros(0))
    used: Mask = field(default_factory=lambda: np.zeros(0, bool))
    inside: Mask = field(default_factory=lambda: np.zeros(0, bool))
    own_s: Floats = field(default_factory=lambda: np.zeros(0))
    own_sigma_s: Floats = field(default_factory=lambda: np.zeros(0))
    cost: float = float("nan")
    limb: LimbVerdict | None = None
    growth: Growth = UNTOLD

    @property
    def runs(self) -> bool:
        """Whether the clock's readings tell the time at all."""
        return bool(np.isfinite(self.offset_s))

    def offset_of(self, piece: int) -> float:
        """Return reading minus UTC at the epoch for the clock after so many steps."""
        return self.offset_s + sum(step.seconds for step in self.steps[:piece])

    def covariance_of(self, piece: int) -> Floats:
        """Return the covariance of `offset_of` and the drift, (2, 2)."""
        return self.steps[piece - 1].covariance if piece else self.covariance

    def doubted(self, change: Floats) -> ClockSolution:
        """Return the solution with errors that hold another choice, ``change`` (2,) away.

        ``change`` is of offset and drift; as a standard deviation it moves all pieces alike.
        """
        more = np.outer(change, change)
        steps = tuple(replace(step, covariance=step.covariance + more) for step in self.steps)
        return replace(self, covariance=self.covariance + more, steps=steps)

    @property
    def offset_sigma_s(self) -> float:
        """Standard error of the offset at the epoch, seconds."""
        return float(np.sqrt(self.covariance[0, 0]))

    @property
    def drift_sigma_s_per_hour(self) -> float:
        """Standard error of the drift, seconds an hour."""
        return float(np.sqrt(self.covariance[1, 1]))

    @property
    def residual_rms_s(self) -> float:
        """Root mean square of the residuals of the frames used, seconds; NaN without any."""
        left = self.residual_s[self.used]
        return float(np.sqrt(np.mean(left**2))) if left.size else float("nan")

    def since_greatest_s(
        self, reading_s: Floats, resolution_s: Floats | float, order: Floats | None = None
    ) -> Floats:
        """Return UTC seconds from the epoch for clock readings (middle of their resolution).

        ``order`` tells which frames came after a step; without it, none did. A frame between the
        two crescents that a step lies between is taken to be from before it.
        """
        reading = np.asarray(reading_s) + 0.5 * np.asarray(resolution_s) - self.offset_s
        if order is not None and self.steps:
            gone = np.append(0.0, np.cumsum([step.seconds for step in self.steps]))
            reading = reading - gone[self.piece(order)]
        return np.asarray(reading / (1.0 + self.drift_s_per_hour / 3600.0))

    def piece(self, order: Floats) -> NDArray[np.int64]:
        """Return how many of the steps came before frames taken in this order."""
        begins = np.array([step.before for step in self.steps])
        return np.asarray(np.searchsorted(begins, np.asarray(order), side="right"))

    def sigma_s(
        self, reading_s: Floats, resolution_s: Floats | float, order: Floats | None = None
    ) -> Floats:
        """Return the error of `since_greatest_s`: the fit's, and what the tag leaves open."""
        hours = self.since_greatest_s(reading_s, resolution_s, order) / 3600.0
        pieces = np.array([self.covariance, *(step.covariance for step in self.steps)])
        c = pieces[0 if order is None else self.piece(order)]
        fit = c[..., 0, 0] + 2.0 * hours * c[..., 0, 1] + hours**2 * c[..., 1, 1]
        return np.asarray(np.sqrt(np.maximum(fit, 0.0) + np.asarray(resolution_s) ** 2 / 12.0))


def ahead(offset_s: float) -> str:
    """Return in words what a clock with this offset (reading minus UTC) reads."""
    sign = "+" if offset_s >= 0 else "-"
    minutes, seconds = divmod(abs(offset_s), 60.0)
    hours, minutes = divmod(int(minutes), 60)
    days, hours = divmod(hours, 24)
    far = f"{days} d " if days else ""
    return f"UTC {sign} {far}{hours} h {minutes:02d} min {seconds:04.1f} s"


def two_clocks(who: str, taken_s: float, other_s: float, why: str | None = None) -> str:
    """Return the sentence about two clocks that some evidence allows."""
    reason = (
        f"the first is taken, because {why}"
        if why
        else "nothing decides between them: the first is taken, with an error that covers both"
    )
    return (
        f"{who} two clocks: {ahead(taken_s)} or {ahead(other_s)}; {reason}. Check "
        "timing.references in the config, or name one more reference shot there."
    )


def split_zone(offset_s: float, hint_hours: float | None = None) -> tuple[int, float, float]:
    """Split an offset into days, a time zone and what the clock is fast by.

    Parameters
    ----------
    offset_s : float
        Reading minus UTC.
    hint_hours : float, optional
        Zone the frames or the config claim.

    Returns
    -------
    days : int
        By which the date is wrong.
    hours, rest_s : float
        The hint if it leaves less than a quarter of an hour; else the nearest whole hour if that
        leaves at most 10 minutes, else the nearest quarter hour (zones of :30 and :45 exist).
        Zones run from UTC-12 to UTC+14; what is beyond counts as days.
    """
    for days in (0, round((offset_s - (hint_hours or 0.0) * 3600.0) / DAY_S)):
        if hint_hours is not None:
            rest = offset_s - days * DAY_S - hint_hours * 3600.0
            if abs(rest) < QUARTER_HOUR_S:
                return days, hint_hours, rest
    days = 0 if -12.2 * 3600 < offset_s < 14.2 * 3600 else round(offset_s / DAY_S)
    left = offset_s - days * DAY_S
    whole = round(left / 3600.0)
    if abs(left - whole * 3600.0) <= 600.0:
        return days, float(whole), left - whole * 3600.0
    quarters = round(left / QUARTER_HOUR_S)
    return days, quarters / 4.0, left - quarters * QUARTER_HOUR_S
