"""What a file claims to hold, against what it can hold: asked before memory is taken for it."""

from __future__ import annotations

from pathlib import Path

from limbward.camera.frame import UnreadableFrame

MAX_PIXELS = 400_000_000  # the largest pixel-shift files
# Deflate, the strongest compression in common frames, cannot squeeze below 1/1032 (RFC 1951).
BEST_RATIO = 1032
# Photon noise alone keeps a frame above a tenth of its size, and an empty 8-bit dark of 100
# megapixels takes 100 MB; what unpacks to more, from next to nothing, is no photograph.
PLAUSIBLE_RATIO, SMALL = 40, 320_000_000


def check_claim(path: Path, pixels: int, bytes_a_pixel: float, *, packed: bool = True) -> None:
    """Raise if a file cannot hold the pixels that its header declares.

    Parameters
    ----------
    path : Path
    pixels : int
        Width times height.
    bytes_a_pixel : float
        Of all its colours, unpacked.
    packed : bool
        Whether the pixels are compressed; else all their bytes must be in the file.

    Raises
    ------
    UnreadableFrame
    """
    size = path.stat().st_size
    claimed = pixels * bytes_a_pixel
    said = f"{path.name} declares {pixels / 1e6:.0f} megapixels in {size / 1e6:.2f} MB; "
    if pixels > MAX_PIXELS or claimed > size * (BEST_RATIO if packed else 1):
        raise UnreadableFrame(f"{said}its header is damaged, or part of it is missing.")
    if claimed > max(SMALL, PLAUSIBLE_RATIO * size):
        raise UnreadableFrame(
            f"{said}it would unpack to {claimed / 1e9:.1f} GB, which no photograph of that size "
            "does. If it is one, save it without compression."
        )
