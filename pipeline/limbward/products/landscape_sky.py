"""The brightness of the sky and the strip along the horizon, of solved wide frames."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.config import Config, place_and_time
from limbward.landscape.brightness import (
    STEP_DEG,
    along_horizon,
    even_rows,
    magnitude_map,
    sky_levels,
    surface_magnitudes,
)
from limbward.landscape.charts import brightness_chart, horizon_chart
from limbward.landscape.told import zero_points
from limbward.products.wide_frames import WideFrames
from limbward.render.writers import write_png
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.product import Product, artefact, write_product

Floats = NDArray[np.float64]

CURVE, STRIP = "sky-brightness", "horizon"
LEAST = 5  # frames that show the sky, for a curve
ROWS = 240


def write(
    config: Config, workspace: Workspace, reporter: Reporter, wide: WideFrames, files: list[str]
) -> None:
    """Write both charts as far as enough frames show the sky, and remove them where not."""
    t = wide.since_s()
    usable = [
        k for k in np.argsort(t)
        if wide.session.stand[k] >= 0 and np.isfinite(t[k]) and not wide.frames[k].seen.dark
    ]  # fmt: skip
    if len(usable) < LEAST:
        for name in (CURVE, STRIP):
            workspace.remove(artefact(name))
        return
    covered = place_and_time.covered_s(config, place_and_time.eclipse(config))
    contacts = None if covered is None else (covered[0] / 60.0, covered[1] / 60.0)
    made = [
        _curve(wide, usable, contacts),
        _strip(workspace, wide, usable, contacts),
    ]
    # Both show when the contacts are, so their files carry the cautions.
    caution = place_and_time.contacts_json(config, place_and_time.eclipse(config))["caution"]
    for product, chart in (one for one in made if one is not None):
        product.details["caution"] = caution
        name = f"sequences/{product.name}.png"
        with workspace.writing(name) as part:
            picture = np.moveaxis(chart, -1, 0).astype(np.float32) / np.float32(255.0)
            write_png(part, picture, f"{product.title}. {caution}")
        write_product(workspace, reporter, product)
        files.append(name)


def _curve(
    wide: WideFrames, usable: list[int], contacts: tuple[float, float] | None
) -> tuple[Product, NDArray[np.uint8]]:
    t = wide.since_s()[usable]
    levels = []
    for k in usable:
        frame, camera = wide.frames[k], wide.session.camera(k)
        sun = wide.heavens.vector_of(0, np.array(wide.since_s()[k]))
        levels.append(sky_levels(frame.seen, frame.light, camera, sun))
    high, low = np.array([v.high for v in levels]), np.array([v.low for v in levels])
    zero = zero_points(wide.frames, wide.session)
    calibrated = bool(np.isfinite(zero))
    surface = None
    if calibrated:
        k = min(usable, key=lambda i: abs(wide.since_s()[i]))
        frame, camera = wide.frames[k], wide.session.camera(k)
        high, low = (surface_magnitudes(v, frame.seen, camera, zero) for v in (high, low))
        surface = magnitude_map(frame.seen, frame.light, camera, zero)
    else:
        top = np.nanmax(np.concatenate([high, low]))
        high, low = high / top, low / top
    chart = brightness_chart(t / 60.0, high, low, surface, contacts, calibrated=calibrated)
    unit = (
        "magnitudes per square arcsecond, by the stars in the frames"
        if calibrated
        else ("relative, for no star in the frames tells more")
    )
    product = Product(
        name=CURVE,
        title="Brightness of the sky",
        caption=f"Medians of the sky more than 8 degrees from the Sun; {unit}. Dashed: second and "
        "third contact. The lens' vignetting is not taken out.",
        alt="A curve that falls by some magnitudes between the contacts",
        picture=f"sequences/{CURVE}.png",
        numbers={"frames": str(len(usable)), **_darkest(high, calibrated)},
        files=[f"sequences/{CURVE}.png", artefact(CURVE)],
        details={
            "minutes": [round(float(v), 3) for v in t / 60.0],
            "high": [_number(v) for v in high],
            "low": [_number(v) for v in low],
            "calibrated": calibrated,
        },
    )
    return product, chart


def _strip(
    workspace: Workspace, wide: WideFrames, usable: list[int], contacts: tuple[float, float] | None
) -> tuple[Product, NDArray[np.uint8]] | None:
    stand = int(np.bincount(wide.session.stand[usable]).argmax())
    rows = [k for k in usable if wide.session.stand[k] == stand]
    middle = wide.session.fit.poses[stand].azimuth
    azimuth = middle + np.arange(-180.0, 180.0, STEP_DEG)
    lines = [
        along_horizon(wide.frames[k].seen, wide.frames[k].light, wide.session.camera(k), azimuth)
        for k in rows
    ]
    shown = np.asarray(np.isfinite(np.stack(lines)).any(axis=(0, 1)))
    if len(rows) < LEAST or not shown.any():
        workspace.remove(artefact(STRIP))
        return None
    part = slice(int(np.argmax(shown)), shown.size - int(np.argmax(shown[::-1])))
    times, strip = even_rows(wide.since_s()[rows], [v[:, part] for v in lines], ROWS)
    chart = horizon_chart(azimuth[part], times / 60.0, strip, contacts)
    product = Product(
        name=STRIP,
        title="The horizon through the eclipse",
        caption=f"{len(rows)} frames of one tripod, time downwards, azimuth to the right; "
        "exposures are taken out, and brightness is logarithmic. Dashed: second and third contact.",
        alt="A strip that is bright above and below and dark in its middle",
        picture=f"sequences/{STRIP}.png",
        files=[f"sequences/{STRIP}.png", artefact(STRIP)],
    )
    return product, chart


def _darkest(high: Floats, calibrated: bool) -> dict[str, str]:
    if not np.isfinite(high).any():
        return {}
    if calibrated:
        return {"darkest": f"{float(np.nanmax(high)):.1f} magnitudes per square arcsecond"}
    return {"darkest": f"{float(np.nanmin(high)):.1e} of the brightest"}


def _number(value: float) -> float | None:
    return float(f"{value:.5g}") if np.isfinite(value) else None
