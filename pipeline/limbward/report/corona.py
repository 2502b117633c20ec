"""The merge as the report shows it, from the picture and its header."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray

from limbward.geometry.grid import north_known, read_geometry
from limbward.report.material import Corona


def corona_of(
    green: NDArray[np.float32],
    header: Header,
    *,
    sigma: NDArray[Any] | None = None,
    count: NDArray[Any] | None = None,
    noise: Mapping[float, tuple[float, float]] | None = None,
    history: Sequence[str] = (),
) -> Corona:
    """Return what the report tells of a merge.

    Parameters
    ----------
    green : ndarray of float32, shape (H, W)
        Its green plane; NaN where nothing was merged.
    header : Header
        Of corona.fits.
    sigma, count : ndarray, shape (H, W), optional
        The noise, and the frames used; without them nothing is known of either.
    noise : mapping of ISO to (gain, read noise), optional
        ADU an electron, and ADU.
    history : sequence of str
        How it was made.
    """
    _, sun, moon = read_geometry(header)
    moon = moon or sun
    if sigma is None:
        sigma = np.full_like(green, np.nan)
    return Corona(
        radiance=green,
        sigma=np.asarray(sigma, np.float32),
        count=np.zeros(green.shape, np.int16) if count is None else count,
        sun_x=sun.x,
        sun_y=sun.y,
        sun_radius=sun.radius,
        moon_x=moon.x,
        moon_y=moon.y,
        moon_radius=moon.radius,
        frames=int(header.get("NFRAMES", 0)),
        exposure_s=float(header.get("EXPTOTAL", 0.0)),
        noise=noise or {},
        history=history,
        north_known=north_known(header),
        sun_sigma_arcsec=float(header.get("CSYER1", 0.0)),
        linear=bool(header.get("LINEAR", True)),
    )
