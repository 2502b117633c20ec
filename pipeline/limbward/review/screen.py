"""The merge of a workspace at screen size, and a copy of that which is kept for the next time.

Reading a merge of 24 megapixels means 580 MB; its copy at screen size is 36 MB. The copy says what
it was made of, files and code, and is made anew when one of these has changed.
"""

from __future__ import annotations

import json
import logging
from dataclasses import dataclass
from hashlib import blake2b
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray

from limbward.errors import LimbwardError
from limbward.imports import sources, stamp
from limbward.picture.resampling import shrink
from limbward.radiance.binned import bin_header, read_small
from limbward.radiance.fits import open_picture, planes_of
from limbward.render.compose import blur_of
from limbward.workspace import Workspace

Pixels = NDArray[np.float32]
Surface = tuple[Pixels, int, int]

SCREEN_PX = 1500  # of the longer side, about
COPY = "state/screen.npz"


@dataclass(frozen=True)
class Screen:
    """A merge at screen size.

    Attributes
    ----------
    image : ndarray of float32, shape (3, H, W)
    sigma : ndarray of float32, shape (3, H, W), or None
    header : Header
        That fits it.
    factor : int
        By how much it is smaller than the merge.
    surface : (ndarray of float32 (3, h, w), int, int) or None
        The Moon's disc, and the row and column of its top-left pixel.
    blur_px : float
        Typical blur of the limbs in the frames merged, pixels of the merge.
    """

    image: Pixels
    sigma: Pixels | None
    header: Header
    factor: int
    surface: Surface | None
    blur_px: float

    def halved(self) -> Screen:
        """Return it at half the size, for drafts."""
        rows, columns = (n // 2 * 2 for n in self.image.shape[1:])
        image, _ = shrink(self.image[:, :rows, :columns], factor=2)
        sigma = None
        if self.sigma is not None:
            sigma, _ = shrink(np.square(self.sigma[:, :rows, :columns]), factor=2)
            np.sqrt(sigma, out=sigma)
            sigma *= np.float32(0.5)
        header = self.header.copy()
        bin_header(header, 2, image.shape[1:])
        surface = None if self.surface is None else _binned(*self.surface, 2)
        return Screen(image, sigma, header, 2 * self.factor, surface, self.blur_px)


def read_screen(workspace: Workspace) -> Screen:
    """Return the merge at screen size, from its copy if that is still of this merge.

    Parameters
    ----------
    workspace : Workspace
        A copy is left in it, if it can be written to.

    Raises
    ------
    LimbwardError
        If there is no corona that could be shown.
    """
    made_of = _made_of(workspace)
    kept = _kept(workspace.path(COPY), made_of)
    if kept is not None:
        return kept
    screen = _read(workspace)
    try:
        with workspace.writing(COPY) as part, part.open("wb") as file:
            np.savez(file, **_packed(screen, made_of))
    except (LimbwardError, OSError) as error:  # a copy would save a second, no more
        logging.getLogger(__name__).debug("no copy is kept: %s", error)
    return screen


def _made_of(workspace: Workspace) -> str:
    """Return a text that changes with the files and the code that a copy is made of."""
    found: list[Any] = []
    for name in (Workspace.corona, Workspace.table("ingest"), Workspace.table("merge")):
        path = workspace.path(name)
        status = path.stat() if path.exists() else None
        found.append(None if status is None else [status.st_size, status.st_mtime_ns])
    code = blake2b(b"".join(stamp(file) for file in sources(__name__)))
    return json.dumps([*found, code.hexdigest()])


def _kept(path: Path, made_of: str) -> Screen | None:
    """Return the copy, None if there is none of these files, or it is damaged."""
    try:
        with np.load(path, allow_pickle=False) as file:
            if str(file["made_of"]) != made_of:
                return None
            sigma = file.get("sigma")
            surface = None
            if "surface" in file:
                surface = file["surface"], *(int(n) for n in file["corner"])
            header = Header.fromstring(str(file["header"]))
            factor, blur = int(file["factor"]), float(file["blur_px"])
            return Screen(file["image"], sigma, header, factor, surface, blur)
    except Exception as error:  # of a damaged file NumPy and zipfile raise all kinds
        logging.getLogger(__name__).debug("no copy is read: %s", error)
        return None


def _packed(screen: Screen, made_of: str) -> dict[str, Any]:
    out: dict[str, Any] = {
        "made_of": made_of,
        "image": screen.image,
        "header": screen.header.tostring(),
        "factor": screen.factor,
        "blur_px": screen.blur_px,
    }
    if screen.sigma is not None:
        out["sigma"] = screen.sigma
    if screen.surface is not None:
        out["surface"], out["corner"] = screen.surface[0], screen.surface[1:]
    return out


def _read(workspace: Workspace) -> Screen:
    # Tables take a third of a second to import, which a kept copy has not.
    from limbward.workspace.stored import merged_limb_widths

    path = workspace.path(Workspace.corona)
    with open_picture(path, main=False) as hdus:
        longest = max(hdus[0].shape[-2:])
    factor = max(round(longest / SCREEN_PX), 1)
    image, sigma, header = read_small(path, factor, noise=True)
    blur = blur_of(merged_limb_widths(workspace))
    return Screen(image, sigma, header, factor, _surface(path, header, factor), blur)


def _surface(path: Path, header: Header, factor: int) -> Surface | None:
    """Return the Moon's disc as merged at a fraction of the size."""
    if "MOONTOP" not in header or "MOONLEFT" not in header:
        return None
    with open_picture(path, ["MOON"], main=False) as hdus:
        if "MOON" not in hdus:
            return None
        disc = np.stack(list(planes_of(hdus["MOON"])))
    return _binned(disc, int(header["MOONTOP"]), int(header["MOONLEFT"]), factor)


def _binned(disc: Pixels, top: int, left: int, factor: int) -> Surface:
    # From the first whole cell of the small picture that lies in the disc's frame.
    y, x = -top % factor, -left % factor
    part = disc[:, y:, x:]
    rows, columns = (n // factor * factor for n in part.shape[1:])
    small, _ = shrink(np.ascontiguousarray(part[:, :rows, :columns]), factor=factor)
    return small, (top + y) // factor, (left + x) // factor
