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
            if light * shot.iso / 100 * (body.sensor.white - 512) < 12:  # ADU
                why = "black"
    return {"phase": "totality", "good": why == "", "why": why}


def seen_through(plane: np.ndarray, optics, seeing_px: float, step: float) -> np.ndarray:
    """A picture through core and aureole; ``step`` is one of its pixels in px of the camera."""
    narrow = core_kernel(seeing_px, optics.lens_blur / step, 0.0, (0.0, 0.0))
    n = [k // BIN * BIN for k in plane.shape]
    coarse = plane[: n[0], : n[1]].reshape(n[0] // BIN, BIN, n[1] // BIN, BIN).mean((1, 3))
    wings = spread(coarse, aureole_kernel(optics, BIN * step))
    core = spread(plane, narrow)
    return (1 - optics.aureole) * core + optics.aureole * enlarge(wings, plane.shape, (0, 0))


def corona_at(scene, x, y, moon: tuple[float, float, float], pixel: float) -> np.ndarray:
    """(2, 3, H, W): the corona without and behind the Moon at solar radii x (west), y (north).

    ``moon`` is its x, y and radius, ``pixel`` the grid's step, all in solar radii.
    """
    rho = np.hypot(x, y).astype(np.float32)
    angle = np.arctan2(-x + 0 * y, y + 0 * x).astype(np.float32)
    white = scene.radiance(rho, angle)
    true = np.stack([white + scene.prominences(rho, angle, c) for c in range(3)])
    depth = moon[2] - np.hypot(x - moon[0], y - moon[1])
    open_sky = 1 - np.clip(depth / pixel + 0.5, 0, 1)
    return np.stack([true, true * open_sky]).astype(np.float32)


def moon_of_mid_totality(site, contacts, solar_north: float) -> tuple[float, float, float, float]:
    """x (west), y (north) and radius of the Moon in solar radii, and the Sun's radius (arcsec)."""
    seen = site.look(contacts["greatest"])
    sun, moon = (float(v[0]) for v in site.radii(seen))
    east, north = tangent_axes(seen.equatorial("sun")[0])
    m = seen.equatorial("moon")[0]
    e, n = (m @ east) / ARCSEC / sun, (m @ north) / ARCSEC / sun
    turn = np.radians(solar_north)
    west = -(e * np.cos(turn) - n * np.sin(turn))
    return west, e * np.sin(turn) + n * np.cos(turn), moon / sun, sun


def coronal_images(scene, optics, moon, camera) -> dict[str, np.ndarray]:
    """Images in sky coordinates: solar north up, position angle to the left (east).

    ``true`` is the corona without the Moon; ``blurred`` that behind the Moon of mid-totality,
    through core and aureole but without veiling glare, ghost, sky and vignetting; both (3, n, n)
    in mean solar discs. ``x`` and ``y`` are solar radii, x to the west as HPLN.
    """
    axis = (np.arange(-HALF, HALF + 1) * GRID).astype(np.float32)
    true, masked = corona_at(scene.corona, axis[None, :], axis[:, None], moon[:3], GRID)
    step = GRID * moon[3] / camera.scale
    blurred = [seen_through(m, optics, 2.0 / moon[3] / GRID, step) for m in masked]
    return {
        "true": true, "blurred": np.stack(blurred).astype(np.float32),
        "x": axis, "y": axis, "solar_radius_arcsec": np.float64(moon[3]),
    }  # fmt: skip
