"""The frames of a workspace for the light table, and what the user says of them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from limbward.clock.wording import clock_name
from limbward.config import Config
from limbward.config.edit import REMOVE, Changes
from limbward.config.frames import FrameRule, matches
from limbward.config.said import said_of
from limbward.config.yaml_source import Location
from limbward.errors import ConfigError
from limbward.workspace import Workspace

# What reads the artefacts for the report brings its plots; the first picture does not wait for it.
if TYPE_CHECKING:
    from limbward.report import Frame

PLACES = ("sun_x", "sun_y", "sun_radius", "moon_x", "moon_y", "moon_radius")


class Roll:
    """The frames of a workspace, read again when a run has changed them.

    Parameters
    ----------
    workspace : Workspace
    """

    def __init__(self, workspace: Workspace) -> None:
        self.workspace = workspace
        self._stamp: tuple[int, ...] = ()
        self._frames: list[Frame] = []
        self._turn: dict[str, float] = {}

    def frames(self) -> list[Frame]:
        """Return the frames in the order of frames.ecsv."""
        stamp = _stamp(self.workspace)
        if stamp != self._stamp:
            from limbward.workspace.reported import read_frames

            self._frames = read_frames(self.workspace)
            self._turn = _turns(self.workspace)
            self._stamp = stamp
        return self._frames

    @property
    def version(self) -> str:
        """A text that changes with the frames."""
        return "-".join(str(n) for n in _stamp(self.workspace))

    def table(self, config: Config) -> list[dict[str, Any]]:
        """Return a row a frame, with what the config says of it and what the last run did."""
        frames = self.frames()
        said = said_of(config.frames, np.array([f.file for f in frames], dtype=object))
        cameras = _cameras(self.workspace)
        rows = []
        for i, frame in enumerate(frames):
            use = "keep" if said.keep[i] else "drop" if said.drop[i] else ""
            rows.append(
                {
                    "id": i,
                    "file": frame.file,
                    "name": frame.name,
                    "camera": frame.camera,
                    "phase": frame.phase,
                    "time": None if frame.time is None else frame.time.isoformat(),
                    "exposure_s": frame.exposure_s,
                    "iso": frame.iso,
                    "used": frame.used,
                    "note": frame.note,
                    "width": frame.width,
                    "height": frame.height,
                    "thumb": frame.preview is not None,
                    "residual_s": frame.clock_residual_s,
                    **{name: getattr(frame, name) for name in PLACES},
                    "up_deg": cameras.get(frame.camera, (0.0, False))[0]
                    + self._turn.get(frame.file, 0.0),
                    "mirrored": cameras.get(frame.camera, (0.0, False))[1],
                    "use": use,
                    "said_phase": said.phase[i],
                    "by_pattern": _by_pattern(config.frames, frame.file),
                }
            )
        return rows

    def one(self, number: int) -> Frame | None:
        """Return a frame by its row, None if there is none."""
        frames = self.frames()
        return frames[number] if 0 <= number < len(frames) else None


def say(
    config: Config, files: Sequence[str], *, use: str | None = None, phase: str | None = None
) -> Changes:
    """Return the changes of a config that say something of frames.

    Parameters
    ----------
    config : Config
    files : sequence of str
        Paths as in frames.ecsv.
    use : str, optional
        ``keep``, ``drop``, or ``auto``, which takes back what was said; None changes nothing.
    phase : str, optional
        One of the phases or ``auto``; None changes nothing.

    Raises
    ------
    ConfigError
        If a pattern of the config says something that cannot be taken back for one frame.
    """
    rules = [rule.model_dump(mode="json", exclude_none=True) for rule in config.frames]
    for file in files:
        own = _own_entry(rules, file)
        told: dict[str, Any] = dict(rules.pop(own)) if own is not None else {"files": [file]}
        for key, value in (("use", use), ("phase", phase)):
            if value == "auto":
                told.pop(key, None)
            elif value is not None:
                told[key] = value
        if told.get("use") == "keep" and told.get("phase") not in (None, "contact", "totality"):
            told.pop("phase" if use == "keep" else "use")
        if len(told) > 1:
            # Where it stood, so that its comments stay with it; behind what would overrule it.
            later = own is None or any(_says(rule, file) for rule in rules[own:])
            rules.insert(len(rules) if later or own is None else own, told)
        left = [rule for rule in rules if _says(rule, file)]
        for key, value in (("use", use), ("phase", phase)):
            if value == "auto" and any(key in rule for rule in left):
                raise ConfigError(
                    f"An entry of frames in the config says so of {file} by a pattern; change that "
                    "entry in the file."
                )
    return _as_changes(config, rules)


def _own_entry(rules: Sequence[dict[str, Any]], file: str) -> int | None:
    """Return the number of the last entry that names this file alone."""
    alone = [i for i, rule in enumerate(rules) if rule["files"] == [file]]
    return alone[-1] if alone else None


def _says(rule: dict[str, Any], file: str) -> bool:
    return any(matches(file, pattern) for pattern in rule["files"])


def _as_changes(config: Config, rules: list[dict[str, Any]]) -> Changes:
    before = [rule.model_dump(mode="json", exclude_none=True) for rule in config.frames]
    if rules == before:
        return {}
    if not rules:
        return {("frames",): REMOVE}
    # One entry taken out or put in leaves the others, and their comments, alone.
    gone = [i for i, rule in enumerate(before) if rule not in rules]
    if [rule for rule in before if rule in rules] == rules:
        return {("frames", i): REMOVE for i in gone}
    if len(rules) > len(before) and rules[: len(before)] == before:
        more = rules[len(before) :]
        changes: dict[Location, Any] = {}
        for i, rule in enumerate(more):
            changes["frames", len(before) + i] = rule
        return changes
    return {("frames",): rules}


def _by_pattern(rules: Sequence[FrameRule], file: str) -> bool:
    """Whether an entry that names more than this file says something of it."""
    return any(
        list(rule.files) != [file] and any(matches(file, p) for p in rule.files) for rule in rules
    )


def _stamp(workspace: Workspace) -> tuple[int, ...]:
    found = []
    for name in (Workspace.frames, Workspace.table("align"), Workspace.table("merge")):
        path: Path = workspace.path(name)
        status = path.stat() if path.exists() else None
        found.append(0 if status is None else status.st_mtime_ns)
    return tuple(found)


def _turns(workspace: Workspace) -> dict[str, float]:
    """Return by how much each frame is turned against its camera at greatest eclipse, degrees."""
    name = Workspace.table("align")
    if not workspace.path(name).exists():
        return {}
    from limbward.workspace.columns import floats, texts

    table = workspace.read_table(name)
    turn = np.nan_to_num(floats(table, "rotation_deg"))
    return {str(file): float(t) for file, t in zip(texts(table, "file"), turn, strict=True)}


def _cameras(workspace: Workspace) -> dict[str, tuple[float, bool]]:
    """Return the position angle of each camera's up, degrees, and whether it is mirrored."""
    from limbward.workspace.reported import read_told

    told = read_told(workspace, Workspace.pointing).get("cameras", [])
    return {
        clock_name(camera): (
            float(camera.get("up_position_angle") or 0.0),
            bool(camera.get("mirrored")),
        )
        for camera in told
    }
