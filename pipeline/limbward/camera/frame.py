"""A decoded frame: the numbers of the sensor and what is needed to read them."""

from dataclasses import dataclass
from hashlib import sha256

import numpy as np
from numpy.typing import NDArray

from limbward.errors import UnreadableFile

RED, GREEN, BLUE = 0, 1, 2
ALL_ROWS = slice(None)  # of a frame, where fewer may be asked for
FULL_SCALE = 65535.0  # ADU that numbers from 0 to 1 are brought to, as those of 16 bits
LEAST_RANGE = 255.0  # of a converter

# IEC 61966-2-1: linear sRGB to CIE XYZ, white D65.
SRGB_TO_XYZ = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
)


class UnreadableFrame(UnreadableFile):
    """A file that should be a frame cannot be decoded."""


@dataclass(frozen=True)
class RawFrame:
    """A frame of values in proportion to light, in the raw visible area and never rotated.

    Attributes
    ----------
    data : ndarray of uint16 or float32, shape (H, W) or (3, H, W)
        A mosaic or a monochrome frame; three planes R, G, B if the file holds linear RGB. ADU.
    pattern : ndarray of int8, shape (ph, pw)
        Colour (0 R, 1 G, 2 B) at ``[y % ph, x % pw]``; ``[[1]]`` for monochrome; empty for RGB.
    black : ndarray of float32, shape (ph, pw), or (3,) for RGB
        Black level, ADU.
    white : float
        Level at which a pixel is saturated, ADU, black included.
    daylight : ndarray of float32, shape (3,)
        White balance multipliers for daylight, G = 1.
    to_srgb : ndarray of float32, shape (3, 3)
        From white-balanced camera RGB to linear sRGB; the identity if unknown.
    encoding : str
        What says that the file is display-referred. The values are in proportion to light as far
        as the declared curve goes, but what a converter did beyond it (tone curve, clipped black)
        is unknown: no measurement. Empty for a linear file.
    notes : tuple of str
        A sentence for each thing of the file that decoding has left out; the same for all frames of
        a camera as a rule.
    """

    data: NDArray[np.uint16] | NDArray[np.float32]
    pattern: NDArray[np.int8]
    black: NDArray[np.float32]
    white: float
    daylight: NDArray[np.float32]
    to_srgb: NDArray[np.float32]
    encoding: str = ""
    notes: tuple[str, ...] = ()

    @property
    def height(self) -> int:
        """Rows."""
        return int(self.data.shape[-2])

    @property
    def width(self) -> int:
        """Columns."""
        return int(self.data.shape[-1])

    @property
    def span(self) -> float:
        """From black, the mean of the colours', to white."""
        return float(self.white - np.mean(self.black))

    @property
    def is_mosaic(self) -> bool:
        """Whether each pixel sees one colour of several."""
        return self.pattern.size > 1


def pixels_sha256(frame: RawFrame) -> str:
    """Return a digest of the values of a frame, the same whatever else its file says.

    Noise makes those of two pictures differ, except where all pixels are at one level: then the
    digest is empty. It takes 0.03 s for 24 megapixels.
    """
    data = np.ascontiguousarray(frame.data)
    if data.min() == data.max():
        return ""
    shape = "x".join(str(n) for n in (*data.shape, data.dtype.itemsize))
    digest = sha256(f"{shape}:".encode())
    digest.update(data.data)
    return digest.hexdigest()


def smallest_step(white: float) -> float:
    """Return the difference that a frame can show at all, ADU, by its white level.

    One for the whole numbers of a converter; of a smaller range, such as 0 to 1, that of 16 bits.
    """
    return 1.0 if white >= LEAST_RANGE else white / FULL_SCALE


def linear_frame(
    data: NDArray[np.uint16] | NDArray[np.float32],
    white: float,
    pattern: NDArray[np.int8] | None = None,
) -> RawFrame:
    """Return a frame without a black level or colour calibration: (H, W), or (3, H, W) for RGB."""
    if pattern is None:
        pattern = np.array([[GREEN]] if data.ndim == 2 else np.empty((0, 0)), np.int8)
    black = np.zeros(pattern.shape if data.ndim == 2 else 3, np.float32)
    return RawFrame(
        data, pattern, black, white, np.ones(3, np.float32), np.eye(3, dtype=np.float32)
    )


def camera_to_srgb(xyz_to_camera: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return the matrix from white-balanced camera RGB to linear sRGB.

    Parameters
    ----------
    xyz_to_camera : ndarray, shape (3, 3)
        CIE XYZ to camera RGB.

    Returns
    -------
    ndarray of float32, shape (3, 3)
        Maps white (1, 1, 1) to white; the identity if the matrix is empty or singular.

    References
    ----------
    Digital Negative Specification 1.4 (2012), *Mapping Camera Color Space to CIE XYZ Space*: the
    rows are scaled so that white gives (1, 1, 1), which the white balance has done to the data.
    """
    from_srgb = xyz_to_camera @ SRGB_TO_XYZ
    rows = from_srgb.sum(axis=1, keepdims=True)
    if np.any(np.abs(rows) < 1e-6):
        return np.eye(3, dtype=np.float32)
    from_srgb = from_srgb / rows
    if np.linalg.cond(from_srgb) > 1e4:
        return np.eye(3, dtype=np.float32)
    return np.asarray(np.linalg.inv(from_srgb), np.float32)
