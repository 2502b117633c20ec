"""Hostile inputs of the decoders and of the config, for the catalogue."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from tests.camera.files import dng
from tests.robustness.bombs import BOMBS
from tests.robustness.case import Case
from tests.robustness.fuzz_clips import bombs, film
from tests.robustness.hostile import disc

SMALLEST = (
    "site: {latitude: 65.0, longitude: -23.4}\neclipse: 2026-08-12\ninput:\n  cards: [card]\n"
)
INGEST = ["run", "c.yaml", "--until", "ingest", "--jobs", "1"]


def config(change: str, to: str, *command: str) -> Callable[[Path], list[str]]:
    """Return what makes a card of one frame and a config with a piece of its text changed."""

    def make(root: Path) -> list[str]:
        assert change in SMALLEST
        dng(root / "card/TST_0001.DNG", disc())
        text = SMALLEST.replace(change, to)
        (root / "c.yaml").write_text(text, encoding="utf-8", errors="surrogatepass")
        return list(command)

    return make


def bomb(name: str) -> Callable[[Path], list[str]]:
    """Return what makes a card of a bomb and a sound frame."""

    def make(root: Path) -> list[str]:
        config("card", "card")(root)
        (root / "card" / name).write_bytes(BOMBS[name][0]())
        return INGEST

    return make


def odd_films(root: Path) -> list[str]:
    """Make a card of a sound film and of those that claim what no device films."""
    config("card", "card")(root)
    good = film(root / "card/good.mp4")
    for name in ("unknown.mp4", "cut.mp4", "many-pictures.mp4"):
        (root / "card" / name).write_bytes(bombs(good.read_bytes())[name])
    return ["clips", "c.yaml"]


def refused(name: str, change: str, to: str, says: str) -> tuple[Case, Case]:
    """Return the cases that `check` and `run` refuse a config in the same words."""
    return (
        Case(f"{name} in a config to check", config(change, to, "check", "c.yaml"), 2, says),
        Case(f"{name} in a config to run", config(change, to, *INGEST), 2, says),
    )


CASES = (
    *(
        Case(f"the bomb {name}", bomb(name), 0, rf"{name}.*declares")
        for name in ("sparse.tif", "header.fits", "vast.dng")
    ),
    Case(
        "films of which some cannot be decoded", odd_films, 0, r"unknown\.mp4 is encoded in a way"
    ),
    *refused(
        "a home of nobody", "[card]", "[~nosuchuser/card]", r"c\.yaml:4: input.cards\[0\]: .*user"
    ),
    *refused("a NUL in a path", "[card]", '["a\\0b"]', r"c\.yaml:4: input.cards\[0\]: .*control"),
    *refused("the year 1", "2026-08-12", "0001-01-01", r"c\.yaml:2: eclipse: .*1550 to 2650"),
    *refused("the year 9999", "2026-08-12", "9999-12-31", r"c\.yaml:2: eclipse: .*1550 to 2650"),
)
