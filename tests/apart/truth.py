"""What is true of a frame, and the corona that a perfect merge would show."""

from __future__ import annotations

import numpy as np

from .ephemeris import ARCSEC, tangent_axes
from .optics import BIN, aureole_kernel, core_kernel, enlarge, spread
from .pose import View
from .sensor import FILLINGS

GRID = 0.0125  # solar radii a pixel of the images in radiance.npz
HALF = 400  # pixels from the centre to the edge


def judge(shot, covered: list[bool], planes, now: View, clear: float, clipped: float, body) -> dict:
    """Phase, and whether a person would take the frame for the corona, with the reason if not."""
    if shot.kind != "sun":
        return {"phase": {"wide": "other"}.get(shot.kind, shot.kind), "good": False, "why": ""}
    if shot.filtered:
        # With the filter left on totality is black, and belongs to nothing.
        phase = "totality" if all(covered) else "partial"
        return {"phase": phase, "good": False, "why": "filtered" if all(covered) else ""}
    if not all(covered):
        return {"phase": "contact", "good": False, "why": "photosphere"}
    why = ""
    if np.hypot(*shot.motion) > 1.5:
        why = "trailed"
    elif shot.focus_px > 1.5:
        why = "out of focus"
    elif clear < 0.4:
        why = "cloud"
    elif clipped > 0.6:
        why = "clipped"
    else:
        y, x = np.ogrid[: body.sensor.shape[0], : body.sensor.shape[1]]
        r = np.hypot(x - now.sun[0], y - now.sun[1]) * now.scale / now.sun_arcsec
        ring = (r > 1.1) & (r < 1.3)
        if not ring.any():
            why = "outside"
        else:
            light = float(np.median(planes[1][ring])) * FILLINGS * shot.real
            if light * shot.iso / 100 * (body.sensor.white - 512) < 12:  # DN
                why = "black"
    return {"phase": "totality", "good": why == "", "why": why}


def coronal_images(scene, optics, site, contacts, camera) -> dict[str, np.ndarray]:
    """Images in sky coordinates: solar north up, position angle to the left (east).

    ``true`` is the corona without the Moon; ``blurred`` that behind the Moon of mid-totality,
    through core and aureole but without veiling glare, ghost, sky and vignetting; both (3, n, n)
    in mean solar discs. ``x`` and ``y`` are solar radii, x to the west as HPLN.
    """
    axis = (np.arange(-HALF, HALF + 1) * GRID).astype(np.float32)
    x, y = axis[None, :], axis[:, None]
    rho = np.hypot(x, y)
    angle = np.arctan2(-x, y + 0 * x)
    white = scene.corona.radiance(rho, angle)
    true = np.stack([white + scene.corona.prominences(rho, angle, c) for c in range(3)])
    sun, moon = (float(v[0]) for v in site.radii(site.look(contacts["greatest"])))
    seen = site.look(contacts["greatest"])
    centre = seen.equatorial("sun")[0]
    east, north = tangent_axes(centre)
    m = seen.equatorial("moon")[0]
    e, n = (m @ east) / ARCSEC / sun, (m @ north) / ARCSEC / sun
    turn = np.radians(scene.solar_north)
    left = e * np.cos(turn) - n * np.sin(turn)  # east in the solar frame
    up = e * np.sin(turn) + n * np.cos(turn)
    depth = moon / sun - np.hypot(x + left, y - up)
    open_sky = 1 - np.clip(depth / GRID + 0.5, 0, 1)
    px = camera.scale / sun / GRID  # grid pixels a camera pixel
    kernel = aureole_kernel(optics, BIN / px)
    narrow = core_kernel(2.0 / sun / GRID, optics.lens_blur * px, 0.0, (0.0, 0.0))
    images = []
    for plane in true:
        masked = (plane * open_sky).astype(np.float32)
        core = spread(masked, narrow)
        wings = _spread_coarse(masked, kernel)
        images.append((1 - optics.aureole) * core + optics.aureole * wings)
    return {
        "true": true.astype(np.float32), "blurred": np.stack(images).astype(np.float32),
        "x": axis, "y": axis, "solar_radius_arcsec": np.float64(sun),
    }  # fmt: skip


def _spread_coarse(plane: np.ndarray, kernel: np.ndarray) -> np.ndarray:
    n = plane.shape[0] // BIN * BIN
    coarse = plane[:n, :n].reshape(n // BIN, BIN, n // BIN, BIN).mean((1, 3))
    return enlarge(spread(coarse, kernel), plane.shape, (0, 0))
