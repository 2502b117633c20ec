"""In which light a frame was taken: names of bands, as people and FITS headers write them."""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

Texts = NDArray[np.object_]

H_ALPHA = "h-alpha"
WHITE = "white"

# What is written for the same, without spaces, hyphens and capitals.
SAME = {
    H_ALPHA: ("halpha", "ha", "hα", "hydrogenalpha", "6563", "656", "656nm", "6563nm", "656.3nm"),
    WHITE: ("white", "whitelight", "l", "lum", "luminance", "clear", "none", "no"),
    "red": ("red", "r"),
    "green": ("green", "g"),
    "blue": ("blue", "b"),
}
NAMES = {name: band for band, names in SAME.items() for name in names}
# Filters of a few nanometres and less: they show chromosphere or single lines of the corona, whose
# brightness is no part of the white corona's.
NARROW = re.compile(r"\bh-?(alpha|beta)\b|\bca\b|\bcalcium\b|\bfe\b|\biron\b|\bsodium\b|\bnm\b")


def band_of(text: str) -> str:
    """Return the name that a band has in tables.

    Examples
    --------
    >>> band_of("H Alpha"), band_of("Ha"), band_of("LUM"), band_of("Fe XIV 530 nm")
    ('h-alpha', 'h-alpha', 'white', 'fe xiv 530 nm')
    """
    plain = " ".join(text.lower().split())
    return NAMES.get(re.sub(r"[\s_-]", "", plain), plain)


def is_narrow(band: str) -> bool:
    """Return whether a band shows single spectral lines.

    Examples
    --------
    >>> is_narrow("h-alpha"), is_narrow("fe xiv 530 nm"), is_narrow("green"), is_narrow("")
    (True, True, False, False)
    """
    return bool(NARROW.search(band))


def line_camera(band: Texts, camera: Texts, serial: Texts) -> str | None:
    """Return the camera with most frames in the light of a spectral line.

    Parameters
    ----------
    band, camera, serial : ndarray of str, shape (N,)
        Of the frames; empty where not known.

    Returns
    -------
    str or None
        Its model, or its serial number where no model is known; None where neither is.

    Raises
    ------
    LookupError
        If no frame is in such a line.
    """
    lines = np.array([is_narrow(b) for b in band], bool)
    if not lines.any():
        raise LookupError("no frame is in the light of a spectral line")
    names, counts = np.unique(camera[lines].astype(str), return_counts=True)
    return str(names[np.argmax(counts)]) or str(serial[lines][0]) or None
