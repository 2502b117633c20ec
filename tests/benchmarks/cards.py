"""Clock, orientation and registration on simulated cards against their truth.

    python tests/benchmarks/cards.py [CASE ...] [--folder DIR] [--jobs N]

Simulates a card for each case, runs ingest, timing and align on it and prints the errors. The
pipeline sees only the card; the truth is read here.
"""

import argparse
import json
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from astropy.table import Table

from limbward.config.loading import load_config
from limbward.simulate.card import simulate_card
from limbward.simulate.scenario import (
    Scenario,
    Weather,
    adapt,
    altazimuth_scenario,
    demo_scenario,
    partial_scenario,
    tripod_scenario,
)
from limbward.stages import align, ingest, timing
from limbward.work.reporting import SilentReporter
from limbward.workspace import Workspace

# 36 mm over 2900 px is a pitch of 12.4 um: 3.2 arcsec a pixel at 800 mm, 1.5 at 1707 mm.
WIDE = 5.6
PSF = {"psf_sigma_px": 0.9}


def fine(scenario: Scenario) -> Scenario:
    """Return the scenario at 1.5 arcsec a pixel."""
    return adapt(scenario, camera={"focal_length_mm": 1707.0})


def wide() -> Scenario:
    """Return the demo's session at 3.2 arcsec a pixel, with an invented limb of the Moon."""
    return replace(adapt(demo_scenario(WIDE), camera=PSF), limb="invented")


CASES: dict[str, Callable[[], Scenario]] = {
    "3.2 arcsec, 1 s tags": wide,
    "1.5 arcsec, sub-second tags": lambda: adapt(fine(wide()), tags={"subsec_digits": 2}),
    "the same, the Moon's real limb": lambda: replace(
        adapt(fine(wide()), tags={"subsec_digits": 2}), limb="real"
    ),
    "the same, smooth Moon": lambda: replace(
        adapt(fine(wide()), tags={"subsec_digits": 2}), limb="smooth"
    ),
    "before totality only": lambda: adapt(
        wide(), plan={"partial_sides": "C2", "contact_sides": "C2"}
    ),
    "alt-azimuth": lambda: adapt(altazimuth_scenario(WIDE), camera=PSF),
    "GPS tags": lambda: adapt(wide(), tags={"gps": True}),
    "clock set by 11 s": lambda: adapt(wide(), clock={"steps": ((1800.0, 11.0),)}),
    "tripod": lambda: adapt(tripod_scenario(WIDE), camera=PSF),
    "mirrored": lambda: adapt(wide(), mount={"mirrored": True}),
    "jump of 40 px": lambda: adapt(wide(), mount={"jumps": ((0.0, 90.0, 90.0),)}),
    "clouds": lambda: replace(wide(), weather=Weather(cloud_absorption=0.6)),
    "totality only": lambda: adapt(wide(), plan={"partial_frames": 0}),
    "partial only": lambda: partial_scenario(WIDE),
}


def run_case(scenario: Scenario, folder: Path, seed: int, jobs: int) -> dict[str, Any]:
    """Simulate a card, run the three stages on it and return the errors."""
    config_path = simulate_card(folder, scenario, seed=seed, jobs=jobs)
    config, workspace = load_config(config_path), Workspace(folder / "workspace")
    for stage in (ingest, timing, align):
        stage.run(config, workspace, SilentReporter())
    truth = json.loads((folder / "truth.json").read_text())
    tables = {
        name: Table.read(workspace.path(Workspace.table(name)), format="ascii.ecsv")
        for name in ("ingest", "timing", "align")
    }
    return {
        "clock": clock_errors(truth, workspace),
        "frames": frame_errors(truth, tables),
    }


def clock_errors(truth: dict[str, Any], workspace: Workspace) -> dict[str, Any]:
    """Return offset, drift, scale and orientation less the truth."""
    true = truth["cameras"][0]
    clock = workspace.read_json(Workspace.clock)["cameras"][0]
    pointings = workspace.read_json(Workspace.pointing)["cameras"]

    def total(entry: dict[str, Any]) -> float:
        return entry["utc_offset_hours"] * 3600.0 + entry["offset_s"]

    errors = {
        "offset_s": total(clock) - total(true),
        "offset_sigma_s": clock["offset_sigma_s"],
        "drift": clock["drift_s_per_hour"] - true["drift_s_per_hour"],
        "step": clock["step"],
    }
    if pointings:
        p = pointings[0]
        scale = p["pixel_scale_arcsec"] / true["pixel_scale_arcsec"] - 1.0
        up = p["up_position_angle"] - true["up_position_angle"]
        errors |= {
            "scale_percent": 100.0 * scale,
            "up_deg": (up + 180.0) % 360.0 - 180.0,
            "mirrored_right": p["mirrored"] == true["mirrored"],
        }
    return errors


