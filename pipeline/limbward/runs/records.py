"""What a stage's results were made from, so that a stage is run again only when it must be."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import limbward
from limbward.config import Config
from limbward.errors import LimbwardError
from limbward.imports import PACKAGE, sources, stamp
from limbward.runs.stage import Stage
from limbward.workspace import KEPT, TEMPORARY, Workspace
from limbward.workspace.ledger import known_digest

HASHES = "state/hashes.json"


class Records:
    """Compares the stages' records in a workspace with how things stand now."""

    def __init__(self, config: Config, workspace: Workspace) -> None:
        self.config = config
        self.workspace = workspace
        self._causes: dict[str, dict[str, Any]] = {}
        # Only a cache: without it everything is hashed anew.
        self._hashes: dict[str, Any] = self._read(HASHES) or {}

    def is_current(self, stage: Stage) -> bool:
        """Return whether running the stage would make again what is there."""
        record = self.read(stage)
        if record is None or record.get("causes") != self.causes(stage):
            return False
        if record.get("reads") != self.digests(stage.inputs(self.config)):
            return False
        made: dict[str, str] = record["writes"]
        return made == self.digests(made)

    def altered(self, stages: Iterable[Stage], reads: Mapping[str, str | None]) -> list[str]:
        """Return those of the artefacts read that differ from what the stages have recorded."""
        recorded: dict[str, str] = {}
        for stage in stages:
            recorded |= (self.read(stage) or {"writes": {}})["writes"]
        return [n for n, digest in reads.items() if digest and recorded.get(n, digest) != digest]

    def causes(self, stage: Stage) -> dict[str, Any]:
        """Return what the results depend on, but for the artefacts read."""
        if stage.name not in self._causes:
            self._causes[stage.name] = {
                "config": _config_digest(self.config, stage.sections),
                "code": code_digest(stage),
                "outside": stage.fingerprint(self.config) if stage.fingerprint else "",
                "writes": list(stage.outputs(self.config)),
            }
        return self._causes[stage.name]

    def read(self, stage: Stage) -> dict[str, Any] | None:
        """Return the record of the last run, None if there is none or it did not end well."""
        record = self._read(self.workspace.state(stage.name))
        if record is None or "causes" not in record:
            return None
        made, seconds = record.get("writes"), record.get("seconds")
        sound = (
            isinstance(made, dict)
            and all(self.workspace.holds(n) and isinstance(d, str) for n, d in made.items())
            and isinstance(seconds, int | float)
        )
        return record if sound else None

    def owned(self, stage: Stage) -> list[str]:
        """Return the artefacts that the stage makes or has made, runs cut off included."""
        record = self._read(self.workspace.state(stage.name)) or {}
        made = record.get("writes")
        made = [n for n in made if self.workspace.holds(n)] if isinstance(made, dict) else []
        return sorted({*stage.outputs(self.config), *made})

    def _read(self, name: str) -> dict[str, Any] | None:
        """Return a JSON object, None if it is not there or damaged: then it says nothing."""
        if not self.workspace.path(name).exists():
            return None
        try:
            found = self.workspace.read_json(name)
        except LimbwardError:
            return None
        return found if isinstance(found, dict) else None

    def forget(self, stage: Stage) -> None:
        """Claim nothing of the stage's artefacts from now on, but that they are its own."""
        names = dict.fromkeys(self.owned(stage), "")
        self.workspace.write_json(self.workspace.state(stage.name), {"writes": names})

    def write(self, stage: Stage, *, reads: dict[str, str | None], seconds: float) -> None:
        """Record a run that ended well.

        Parameters
        ----------
        stage : Stage
        reads : dict
            Digests of the artefacts read, taken before the run.
        seconds : float
        """
        written = self.digests(stage.outputs(self.config))
        record = {
            "causes": self.causes(stage),
            "reads": reads,
            "writes": {name: digest for name, digest in written.items() if digest},
            "seconds": round(seconds, 3),
        }
        self.workspace.write_json(self.workspace.state(stage.name), record)
        self.workspace.write_json(HASHES, self._hashes)

    def digests(self, artefacts: Iterable[str]) -> dict[str, str | None]:
        """Return the SHA-256 of each artefact's content, None for one that is not there."""
        return {name: self._digest(name) for name in artefacts}

    def _digest(self, artefact: str) -> str | None:
        path = self.workspace.path(artefact)
        if not artefact.endswith("/"):
            return self._file_digest(path) if path.is_file() else None
        files = sorted(
            p
            for p in path.rglob("*")
            if p.is_file() and not p.name.startswith(TEMPORARY) and not KEPT.search(p.name)
        )
        lines = [f"{p.relative_to(path).as_posix()} {self._file_digest(p)}" for p in files]
        return hashlib.sha256("\n".join(lines).encode()).hexdigest() if lines else None

    def _file_digest(self, path: Path) -> str:
        """Return a file's digest; one with the same size and time as when hashed is not read."""
        status = path.stat()
        name = path.relative_to(self.workspace.root).as_posix()
        known = self._hashes.get(name)
        if isinstance(known, list) and known[:-1] == [status.st_size, status.st_mtime_ns]:
            return str(known[-1])
        digest = known_digest(path)
        self._hashes[name] = [status.st_size, status.st_mtime_ns, digest]
        return digest


def _config_digest(config: Config, sections: tuple[str, ...]) -> str:
    unknown = set(sections) - set(Config.model_fields)
    if unknown:
        raise ValueError(f"no such sections of the config: {sorted(unknown)}")
    values = config.model_dump(mode="json", include=set(sections))
    return hashlib.sha256(json.dumps(values, sort_keys=True).encode()).hexdigest()


def code_digest(stage: Stage, package: Path = PACKAGE) -> str:
    """Return a digest of the version and of every file that the stage's results depend on.

    Parameters
    ----------
    stage : Stage
    package : Path
        The folder of the package.
    """
    files = set(sources(stage.run.__module__, package))
    for folder in stage.loads:
        if not (package / folder).is_dir():
            raise ValueError(f"stage {stage.name!r} loads {folder!r}, which does not exist")
        for path in (package / folder).rglob("*"):
            if path.suffix == ".py":
                module = path.relative_to(package.parent).with_suffix("").as_posix()
                files |= set(sources(module.replace("/", "."), package))
            elif path.is_file() and "__pycache__" not in path.parts:
                files.add(path)
    digest = hashlib.sha256(limbward.__version__.encode())
    for file in sorted(files):
        digest.update(file.relative_to(package).as_posix().encode() + b"\0" + stamp(file))
    return digest.hexdigest()
