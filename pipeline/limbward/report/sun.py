"""The Sun's disc at greatest eclipse as the report tells of it, where there was no totality."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray

from limbward.geometry.grid import read_geometry
from limbward.report.material import SunStack
from limbward.report.section import Section
from limbward.report.wording import counted

Floats = NDArray[np.float64]

STEP = 0.005  # solar radii of a ring of the profile
OUTERMOST = 0.98  # beyond which the limb's blur tells more than its darkening
BESIDE_MOON = 0.015  # solar radii left out beside the Moon's limb; a ring has 0.05
LEAST_PIXELS = 30


def sun_of(
    green: NDArray[np.float32],
    header: Header,
    law: Callable[[Floats], Floats],
    *,
    blur_px: float | None,
    history: Sequence[str] = (),
) -> SunStack:
    """Return what the report tells of the stacked disc.

    Parameters
    ----------
    green : ndarray of float32, shape (H, W)
    header : Header
        Of sun.fits.
    law : callable
        Brightness of the photosphere at ``mu``, the cosine of the heliocentric angle.
    blur_px : float or None
        Of the Sun's limb in the picture; None if it could not be measured.
    history : sequence of str
        How it was made.
    """
    _, sun, moon = read_geometry(header)
    y, x = np.indices(green.shape, dtype=float)
    rho = np.hypot(x - sun.x, y - sun.y) / sun.radius
    free = np.isfinite(green) & (rho < OUTERMOST)
    if moon is not None:
        free &= np.hypot(x - moon.x, y - moon.y) > moon.radius + BESIDE_MOON * sun.radius
    ring = (rho[free] / STEP).astype(int)
    pixels = np.bincount(ring)
    seen = np.flatnonzero(pixels >= LEAST_PIXELS)
    middle = np.bincount(ring, rho[free])[seen] / pixels[seen]
    level = np.bincount(ring, green[free])[seen] / pixels[seen]
    departure, inner, outer = None, 0.0, 0.0
    if seen.size >= 2:
        ratio = level / law(np.sqrt(1.0 - middle**2))
        departure = float(np.std(ratio) / np.mean(ratio))
        inner, outer = float(middle[0]), float(middle[-1])
    return SunStack(
        frames=int(header["NFRAMES"]),
        exposure_s=float(header["EXPTOTAL"]),
        ring=bool(header.get("RING", False)),
        blur_arcsec=None if blur_px is None else blur_px * float(header["CDELT1"]),
        reference=str(header.get("REFFILE", "")),
        departure=departure,
        compared=(inner, outer),
        neutral="SUNWB1" in header,
        history=history,
    )


def sun_section(sun: SunStack | None) -> Section:
    """Return how the picture of the disc was made, and how good it is."""
    if sun is None:
        return Section(["No filtered frame near greatest eclipse could be stacked."])
    shown = "the ring" if sun.ring else "the deepest crescent"
    are = "is" if sun.frames == 1 else "are"
    sentences = [
        f"{counted(sun.frames, 'filtered frame')} of {shown} {are} in the picture: the sharpest on "
        "the card, registered on the Sun's limb."
        + (
            f" The Moon is that of one frame ({sun.reference}); elsewhere each frame adds what its "
            "own Moon leaves free."
            if sun.frames > 1
            else ""
        )
    ]
    if sun.blur_arcsec is not None:
        sentences.append(
            f"The Sun's limb in it is blurred by {sun.blur_arcsec:.2f} arcsec (standard deviation)."
        )
    if sun.departure is not None:
        inner, outer = sun.compared
        sentences.append(
            f"From {inner:.2f} to {outer:.2f} solar radii its green light follows the published "
            f"limb darkening (Neckel and Labs 1994) within {100 * sun.departure:.1f} % (root mean "
            "square); the level alone is fitted."
        )
    if not sun.neutral:
        sentences.append(
            "No frame shows the Sun's centre, so the colours are those of the camera's daylight "
            "balance, with the filter's tint."
        )
    return Section(sentences)
