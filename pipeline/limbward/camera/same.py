"""Decoding the very file that was measured, and no other that took its place."""

from __future__ import annotations

from pathlib import Path

from limbward.camera.frame import RawFrame, UnreadableFrame
from limbward.camera.raw import read_raw
from limbward.camera.response import Response
from limbward.regular import sha256


def read_same(path: Path, digest: str, response: Response | None = None) -> RawFrame:
    """Decode the frame that ingest has measured, and no other that took its place.

    Parameters
    ----------
    path : Path
    digest : str
        The SHA-256 that ingest found; empty if it is not known.
    response : Response, optional
        The curve that makes its values linear, of a file that is not.

    Raises
    ------
    UnreadableFrame
        With a sentence that says why, if it cannot be decoded or is another file.
    """
    try:
        # 0.1 s for a frame of 50 MB, which is then in memory for the decoder.
        changed = digest and sha256(path) != digest
    except OSError as error:
        raise UnreadableFrame(f"{path.name} cannot be read ({error.strerror or error}).") from error
    if changed:
        raise UnreadableFrame(
            f"{path.name} is not the file that was measured (its SHA-256 differs); run again with "
            "--from ingest"
        )
    frame = read_raw(path)
    return frame if response is None else response.apply(frame)
