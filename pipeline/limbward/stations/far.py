"""A station whose photographs or results stand behind addresses: fetched, run, sent.

Its card is copied to the worker's own disk, a file at a time, and forgotten when the station is
done. What was made from what is kept beside the results, so that nothing is fetched again for a
station that is up to date.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from hashlib import sha256
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from limbward.config import Config, bind
from limbward.config.inputs import inputs_digest
from limbward.config.stations import Station
from limbward.imports import PACKAGE, stamp
from limbward.stations.store import Item, fetch, listing, read_text, remove, send
from limbward.workspace import Workspace

MARK = "state/store.json"
JOINED_FROM = (Workspace.corona, Workspace.clock, Workspace.frames, Workspace.contacts)


class Far:
    """What there is of a station behind addresses.

    Parameters
    ----------
    station : Station
    until : str
        The last stage that is wanted.

    Raises
    ------
    LimbwardError
        If an address cannot be reached.
    """

    def __init__(self, station: Station, until: str) -> None:
        assert station.config is not None
        self._station, self._config = station, station.config
        self._cards = {url: listing(url) for url in station.urls}
        self._made_from = self._digest(until)

    @property
    def files(self) -> list[Item]:
        """The files of its cards."""
        return [item for items in self._cards.values() for item in items]

    def _digest(self, until: str) -> str:
        digest = sha256(self._config.model_dump_json().encode())
        digest.update(until.encode())
        digest.update(repr(self._cards).encode())
        if not self._cards:
            digest.update(inputs_digest(self._config).encode())
        for path in sorted(PACKAGE.rglob("*.py")):
            digest.update(stamp(path))
        return digest.hexdigest()

    def earlier(self) -> dict[str, Any] | None:
        """Return what became of it before, if nothing that it was made from has changed."""
        mark = read_mark(self._station)
        if mark.get("made_from") != self._made_from:
            return None
        outcome: dict[str, Any] = mark["outcome"]
        return outcome

    @contextmanager
    def brought(self) -> Iterator[tuple[Config, Path]]:
        """Fetch its cards; yield the config and the folder of the results to run it with."""
        with TemporaryDirectory(prefix="limbward-", ignore_cleanup_errors=True) as scratch:
            cards = Path(scratch) / "cards"
            names: list[str] = []
            for url, items in self._cards.items():
                names.append(_name(url, names))
                fetch(url, items, cards / names[-1])
            config = self._config
            if names:
                given = config.input.model_copy(update={"cards": names})
                config = bind(config.model_copy(update={"input": given}), cards, {})
            yield config, Path(scratch) / "results" if self._station.out else self._station.root

    def keep(self, root: Path, outcome: dict[str, Any]) -> None:
        """Send the results to where they belong, and keep what they were made from."""
        names = sorted(
            path.relative_to(root).as_posix()
            for path in root.rglob("*")
            if path.is_file() and path.name != "lock"
        )
        mark = {"made_from": self._made_from, "outcome": outcome, "files": names}
        out = self._station.out
        if out:
            gone = set(read_mark(self._station).get("files", [])) - set(names)
            send(root, [n for n in names if n != MARK], out)
            remove(out, sorted(gone - {MARK}))
        Workspace(root).write_json(MARK, mark)
        if out:
            send(root, [MARK], out)


def _name(url: str, others: Sequence[str]) -> str:
    """Return the last part of an address, another than those of other cards."""
    name = url.rstrip("/").rpartition("/")[2] or "card"
    taken = [o for o in others if o == name or o.startswith(f"{name}-")]
    return f"{name}-{len(taken) + 1}" if taken else name


def read_mark(station: Station) -> dict[str, Any]:
    """Return what a station's results were made from; empty if that is not known."""
    if station.out:
        text = read_text(f"{station.out}/{MARK}")
    else:
        path = station.root / MARK
        text = path.read_text(encoding="utf-8") if path.exists() else ""
    try:
        mark: dict[str, Any] = json.loads(text) if text else {}
    except ValueError:  # damaged: what it stands for is made anew
        return {}
    return mark


def bring_results(station: Station) -> None:
    """Fetch what joining stations needs of one whose results were sent away."""
    mark = read_mark(station)
    workspace = Workspace(station.root)
    workspace.claim()
    if workspace.path(MARK).exists() and workspace.read_json(MARK) == mark:
        return
    here = [i for i in listing(station.out) if i.name in JOINED_FROM]
    fetch(station.out, here, station.root)
    for name in set(JOINED_FROM) - {i.name for i in here}:
        workspace.path(name).unlink(missing_ok=True)
    workspace.write_json(MARK, mark)
