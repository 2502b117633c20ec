"""A frame without filter: the Moon in front of the corona."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from limbward.limb.circle import CircleFit, fit_circles
from limbward.limb.darkening import corona_inset
from limbward.limb.edges import EdgePoints, RadialEdges
from limbward.limb.measurement import (
    LimbFrame,
    LimbMeasurement,
    arc_of,
    coverage_of,
    limb_edges,
    limb_width_of,
    mostly_clipped,
    outline,
    points_of,
    ring,
    start_of,
)
from limbward.limb.ramp import ramp_edges

# Beyond the scatter of the edges: the Moon's relief and the corona's slope pull the centre by
# RELIEF_PX, an overexposed limb by up to RAMP_PX more (pixels of the measured image; against
# simulated truth).
RELIEF_PX, RAMP_PX = 0.02, 0.08
FALL_RADII = 0.15  # over which the corona's fall is seen
ROUNDER = 1.2  # times the steepest places' scatter that the feet of a clipped limb may have


def _outwards(frame: LimbFrame, edges: RadialEdges, fit: CircleFit) -> CircleFit:
    """Return a fit with the radius that the limb has, not the steepest places of a falling corona.

    Where the limb is clipped they are something else again.
    """
    moon, blur = fit.circles[0], limb_width_of(edges)
    if blur is None or edges.saturated.mean() > 0.5:
        return fit
    near = 1.0 + 3.0 / moon.radius  # beyond the limb's blur
    outside, clipped = ring(frame, (moon.x, moon.y, moon.radius), near, near + FALL_RADII)
    seen = np.isfinite(outside).all(axis=1) & ~clipped.any(axis=1)
    light = outside[seen].mean(axis=0) if seen.any() else np.zeros(outside.shape[1])
    if not 0.0 < light.min() <= light[-1] < light[0]:
        return fit
    # The corona falls off ever more slowly: what counts is how fast it does at the limb.
    depth = moon.radius * (np.linspace(near, near + FALL_RADII, light.size) - 1.0)
    steepness = -float(np.polyfit(depth, np.log(light), 2)[1])
    if steepness <= 0.0:
        return fit
    fall = 1.0 / steepness
    larger = replace(moon, radius=moon.radius + corona_inset(fall, blur))
    return replace(fit, circles=(larger,))


def measure_totality(frame: LimbFrame, points: EdgePoints) -> LimbMeasurement:
    """Measure the Moon in front of the corona, or say why not."""
    side = max(frame.image.shape) // frame.factor
    rough = outline(points, bright_inside=False, side=side)
    if rough is None:
        return LimbMeasurement("none", note="no limb found in this frame")
    edges = limb_edges(frame, frame.fine(rough), brighter_outside=True)
    if edges is None:
        return LimbMeasurement("none", note="no limb sharp enough to measure")
    fit = fit_circles([arc_of(edges)], [start_of(edges, frame.fine(rough))])
    fit = _outwards(frame, edges, fit)
    if edges.saturated.mean() > 0.02:
        first = fit.circles[0]
        start = (first.x, first.y, first.radius)
        blur = limb_width_of(edges) if edges.saturated.mean() < 0.7 else None
        ramp = ramp_edges(
            frame.image,
            frame.saturated,
            *start,
            noise=frame.noise,
            blur=blur,
        )
        by_foot = None if ramp is None else fit_circles([arc_of(ramp)], [start])
        # Glare on the Moon hides the foot of the edge, which then lies on no circle.
        if ramp is not None and by_foot is not None and by_foot.rms < max(ROUNDER * fit.rms, 0.3):
            edges, fit = ramp, by_foot
    systematic = RELIEF_PX + RAMP_PX * float(edges.saturated.mean())
    moon = replace(fit.circles[0], sigma=float(np.hypot(fit.circles[0].sigma, systematic)))
    coverage = coverage_of(edges, moon)
    c = (moon.x, moon.y, moon.radius)
    outside, clipped = ring(frame, c, 1.02, 1.12)
    inside, _ = ring(frame, c, 0.80, 0.96)
    brighter = outside.mean(axis=1) > inside.mean(axis=1) + 3 * frame.noise
    seen = np.isfinite(outside).all(axis=1)
    if coverage < 0.2 or fit.inlier_fraction < 0.5 or fit.rms > 2.0 or not seen.any():
        return LimbMeasurement("none", note="no limb sharp enough to measure")
    if brighter[seen].mean() < 0.3:
        return LimbMeasurement("none", note="no dark disc with a bright surrounding found")
    outside, clipped = outside[seen], clipped[seen]
    share = float(clipped.mean())
    rest = float(np.median(outside[~clipped])) if share < 1 else np.inf
    full = float(np.max(outside[clipped])) if share > 0 else np.inf
    # Where the photosphere shows, a part of the ring is clipped and the rest is far from it.
    contact = 0.002 < share < 0.6 and rest < 0.12 * full
    return LimbMeasurement(
        "contact" if contact else "totality",
        None,
        moon,
        limb_width_of(edges),
        mostly_clipped(edges),
        coverage,
        moon_limb=points_of(edges),
    )
