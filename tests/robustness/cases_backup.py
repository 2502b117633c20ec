"""Hostile inputs of backup, verify and ingest."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import numpy as np
from astropy.io import fits

from limbward.backup.describe import describe
from limbward.backup.intent import INCOMING, PLANS
from limbward.backup.job import back_up
from tests.camera.files import dng, jpeg, noise, ratio
from tests.robustness.case import Case
from tests.robustness.hostile import disc

CONFIG = (
    "site: {latitude: 65.0, longitude: -23.4, height: 40}\neclipse: 2026-08-12\n"
    "input: {cards: [card]}\nrun: {jobs: 1}\n"
)


def _card(root: Path) -> Path:
    for number in range(1, 4):
        dng(root / f"card/DCIM/100TESTA/TST_{number:04d}.DNG", noise((24, 32), number))
    return root / "card"


def _unfinished(root: Path) -> list[str]:
    """Leave a bag as a killed backup does, its marker removed besides."""
    card, bag = _card(root), root / "bag"
    back_up([card], [bag], describe)
    for path in bag.glob("*manifest-*.txt"):
        path.unlink()
    frame = "data/card/DCIM/100TESTA/TST_0002.DNG"
    (bag / frame).unlink()
    lines = (bag / "payload.jsonl").read_text().splitlines(keepends=True)
    (bag / "payload.jsonl").write_text("".join(line for line in lines if frame not in line))
    shutil.rmtree(bag / INCOMING, ignore_errors=True)
    return ["verify", "bag"]


def _resumed(root: Path) -> list[str]:
    _unfinished(root)
    return ["backup", "card", "bag"]


def _without_plan(root: Path) -> list[str]:
    back_up([_card(root)], [root / "bag"], describe)
    shutil.rmtree(root / "bag" / PLANS)
    return ["verify", "bag"]


def _pipe_for_a_manifest(root: Path) -> list[str]:
    back_up([_card(root)], [root / "bag"], describe)
    (root / "bag/manifest-sha256.txt").unlink()
    os.mkfifo(root / "bag/manifest-sha256.txt")
    return ["verify", "bag"]


def _link_to_the_card(root: Path) -> list[str]:
    card = _card(root)
    (root / "bag").mkdir()
    (root / "bag/payload.jsonl").write_text("")
    (root / "bag/data").symlink_to(card)
    return ["backup", "card", "bag"]


def _second_name(root: Path) -> list[str]:
    card = _card(root)
    back_up([card], [root / "bag"], describe)
    name = "DCIM/100TESTA/TST_0001.DNG"
    (root / "bag/data/card" / name).unlink()
    os.link(card / name, root / "bag/data/card" / name)
    return ["backup", "card", "bag"]


def _nonsense_position(root: Path) -> list[str]:
    clock = (ratio(0, 1), ratio(2**32 - 1, 1), ratio(0, 1))
    exif = {0x9003: "2026:08:12 17:45:30", 0x829A: ratio(1, 8)}
    jpeg(root / "card/a.jpg", exif, gps={7: clock, 29: "2026:08:12"})
    return ["backup", "card", "bag"]


def _ingest(root: Path) -> list[str]:
    (root / "limbward.yaml").write_text(CONFIG)
    return ["run", "limbward.yaml", "--until", "ingest"]


def _vast_sensitivity(root: Path) -> list[str]:
    (root / "card").mkdir()
    header = fits.Header({"DATE-OBS": "2026-08-12T17:45:30", "ISO": 2**63, "EXPTIME": 1e300})
    fits.writeto(root / "card/a.fits", disc(1).astype(np.float32), header)
    return _ingest(root)


def _long_name(root: Path) -> list[str]:
    dng(root / f"card/{'x' * 246}.DNG", disc(1))
    return _ingest(root)


CASES = (
    Case(
        "a backup that was cut off",
        _unfinished,
        1,
        r"not finished: 1 of 3 planned files .*missing: ",
    ),
    Case("a backup that goes on", _resumed, 0, r"1 files copied", r"^bag/"),
    Case("a bag whose plan is gone", _without_plan, 1, r"missing: plan/card.jsonl"),
    Case(
        "a pipe for a manifest", _pipe_for_a_manifest, 1, r"manifest-sha256.txt' is a link or a d"
    ),
    Case("a bag whose data leads to the card", _link_to_the_card, 1, r"bag/data is a link"),
    Case("a second name of a file in a bag", _second_name, 1, r"itself under a second name"),
    Case("a nonsense position stamp", _nonsense_position, 0, r"1 files copied"),
    Case("a vast sensitivity in a FITS header", _vast_sensitivity, 0, r"1 partial"),
    Case("a name of 250 bytes", _long_name, 0, r"1 partial"),
)
