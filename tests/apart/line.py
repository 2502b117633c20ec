"""``python -m tests.apart.line DIR [WORKSPACE]``: prominences of a card in hydrogen-alpha, scored.

Prints one line of JSON: how far the heights that `limbward chromosphere` found are from those of
the truth, in arcseconds and in stated errors, what it missed, the disc's place and size, and how
many crescents were called totality. A prominence's height is defined as the product states it:
above the limb in white light, to where it falls to half of its brightness at the top, or to 1 % of
the disc's centre. Here it is taken from the scene itself, without blur, pixels and noise.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
from astropy.table import Table
from numpy.ma import masked
from scipy.ndimage import uniform_filter1d

from .corona import Corona, darkening, disc_mean
from .scene import LINE

STEP_DEG, STEP_ARCSEC, HIGHEST = 0.05, 0.1, 140.0
LEAST = 20.0  # arcseconds: what is as high and is not found is missed
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
    rows, found = [], np.zeros(angle.size, bool)
    for p in told["prominences"]:
        first, last = p["from_position_angle"], p["to_position_angle"]
        inside = (angle - first) % 360.0 <= (last - first) % 360.0
        found |= (angle - first + 0.4) % 360.0 <= (last - first) % 360.0 + 0.8
        true = float(height[inside].max())
        sigma = p["height_sigma_arcsec"]
        rows.append([p["position_angle"], p["height_arcsec"], round(true, 2), sigma])
    off = np.array([row[1] - row[2] for row in rows])
    sigma = np.array([np.nan if row[3] is None else row[3] for row in rows])
    missed = (height > LEAST) & ~found
    return {
        "excess": [told["sun_radius_excess"], truth["settings"]["excess"]],
        "disc_px": _disc(truth, workspace),
        "crescents_called_totality": _mistaken(truth, workspace),
        "prominences": rows,
        "off_arcsec": np.round(off, 2).tolist(),
        "rms_arcsec": round(float(np.sqrt(np.mean(off**2))), 2) if off.size else None,
        "pull_rms": round(float(np.sqrt(np.mean((off / sigma) ** 2))), 2) if off.size else None,
        "missed_degrees": round(float(missed.sum()) * STEP_DEG, 2),
    }


def _rows(truth: dict, workspace: Path):
    """Each picture of the Sun: what is known of it, and its row in frames.ecsv."""
    by = {row["file"]: row for row in Table.read(workspace / "frames.ecsv")}
    for frame in truth["frames"]:
        if frame["phase"] in ("partial", "totality") and frame["file"] in by:
            yield frame, by[frame["file"]]


def _disc(truth: dict, workspace: Path) -> list[float] | None:
    """How far the Sun's centres lie off in the partial phases, pixels: median and worst."""
    off = [
        float(np.hypot(row["sun_x"] - frame["sun_x"], row["sun_y"] - frame["sun_y"]))
        for frame, row in _rows(truth, workspace)
        if frame["phase"] == "partial" and row["phase"] == "partial" and row["sun_x"] is not masked
    ]
    return [round(float(np.median(off)), 3), round(max(off), 3)] if off else None


def _mistaken(truth: dict, workspace: Path) -> list[int]:
    """How many frames that show the disc in the line were called totality, and how many do."""
    crescents = [row["phase"] for f, row in _rows(truth, workspace) if f["phase"] == "partial"]
    return [crescents.count("totality"), len(crescents)]


if __name__ == "__main__":
    root = Path(sys.argv[1])
    print(json.dumps(score(root, Path(sys.argv[2]) if len(sys.argv) > 2 else root / "workspace")))
