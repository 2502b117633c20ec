"""Colour spaces of finished pictures: sRGB, and a wide one for print and good screens.

References
----------
sRGB: IEC 61966-2-1. Wide: primaries and white of ITU-R BT.2020, with the encoding exponent 2.2.
Profiles: ICC.1:2001-04 (version 2), matrix and tone curve; adaptation to D50 by Bradford's matrix.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from PIL import ImageCms

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]

D65, D50 = (0.3127, 0.3290), (0.34567, 0.35850)
PRIMARIES = {
    "srgb": ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06)),
    "wide": ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046)),
}
WIDE_GAMMA = 2.2 - 1 / 256  # 2.199: what an ICC curve of 8 fractional bits can hold
BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)


def _xyz(chromaticity: tuple[float, float]) -> Floats:
    x, y = chromaticity
    return np.array([x / y, 1.0, (1.0 - x - y) / y])


@cache
def _to_xyz(name: str) -> Floats:
    columns = np.stack([_xyz(p) for p in PRIMARIES[name]], axis=1)
    return np.asarray(columns * np.linalg.solve(columns, _xyz(D65)))


@dataclass(frozen=True)
class Space:
    """A colour space by its name, ``srgb`` or ``wide``."""

    name: str

    @property
    def from_srgb(self) -> Pixels:
        """The matrix from linear sRGB to this space, linear."""
        return np.linalg.solve(_to_xyz(self.name), _to_xyz("srgb")).astype(np.float32)

    @property
    def luminance(self) -> Pixels:
        """The weights of R, G, B in the luminance (CIE Y)."""
        return _to_xyz(self.name)[1].astype(np.float32)

    def encode(self, linear: Pixels) -> Pixels:
        """Return encoded values of linear ones from 0 to 1."""
        linear = np.clip(linear, 0.0, 1.0)
        if self.name == "wide":
            return np.power(linear, np.float32(1.0 / WIDE_GAMMA))
        power = np.float32(1.055) * np.power(linear, np.float32(1 / 2.4)) - np.float32(0.055)
        return np.where(linear > 0.0031308, power, np.float32(12.92) * linear)

    def decode(self, encoded: Pixels) -> Pixels:
        """Return linear values of encoded ones."""
        if self.name == "wide":
            return np.power(encoded, np.float32(WIDE_GAMMA))
        power = np.power((encoded + np.float32(0.055)) / np.float32(1.055), np.float32(2.4))
        return np.where(encoded > 0.04045, power, encoded / np.float32(12.92))

    def profile(self) -> bytes:
        """Return the space's ICC profile, the same bytes every time."""
        if self.name == "wide":
            return _wide_profile()
        made = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
        # Bytes 24 to 35 hold the date of making (ICC.1:2010, 7.2.1); 2000-01-01 keeps files alike.
        made[24:36] = np.array([2000, 1, 1, 0, 0, 0], ">u2").tobytes()
        return bytes(made)


SRGB = Space("srgb")


def to_srgb(encoded: Pixels, space: Space) -> Pixels:
    """Return encoded sRGB (3, H, W) of encoded values of a space, cut off at sRGB's gamut."""
    if space.name == "srgb":
        return encoded
    matrix = np.linalg.inv(space.from_srgb).astype(np.float32)
    return SRGB.encode(np.einsum("ij,jhw->ihw", matrix, space.decode(encoded)))


def _fixed(value: float) -> bytes:
    return struct.pack(">i", round(value * 65536))


def _xyz_tag(value: Floats) -> bytes:
    return b"XYZ \0\0\0\0" + b"".join(_fixed(v) for v in value)


def _wide_profile() -> bytes:
    white, cone = _xyz(D50), BRADFORD
    scale = (cone @ white) / (cone @ _xyz(D65))
    adapted = np.linalg.solve(cone, scale[:, None] * (cone @ _to_xyz("wide")))
    title = b"Wide gamut, BT.2020 primaries, gamma 2.2"
    text = b"desc\0\0\0\0" + struct.pack(">I", len(title) + 1) + title + b"\0" + bytes(8 + 3 + 67)
    curve = b"curv\0\0\0\0" + struct.pack(">IH", 1, round(WIDE_GAMMA * 256)) + bytes(2)
    tags = [
        (b"desc", text),
        (b"cprt", b"text\0\0\0\0No copyright, use freely\0"),
        (b"wtpt", _xyz_tag(white)),
        *((k, _xyz_tag(adapted[:, c])) for c, k in enumerate((b"rXYZ", b"gXYZ", b"bXYZ"))),
        *((k, curve) for k in (b"rTRC", b"gTRC", b"bTRC")),
    ]
    table, body = struct.pack(">I", len(tags)), b""
    start = 128 + 4 + 12 * len(tags)
    for key, data in tags:
        table += key + struct.pack(">II", start + len(body), len(data))
        body += data + bytes(-len(data) % 4)
    header = struct.pack(
        ">I4sI4s4s4s", start + len(body), bytes(4), 0x02100000, b"mntr", b"RGB ", b"XYZ "
    )
    header += struct.pack(">6H", 2000, 1, 1, 0, 0, 0) + b"acsp" + bytes(28)
    header += b"".join(_fixed(v) for v in white)
    return header.ljust(128, b"\0") + table + body
