"""Names of artefacts that are made of one file each."""

from __future__ import annotations

import hashlib
from pathlib import PurePosixPath

LONGEST_STEM = 120  # bytes; file systems take 255 in all, some with encryption 143


def artefact_name(file: str) -> str:
    """Return a file name without suffix for what is made from a frame, unlike that of any other.

    Two folders or cards hold frames of the same name; the digest of the whole path tells them
    apart.
    """
    digest = hashlib.sha256(file.encode()).hexdigest()[:8]
    stem = PurePosixPath(file).stem.encode()[:LONGEST_STEM].decode(errors="ignore")
    return f"{stem}-{digest}"
