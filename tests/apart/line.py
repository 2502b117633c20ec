"""``python -m tests.apart.line DIR [WORKSPACE]``: prominences of a card in hydrogen-alpha, scored.

Prints one line of JSON: how far the heights that `limbward chromosphere` found are from those of
the truth. A prominence's height is defined as the product states it: above the limb in white light,
to where it falls to half of its brightness at the top, or to 1 % of the disc's centre. Here it is
taken from the scene itself, without blur, pixels and noise.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
from scipy.ndimage import uniform_filter1d

from .corona import Corona, darkening, disc_mean
from .scene import LINE

STEP_DEG, STEP_ARCSEC, HIGHEST = 0.05, 0.1, 140.0
EDGE, TOP_ARCSEC, EVEN_DEG = 0.01, 12.0, 0.35


def heights(truth: dict) -> tuple[np.ndarray, np.ndarray]:
    """Position angles, and to which height prominences reach there, arcseconds, 0 without any."""
    sun, excess = truth["solar_radius_arcsec"], truth["settings"]["excess"]
    angle = np.arange(0.0, 360.0, STEP_DEG)
    above = np.arange(0.0, HIGHEST, STEP_ARCSEC)  # the line's limb
    rho = 1.0 + excess + above / sun
    glow = np.minimum(
        LINE
        * Corona(truth["seed"] + 5).prominences(
            np.broadcast_to(rho, (angle.size, rho.size)).ravel(),
            np.repeat(np.radians(angle - truth["solar_north_deg"]), rho.size),
            0,
        ),
        0.1,
    ).reshape(angle.size, rho.size)
    centre = float(darkening(np.ones(1), 0)[0] / disc_mean(0))
    light = uniform_filter1d(glow / centre, round(EVEN_DEG / STEP_DEG), axis=0, mode="wrap")
    ends = np.zeros(angle.size)
    for i, column in enumerate(light):
        bright = np.flatnonzero(column > EDGE)
        if bright.size:
            top = column[max(0, bright[-1] - round(TOP_ARCSEC / STEP_ARCSEC)) : bright[-1] + 1]
            ends[i] = above[np.flatnonzero(column > max(EDGE, 0.5 * top.max()))[-1]]
    return angle, np.where(ends > 0, ends + excess * sun, 0.0)


def score(folder: Path, workspace: Path) -> dict:
    truth = json.loads((folder / "truth.json").read_text())
    told = json.loads((workspace / "sequences" / "chromosphere.json").read_text())
    told = told.get("details", told)
    angle, height = heights(truth)
    rows = []
    for p in told["prominences"]:
        first, last = p["from_position_angle"], p["to_position_angle"]
        inside = (angle - first) % 360.0 <= (last - first) % 360.0
        true = float(height[inside].max())
        rows.append([p["position_angle"], p["height_arcsec"], round(true, 2)])
    off = np.array([found - true for _, found, true in rows])
    return {
        "excess": [told["sun_radius_excess"], truth["settings"]["excess"]],
        "prominences": rows,
        "off_arcsec": np.round(off, 2).tolist(),
        "rms_arcsec": round(float(np.sqrt(np.mean(off**2))), 2) if off.size else None,
    }


if __name__ == "__main__":
    root = Path(sys.argv[1])
    print(json.dumps(score(root, Path(sys.argv[2]) if len(sys.argv) > 2 else root / "workspace")))
