"""Hostile workspaces: folders that are somebody else's, and artefacts that are damaged."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
from astropy.io import fits

from tests.camera.files import dng, noise
from tests.robustness.case import Case

CONFIG = """site: {{latitude: 65.0, longitude: -23.4}}
eclipse: 2026-08-12
input: {{cards: [card]}}
workspace: {workspace}
"""
# Files of somebody, where a run would have its own.
FILES = (
    *("previews/wedding.jpg", "reduced/thesis.npz", ".writing-novel.txt", "frames.ecsv"),
    *("state/timing.json", "composite.png", "tables/ingest.jsonl"),
)


def _card(root: Path, workspace: str) -> None:
    (root / "card").mkdir()
    dng(root / "card/a.dng", noise((48, 64)))
    (root / "c.yaml").write_text(CONFIG.format(workspace=workspace))


def _among(place: str, *command: str) -> Callable[[Path], list[str]]:
    """Return what makes a config whose workspace is a folder with somebody's files in it."""

    def make(root: Path) -> list[str]:
        _card(root, place)
        for name in FILES:
            path = root / place / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text("mine")
        return [*command, "c.yaml"]

    return make


def _card_like_a_workspace(root: Path) -> list[str]:
    _card(root, "workspace")
    (root / "card/state").mkdir()
    (root / "card/state/lock").write_text("")
    return ["run", "c.yaml", "--until", "ingest"]


def _not_a_merge(**header: float) -> Callable[[Path], list[str]]:
    def make(root: Path) -> list[str]:
        image = fits.PrimaryHDU(np.ones((3, 32, 32), np.float32))
        image.header.update(header)
        image.writeto(root / "a.fits")
        return ["enhance", "a.fits", "--steps", "nrgf"]

    return make


def _flipped(root: Path) -> list[str]:
    arguments = _not_a_merge(CDELT1=2.0)(root)
    with fits.open(root / "a.fits") as hdus:
        hdus.writeto(root / "a.fits", checksum=True, overwrite=True)
    data = bytearray((root / "a.fits").read_bytes())
    data[2880 + 500] ^= 4
    (root / "a.fits").write_bytes(data)
    return arguments


SUN = {"CDELT1": 40.0, "CDELT2": 40.0, "UPPA": 0.0, "CRPIX1": 16.0, "CRPIX2": 16.0}
AMONG = r"`workspace:`.*--workspace"

CASES = (
    Case("the card as workspace", _among("card", "run"), 2, rf"is a folder of photogr.*{AMONG}"),
    Case("the config's folder as workspace", _among(".", "run"), 2, rf"holds a folder.*{AMONG}"),
    Case("a workspace in the card", _among("card/w", "run"), 2, rf"lies in a folder.*{AMONG}"),
    Case("somebody's folder as workspace", _among("home", "run"), 2, rf"is not empty.*{AMONG}"),
    Case("check of the card as workspace", _among("card", "check"), 2, AMONG),
    Case("check of somebody's folder", _among("home", "check"), 2, rf"is not empty.*{AMONG}"),
    Case("sheet in somebody's folder", _among("home", "sheet"), 2, rf"is not empty.*{AMONG}"),
    Case("clips in the card", _among("card", "clips"), 2, AMONG),
    Case("a card with a file state/lock", _card_like_a_workspace, 0, r"2 other"),
    Case("enhance of no merge", _not_a_merge(), 1, r"a\.fits is not a merge.*CDELT1"),
    Case(
        "enhance of a merge without CDELT1",
        _not_a_merge(**{k: v for k, v in SUN.items() if k != "CDELT1"}, RSUN_OBS=950.0),
        1,
        r"a\.fits is not a merge.*CDELT1",
    ),
    Case(
        "enhance of a merge with a Sun of no size",
        _not_a_merge(**SUN, RSUN_OBS=0.0),
        1,
        "the Sun at no possible place",
    ),
    Case("enhance of a merge with a flipped bit", _flipped, 1, r"a\.fits is damaged.*checksum"),
)
