"""What bag-info.txt says of a bag: when, where, with which cameras."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import bagit

import limbward
from limbward.backup.bag import Info
from limbward.backup.inventory import Record
from limbward.camera.card import IMAGE_KINDS, kind_of
from limbward.camera.exif import read_exif


def describe(
    root: Path, records: Sequence[Record], *, site: str | None = None, date: str | None = None
) -> Info:
    """Return the fields of bag-info.txt, cameras and times from the frames' Exif.

    Parameters
    ----------
    root : Path
        The bag.
    records : sequence of Record
    site : str, optional
        Where the photographs were taken.
    date : str, optional
        Of the eclipse, YYYY-MM-DD.
    """
    cameras: set[str] = set()
    times: list[datetime] = []
    unread: list[str] = []
    for record in records:
        if kind_of(record.path) not in (*IMAGE_KINDS, "jpeg"):
            continue
        try:
            exif = read_exif(root / record.path, decode=False)
        except Exception:  # a label may lack a camera; a bag may not lack its seal for that
            unread.append(record.path)
            continue
        if exif.camera:
            cameras.add(f"{exif.camera} ({exif.serial})" if exif.serial else exif.camera)
        if exif.time_camera is not None:
            times.append(exif.time_camera)
    info: dict[str, str | list[str]] = {
        "Bagging-Date": datetime.now(UTC).date().isoformat(),
        "Bag-Software-Agent": f"limbward {limbward.__version__}, bagit {bagit.VERSION}",
        "External-Description": "Photographs of an eclipse of the Sun, as the cameras wrote them",
    }
    if site:
        info["Site"] = site
    if date:
        info["Eclipse-Date"] = date
    if cameras:
        info["Camera"] = sorted(cameras)
    if times:
        info["First-Frame"] = f"{min(times).isoformat(sep=' ')} (camera's clock)"
        info["Last-Frame"] = f"{max(times).isoformat(sep=' ')} (camera's clock)"
    if unread:
        info["Frames-Not-Described"] = unread
    return info
