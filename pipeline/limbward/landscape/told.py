"""What is told of a session of wide frames, as plain values for sky.json."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from limbward.landscape.heavens import Heavens
from limbward.landscape.lens import Pose, altitude_azimuth
from limbward.landscape.session import Frame, Session

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


def zero_points(frames: Sequence[Frame], session: Session) -> float:
    """Return the magnitude of one ADU over exposure and sensitivity; NaN if no star is named."""
    found = [
        names.zero_point - 2.5 * np.log10(frame.light)
        for frame, names in zip(frames, session.names, strict=True)
        if len(names.named) >= 2
    ]
    return float(np.median(found)) if found else float("nan")


def _known(value: float, digits: int) -> float | None:
    return round(value, digits) if np.isfinite(value) else None
