"""How well beads and prominences are measured, against what the simulation knows.

    python -m tests.benchmarks.sequences beads [MEGAPIXELS] [EXPOSURE_S]
    python -m tests.benchmarks.sequences prominences FOLDER

The first simulates contact frames of four Moons and looks for every arc of photosphere that is
narrower than 6 degrees and more than 5 degrees from the next. The second compares the heights in
FOLDER/workspace/sequences/prominences.json (a folder of `limbward simulate`, after `run` and
`prominences`) with the same contour of the simulated corona.
"""

import json
import sys
from pathlib import Path

import numpy as np
from astropy.io import fits

from limbward.camera.frame import RawFrame
from limbward.geometry.orientation import Orientation
from limbward.sequences.beads import find_beads
from limbward.sequences.cut import View, cut
from limbward.sequences.prominences import RED_EXCESS
from limbward.simulate.corona import PINK, corona
from limbward.simulate.frames import camera_frames, expose
from limbward.simulate.plan import eclipse_of
from limbward.simulate.scenario import adapt, demo_scenario
from tests.products.truth import lit_arcs


def beads(megapixels: float = 1.5, exposure_s: float = 1 / 4000) -> None:
    """Print the errors of the beads' position angles."""
    plan = {"contact_exposures_s": (exposure_s,), "contact_frames": 8, "partial_frames": 0}
    scenario = adapt(demo_scenario(megapixels), plan=plan | {"brackets": 0, "darks": 0, "flats": 0})
    _, contacts = eclipse_of(scenario)
    errors, alone, false = [], 0, 0
    for seed in range(1, 5):
        for frame in camera_frames(scenario, 0, contacts, seed):
            body, place = frame.camera.instrument, frame.place
            raw = RawFrame(
                expose(scenario, frame, seed),
                body.pattern.astype(np.int8),
                np.array(body.black, np.float32).reshape(2, 2),
                float(body.white),
                (1 / np.array(body.response)).astype(np.float32),
                np.eye(3, dtype=np.float32),
            )
            scale = place.pixel_scale_arcsec
            radius = place.moon_radius_arcsec / scale
            view = View(2 * int(1.15 * radius) + 1, scale, 0.0)
            made = cut(
                raw,
                (place.moon_x, place.moon_y),
                Orientation(scale, frame.up_position_angle),
                view,
            )
            made.picture[:, made.clipped] = 1.0
            found = find_beads(made.picture, view, radius) or []
            arcs = lit_arcs(scenario, frame, seed)
            for bead in found:
                off = [abs((bead.position_angle - a + 180) % 360 - 180) - w / 2 for a, _, w in arcs]
                false += min(off, default=180.0) > 2.0
            for angle, light, width in arcs:
                others = [abs((angle - a + 180) % 360 - 180) for a, _, _ in arcs if a != angle]
                if light < 0.02 or width > 6 or min(others, default=180.0) < 5:
                    continue
                alone += 1
                off = [(b.position_angle - angle + 180) % 360 - 180 for b in found]
                near = min(off, key=abs, default=180.0)
                if abs(near) < 2:
                    errors.append(near)
    e = np.array(errors)
    print(
        f"{alone} arcs that stand alone, {e.size} found, position angle off by {e.std():.2f} "
        f"degrees rms, {np.abs(e).max():.2f} at most; {false} beads where there is no photosphere"
    )


def prominences(folder: Path) -> None:
    """Print measured and true heights, arcsec."""
    seed = json.loads((folder / "truth.json").read_text())["seed"]
    told = json.loads((folder / "workspace/sequences/prominences.json").read_text())
    header = fits.getheader(folder / "workspace/corona.fits")
    solar = np.arange(0.0, 360.0, 0.02)
    height = np.arange(0.0, 100.0, 0.1)
    rho = 1.0 + height[None] / header["RSUN_OBS"]
    white = corona(seed).white_at(rho, np.radians(solar)[:, None])
    pink = corona(seed).pink_at(rho, np.radians(solar)[:, None])
    bright = pink * (PINK[0] - PINK[1]) / (white + pink * PINK[1]) > RED_EXCESS
    last = bright.shape[1] - 1 - np.argmax(bright[:, ::-1], axis=1)
    top = np.where(bright.any(axis=1), height[last], 0.0)
    angle = (solar + header["SOLARPA"]) % 360.0
    for p in told["details"]["prominences"]:
        first, width = p["from_position_angle"], p["to_position_angle"] - p["from_position_angle"]
        true = top[(angle - first) % 360.0 <= width % 360.0].max()
        print(
            f"P {p['position_angle']:6.2f}: {p['height_arcsec']:6.2f} arcsec, truly {true:5.1f}, "
            f"off by {p['height_arcsec'] - true:+.2f}"
        )


if __name__ == "__main__":
    if sys.argv[1] == "beads":
        beads(*(float(a) for a in sys.argv[2:]))
    else:
        prominences(Path(sys.argv[2]))
