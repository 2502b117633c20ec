"""What the page asks for, each a call: the config, frames, pictures and runs of one workspace."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from threading import RLock
from typing import TYPE_CHECKING, Any

from limbward.config import Config
from limbward.errors import ConfigError, LimbwardError
from limbward.review.clock import clocks_of, dated
from limbward.review.frames import Roll, say
from limbward.review.making import Making
from limbward.review.session import Conflict, Loaded, Session, clean
from limbward.review.settings import changes_of, settings_of, with_settings
from limbward.review.tiles import Decoded
from limbward.workspace import Workspace

# What draws takes a second to import: the browser is opened meanwhile.
if TYPE_CHECKING:
    from limbward.review.picture import Pictures, Shown

VIEWS = ("picture", "structure", "linear")
EXPORTS = "exports/"
MOST_STOPS = 16.0
LONGEST_LIST = 20_000


class Desk:
    """One config and its workspace, with all that the page does to them.

    Parameters
    ----------
    path : Path
        The config file.
    workspace : Path, optional
        In place of the one that the config names.

    Raises
    ------
    ConfigError
        If the config is not valid.
    """

    def __init__(self, path: Path, workspace: Path | None = None) -> None:
        self.session = Session(path, workspace)
        self.making = Making()
        self.decoded = Decoded()
        self.on_stop: Callable[[], None] = lambda: None
        self._lock = RLock()
        self._controls: dict[str, Any] | None = None
        self._use(self.session.load().config)

    def _use(self, config: Config) -> None:
        self.workspace = self.session.workspace(config)
        self.roll = Roll(self.workspace)
        self._pictures: Pictures | None = None

    @property
    def pictures(self) -> Pictures:
        """What draws the workspace's merge."""
        from limbward.review.picture import Pictures

        with self._lock:
            if self._pictures is None:
                self._pictures = Pictures(self.workspace)
            return self._pictures

    def _loaded(self) -> Loaded:
        """Return the config as it stands, and follow it to another workspace."""
        loaded = self.session.load()
        with self._lock:
            if self.session.workspace(loaded.config).root != self.workspace.root:
                self._use(loaded.config)
        return loaded

    def warm(self) -> None:
        """Get ready what the page will ask for first."""
        try:
            self.pictures.warm(self._loaded().config)
            self.controls()
        except (LimbwardError, OSError, MemoryError) as error:
            logging.getLogger(__name__).debug("not ready: %s", error)  # told when it is asked for

    def state(self) -> dict[str, Any]:
        """Return what is there, which revision the config has, and what is being made."""
        trouble = ""
        try:
            self._loaded()
        except ConfigError as error:
            trouble = str(error)
        there = {
            name: self.workspace.path(artefact).exists()
            for name, artefact in (
                ("corona", Workspace.corona),
                ("sun", Workspace.sun),
                ("composite", Workspace.composite_png),
                ("frames", Workspace.frames),
                ("clock", Workspace.clock),
                ("report", Workspace.report),
            )
        }
        return {
            "config": self.session.path.name,
            "folder": str(self.session.path.absolute().parent),
            "workspace": str(self.workspace.root),
            "revision": self.session.revision(),
            "trouble": trouble,
            "there": there,
            "frames_version": self.roll.version if there["frames"] else "",
            "composite_version": _version(self.workspace, Workspace.composite_png),
            "corona_version": _version(self.workspace, Workspace.corona),
            "making": self.making.status,
        }

    def frames(self) -> dict[str, Any]:
        """Return the frames' rows."""
        from limbward.config.inputs import card_paths

        loaded = self._loaded()
        rows = self.roll.table(loaded.config) if self._has(Workspace.frames) else []
        missing = ""
        try:
            card_paths(loaded.config)
        except ConfigError as error:
            missing = str(error)
        told: dict[str, Any] = clean(
            {
                "revision": loaded.revision,
                "version": self.roll.version if rows else "",
                "frames": rows,
                "card": missing,
            }
        )
        return told

    def say(self, body: Mapping[str, Any]) -> dict[str, Any]:
        """Say something of frames in the config: ``ids``, and ``use`` or ``phase``."""
        loaded = self._based_on(body)
        frames = self.roll.frames()
        ids = body["ids"]
        if not isinstance(ids, list) or len(ids) > LONGEST_LIST:
            raise LimbwardError("ids should be a list of frames.")
        chosen = [frames[_index(i, len(frames))].file for i in ids]
        changes = say(loaded.config, chosen, use=_text(body, "use"), phase=_text(body, "phase"))
        self.session.save(changes, loaded.revision)
        return self.frames()

    def controls(self) -> dict[str, Any]:
        """Return what can be set of the picture."""
        from limbward.review.controls import filter_controls, picture_controls

        if self._controls is None:
            self._controls = {"groups": picture_controls(), "filters": filter_controls()}
        return self._controls

    def settings(self) -> dict[str, Any]:
        """Return how the picture is set."""
        loaded = self._loaded()
        return {"revision": loaded.revision, **settings_of(loaded.config)}

    def save(self, body: Mapping[str, Any]) -> dict[str, Any]:
        """Write settings of the picture into the config: ``settings``, based on ``revision``."""
        loaded = self._based_on(body)
        given = body["settings"]
        if not isinstance(given, Mapping):
            raise LimbwardError("settings should be a group of keys.")
        saved = self.session.save(changes_of(loaded, given), loaded.revision)
        return {"revision": saved.revision, **settings_of(saved.config)}

    def view(self, body: Mapping[str, Any]) -> Shown:
        """Return a view of settings that need not be saved."""
        config = with_settings(self._loaded().config, body.get("settings", {}))
        view = body.get("view", "picture")
        if view not in VIEWS:
            raise LimbwardError(f"There is no view {view!r}.")
        return self.pictures.show(
            config,
            view,
            draft=body.get("draft") is True,
            uncropped=body.get("uncropped") is True,
        )

    def value(self, body: Mapping[str, Any]) -> dict[str, Any]:
        """Return the brightness at a height and a position angle."""
        found: dict[str, Any] = clean(
            self.pictures.value(float(body["height"]), float(body["angle"]))
        )
        return found

    def clock(self) -> dict[str, Any]:
        """Return what the clocks did, and what the config says of them."""
        loaded = self._loaded()
        told: dict[str, Any] = clean(clocks_of(loaded.config, self.workspace))
        return {"revision": loaded.revision, **told}

    def date(self, body: Mapping[str, Any]) -> dict[str, Any]:
        """Give a frame a known time, ``utc``, or take one back, where that is null."""
        loaded = self._based_on(body)
        frame = self._frame(body["id"])
        utc = body["utc"]
        if utc is not None:
            try:
                datetime.fromisoformat(str(utc))
            except ValueError:
                raise ConfigError(
                    f"{utc} is not a time of the form YYYY-MM-DDThh:mm:ss.sss."
                ) from None
        self.session.save(dated(loaded.config, frame.file, utc), loaded.revision)
        return self.clock()

    def pending(self) -> dict[str, Any]:
        """Return which stages are out of date, in words for what 'make it' would do."""
        loaded = self._loaded()
        # Imported here: all stages take seconds, and the first picture should not wait for them.
        from limbward.runs.pending import pending_stages

        names, trouble = pending_stages(loaded.config, self.workspace)
        return {"revision": loaded.revision, "stages": names, "trouble": trouble}

    def make(self) -> dict[str, Any]:
        """Run the stages that are out of date."""
        self._loaded()
        self.making.start("run", ["run", str(self.session.path), str(self.workspace.root)])
        return self.making.status

    def export(self, body: Mapping[str, Any]) -> dict[str, Any]:
        """Export the finished picture in ``sizes``."""
        sizes = body["sizes"]
        if not isinstance(sizes, list) or not sizes or len(sizes) > 40:
            raise LimbwardError("Choose a size.")
        from limbward.render.export import parse_size

        for size in sizes:
            parse_size(str(size))  # says what is wrong with it
        self._loaded()
        arguments = ["export", str(self.session.path), str(self.workspace.root)]
        self.making.start("export", [*arguments, *map(str, sizes)])
        return self.making.status

    def copies(self) -> dict[str, Any]:
        """Return the sizes that can be exported, and the files that were."""
        from limbward.render.export import ABOUT, NAMED

        sizes = [{"name": n, "about": ABOUT[n], "kind": NAMED[n].kind} for n in NAMED]
        return {"sizes": sizes, "files": self.exports()}

    def cancel(self) -> dict[str, Any]:
        """End what is being made."""
        self.making.cancel()
        return self.making.status

    def stop(self) -> dict[str, Any]:
        """End the server."""
        self.making.cancel()
        self.on_stop()
        return {"stopped": True}

    def describe(self, number: int) -> dict[str, Any]:
        """Return a frame's size and into what it is cut; decodes it."""
        return self.decoded.describe(self._path(number))

    def thumb(self, number: int) -> tuple[bytes, str]:
        """Return a frame's preview."""
        preview = self._frame(number).preview
        if preview is None:
            raise LimbwardError("This frame has no preview.")
        return preview.read_bytes(), ".jpg"

    def tile(self, where: Mapping[str, Any], stops: str) -> tuple[bytes, str]:
        """Return a part of a decoded frame."""
        brighter = float(stops)
        if not -MOST_STOPS <= brighter <= MOST_STOPS:
            raise ValueError("that is too bright or too dark")
        level, column, row = (int(where[n]) for n in ("level", "column", "row"))
        path = self._path(int(where["number"]))
        return self.decoded.tile(path, level, column, row, brighter), ".png"

    def made(self, name: str) -> tuple[bytes, str]:
        """Return a finished picture or an export by its name."""
        if name in (Workspace.composite_png, Workspace.report):
            artefact = name
        elif name in self.exports():
            artefact = f"{EXPORTS}{name}"
        else:
            raise LimbwardError("There is no such file.")
        path = self.workspace.path(artefact)
        return path.read_bytes(), path.suffix

    def exports(self) -> list[str]:
        """Return the names of the files that were exported."""
        folder = self.workspace.path(EXPORTS)
        return sorted(p.name for p in folder.iterdir() if p.is_file()) if folder.is_dir() else []

    def close(self) -> None:
        """End the processes."""
        self.making.close()
        self.decoded.close()

    def _has(self, artefact: str) -> bool:
        return self.workspace.path(artefact).exists()

    def _based_on(self, body: Mapping[str, Any]) -> Loaded:
        """Return the config, if it is the one that a page's change is based on."""
        loaded = self._loaded()
        if body.get("revision") != loaded.revision:
            raise Conflict("The config file was changed elsewhere meanwhile.")
        return loaded

    def _frame(self, number: Any) -> Any:
        frame = self.roll.one(number) if isinstance(number, int) else None
        if frame is None:
            raise LimbwardError("There is no such frame.")
        return frame

    def _path(self, number: int) -> Path:
        base: Path = self._loaded().config.base_dir
        return base / str(self._frame(number).file)


def _index(value: Any, length: int) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value < length:
        raise LimbwardError("There is no such frame.")
    return value


def _text(body: Mapping[str, Any], key: str) -> str | None:
    value = body.get(key)
    return None if value is None else str(value)


def _version(workspace: Workspace, artefact: str) -> str:
    path = workspace.path(artefact)
    return str(path.stat().st_mtime_ns) if path.exists() else ""