def frame_errors(truth: dict[str, Any], tables: dict[str, Table]) -> list[dict[str, Any]]:
    """Return, for each frame of the card that the truth knows, the errors of its numbers."""
    known = {frame["file"]: frame for frame in truth["frames"]}
    found = []
    for i, a, t in zip(tables["ingest"], tables["align"], tables["timing"], strict=True):
        frame = known.get(str(i["file"]))
        if frame is None or frame.get("sun_x") is None or frame["truncated"]:
            continue

        def value(row: Any, name: str) -> float:
            return float("nan") if np.ma.is_masked(row[name]) else float(row[name])

        time = float("nan")
        if not np.ma.is_masked(t["time_utc"]):
            read, true = (
                datetime.fromisoformat(str(x).rstrip("Z"))
                for x in (t["time_utc"], frame["time_utc"])
            )
            time = (read - true).total_seconds()
        found.append(
            {
                "kind": frame["kind"],
                "exposure": frame["nominal_exposure_s"],
                "limb": np.hypot(
                    value(i, "measured_moon_x") - frame["moon_x"],
                    value(i, "measured_moon_y") - frame["moon_y"],
                ),
                "moon": np.hypot(
                    value(a, "moon_x") - frame["moon_x"], value(a, "moon_y") - frame["moon_y"]
                ),
                "sun": np.hypot(
                    value(a, "sun_x") - frame["sun_x"], value(a, "sun_y") - frame["sun_y"]
                ),
                "sun_sigma": value(a, "sun_sigma"),
                "saturated": str(i["limb_saturated"]) == "True"
                or value(i, "saturated_fraction") > 1e-4,
                "usable": bool(a["usable"]),
                "turn": value(a, "rotation_deg"),
                "up": frame["up_position_angle"],
                "time_s": time,
                "note": "" if np.ma.is_masked(a["note"]) else str(a["note"]),
            }
        )
    return found


def rms(values: list[float]) -> str:
    """Return the root mean square of a coordinate, given distances, as text."""
    array = np.array([v for v in values if np.isfinite(v)])
    return f"{np.sqrt(np.mean(array**2) / 2):.3f}" if array.size else "-"


def show(name: str, result: dict[str, Any]) -> None:
    """Print a case's errors."""
    print(f"== {name}")
    print(
        "  "
        + ", ".join(
            f"{k} {v:.4g}" if isinstance(v, float) else f"{k} {v}"
            for k, v in result["clock"].items()
        )
    )
    frames = result["frames"]
    total = [f for f in frames if f["kind"] == "totality"]
    usable = [f for f in total if f["usable"]]
    clean, full = ([f for f in total if f["saturated"] == s] for s in (False, True))
    turns = np.array([f["turn"] - f["up"] for f in usable])
    times = np.array([f["time_s"] for f in frames])
    print(
        f"  RMS px: limb clean {rms([f['limb'] for f in clean])}, saturated "
        f"{rms([f['limb'] for f in full])}; Moon adjusted clean "
        f"{rms([f['moon'] for f in clean])}, saturated {rms([f['moon'] for f in full])}; "
        f"Sun partial "
        f"{rms([f['sun'] for f in frames if f['kind'] == 'partial'])}; Sun usable "
        f"{rms([f['sun'] for f in usable])}; usable {len(usable)} of {len(total)}; worst Sun "
        f"{max([f['sun'] for f in usable], default=float('nan')):.2f}; turn "
        f"{np.std(turns) if turns.size else float('nan'):.4f} deg; time "
        f"{np.nanmedian(times):.2f} s"
    )
    for note in sorted({f["note"] for f in total if not f["usable"]}):
        print(f"  not usable: {note}")


def main() -> None:
    """Run the cases named, or all."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("cases", nargs="*", metavar="CASE", help="; ".join(CASES))
    parser.add_argument("--folder", type=Path, help="keep the cards here")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    for name in args.cases or CASES:
        root = args.folder or Path(tempfile.mkdtemp())
        folder = root / name.replace(" ", "-").replace(",", "")
        try:
            show(name, run_case(CASES[name](), folder, args.seed, args.jobs))
        finally:
            if args.folder is None:
                shutil.rmtree(root, ignore_errors=True)


if __name__ == "__main__":
    main()
