"""What is told of a session of wide frames, as plain values for sky.json."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from limbward.landscape.brightness import SkyCurve
from limbward.landscape.heavens import Heavens
from limbward.landscape.lens import Pose, altitude_azimuth
from limbward.landscape.path import path_sun
from limbward.landscape.session import Frame, Session
from limbward.landscape.solved import Solved

LAWS = {
    "rectilinear": "tan(a)",
    "equidistant": "a",
    "equisolid": "2 sin(a/2)",
    "stereographic": "2 tan(a/2)",
}
HOW = (
    "A pixel (x, y), x right and y down from the centre of the top left one, lies r pixels from "
    "the lens' centre. With g the law of the angle a from the axis, r = focal_px g (1 + distortion "
    "g^2). right, down and ahead are the camera's axes in east, north, up: a direction is sin(a) "
    "times ((x - x0) right + (y - y0) down) / r plus cos(a) ahead. Altitudes include refraction."
)


def session_told(solved: Solved) -> dict[str, Any]:
    """Return the lens, the tripod's places, the clock and the frames."""
    session = solved.session
    frames = []
    for k, (file, utc) in enumerate(zip(solved.file, solved.starts_utc(), strict=True)):
        one: dict[str, Any] = {"file": file, "utc": utc or None}
        if session.stand[k] >= 0:
            one |= frame_told(k, solved.frames[k], session, solved.heavens)
        else:
            one["note"] = "Nothing in it shows where the camera pointed."
        frames.append(one)
    poses = [
        pose_told(pose, level_assumed=level)
        for pose, level in zip(session.fit.poses, session.level_assumed, strict=True)
    ]
    clock = clock_told(solved)
    return {"lens": lens_told(session), "stands": poses, "clock": clock, "frames": frames}


def clock_told(solved: Solved) -> dict[str, Any]:
    """Return the clock, and what it is known by."""
    fit, light = solved.session.fit, solved.session.clock
    sigma = solved.sigma_s
    if solved.timed:
        words = "that of the timing stage"
    elif light is None:
        words = f"not known; the time of its tags is taken, to {sigma:.0f} s"
    else:
        words = f"{fit.offset_s:+.1f} ± {sigma:.1f} s from UTC, by the fading of the light"
    return {
        "by": "timing" if solved.timed else "light" if light is not None else "tags",
        "offset_s": None if solved.timed else round(fit.offset_s, 2),
        "offset_sigma_s": round(sigma, 2),
        "words": words,
    }


def numbers_told(solved: Solved, told: dict[str, Any]) -> dict[str, str]:
    """Return what the report says of a session; ``told`` is what `session_told` returns."""
    lens = told["lens"]
    return {
        "wide frames": f"{len(solved.frames)}, {int(solved.placed.sum())} of them solved",
        "lens": f"{lens['projection']}, {lens['focal_px']:.0f} pixels of focal length, "
        f"distortion {lens['distortion']:+.3f}",
        "off, root mean square": f"{float(np.nanmedian(solved.session.off_px)):.2f} pixels",
        "named": ", ".join(names_told(told)) or "no planet or star",
        "clock": told["clock"]["words"],
    }


def names_told(told: dict[str, Any]) -> list[str]:
    """Return the names of all planets and stars that were found."""
    return sorted({b["name"] for f in told["frames"] for b in f.get("bodies", [])})


def warnings_told(solved: Solved) -> list[str]:
    """Return what somebody who uses the result has to know."""
    said = []
    if any(solved.session.level_assumed):
        said.append(
            "In some frames only the Sun shows where the camera pointed; it is assumed to "
            "stand level."
        )
    if not solved.timed and solved.session.clock is None:
        said.append(
            "Nothing in the wide frames tells their clock: azimuths are off by 0.25 degrees for "
            "each minute that it is wrong. Give timing.references, or frames of partial phases."
        )
    return said


def lens_told(session: Session) -> dict[str, Any]:
    """Return the lens."""
    lens = session.fit.lens
    return {
        "projection": lens.projection,
        "law": LAWS[lens.projection],
        "focal_px": round(float(lens.focal_px), 3),
        "distortion": round(lens.distortion, 6),
        "centre": [round(c, 2) for c in lens.centre],
        "how": HOW,
    }


def pose_told(pose: Pose, *, level_assumed: bool) -> dict[str, Any]:
    """Return how a camera stood."""
    right, down, ahead = ([round(float(v), 8) for v in row] for row in pose.axes)
    return {
        "altitude": round(pose.altitude, 4),
        "azimuth": round(pose.azimuth, 4),
        "roll": round(pose.roll, 4),
        "right": right,
        "down": down,
        "ahead": ahead,
        "level_assumed": level_assumed,
    }


def frame_told(k: int, frame: Frame, session: Session, heavens: Heavens) -> dict[str, Any]:
    """Return what a frame shows; the frame's stand must be known."""
    t = np.array(np.clip(frame.reading_s - session.fit.offset_s, heavens.first_s, heavens.last_s))
    vectors = heavens.vectors(t)
    camera = session.camera(k)
    names = session.names[k]
    bodies = []
    for named in names.named:
        altitude, azimuth = altitude_azimuth(vectors[named.body])
        x, y = camera.to_pixels(vectors[named.body])
        bodies.append(
            {
                "name": heavens.name[named.body],
                "kind": heavens.kind[named.body],
                "magnitude": round(float(heavens.magnitude[named.body]), 2),
                "altitude": round(float(altitude), 3),
                "azimuth": round(float(azimuth), 3),
                "x": round(float(x), 2),
                "y": round(float(y), 2),
                "off_px": round(named.off_px, 2),
            }
        )
    altitude, azimuth = altitude_azimuth(vectors[0])
    x, y = camera.to_pixels(vectors[0])
    return {
        "stand": int(session.stand[k]),
        "sun": {
            "altitude": round(float(altitude), 3),
            "azimuth": round(float(azimuth), 3),
            "x": _known(float(x), 2),
            "y": _known(float(y), 2),
        },
        "off_px": _known(float(session.off_px[k]), 3),
        "bodies": bodies,
        "limiting_magnitude": _known(names.limit, 2),
    }


def curve_told(curve: SkyCurve) -> dict[str, Any]:
    """Return the curve of the sky's brightness."""
    return {
        "minutes": [round(float(v), 3) for v in curve.t / 60.0],
        "high": [_figure(v) for v in curve.high],
        "low": [_figure(v) for v in curve.low],
        "calibrated": curve.calibrated,
    }


def suns_told(solved: Solved, rows: Sequence[int]) -> list[dict[str, Any]]:
    """Return the Suns of some frames, in raw pixels."""
    suns = [path_sun(solved, k) for k in rows]
    return [
        {"file": solved.file[k], "utc": solved.utc(k), "x": round(s.x, 2), "y": round(s.y, 2),
         "radius": round(s.radius, 2)}
        for k, s in zip(rows, suns, strict=True)
    ]  # fmt: skip


def _figure(value: float) -> float | None:
    return float(f"{value:.5g}") if np.isfinite(value) else None


def _known(value: float, digits: int) -> float | None:
    return round(value, digits) if np.isfinite(value) else None
