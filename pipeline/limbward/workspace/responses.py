"""responses.json: how the numbers of each camera's files answer to light, and who told."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

from astropy.table import Table

from limbward.camera.brackets import Answer
from limbward.camera.response import Response
from limbward.workspace import Workspace
from limbward.workspace.columns import texts
from limbward.workspace.stored import damaged


def write_responses(workspace: Workspace, answers: Sequence[Answer]) -> None:
    """Write what is known of each group of files."""
    told = []
    for answer in answers:
        tested, response = answer.tested, answer.tested.response
        entry: dict[str, Any] = {
            "name": answer.name,
            "camera": answer.camera,
            "serial": answer.serial,
            "kind": answer.kind,
            "frames": answer.frames,
            "declared": answer.declared,
            "pairs": tested.pairs,
            "places": tested.places,
            "exponent": tested.exponent,
            "linear": False if answer.declared else tested.is_straight,
            "solved": response is not None,
        }
        if response is not None:
            entry |= {
                "deviation": tested.deviation,
                "encoding": response.encoding,
                "value": list(response.value),
                "light": list(response.light),
            }
        told.append(entry)
    workspace.write_json(Workspace.responses, {"files": told})


def read_responses(workspace: Workspace) -> dict[str, Response]:
    """Return the curves by their names; none for files whose numbers are used as they are.

    Raises
    ------
    LimbwardError
        If the file is there and damaged.
    """
    path = workspace.path(Workspace.responses)
    if not path.exists():
        return {}
    told = workspace.read_json(Workspace.responses)
    entries = told.get("files") if isinstance(told, dict) else None
    if not isinstance(entries, list) or not all(isinstance(e, dict) for e in entries):
        raise damaged(path, "it has no list of files")
    found = {}
    for entry in entries:
        if entry.get("solved") is not True:
            continue
        value, light = _curve(entry.get("value")), _curve(entry.get("light"))
        if value is None or light is None or len(value) != len(light):
            raise damaged(path, f"the curve {entry.get('name')!r} does not rise from 0 to 1")
        found[str(entry.get("name"))] = Response(value, light, str(entry.get("encoding")))
    return found


def curves_of_rows(workspace: Workspace, ingest: Table) -> list[Response | None]:
    """Return the curve of each row's file; None where its numbers are used as they are.

    Raises
    ------
    LimbwardError
        As of `read_responses`.
    """
    known = read_responses(workspace)
    return [known.get(name) for name in texts(ingest, "response")]


def _curve(numbers: object) -> tuple[float, ...] | None:
    if not isinstance(numbers, list) or len(numbers) < 2:
        return None
    if not all(isinstance(n, int | float) and math.isfinite(n) for n in numbers):
        return None
    rises = all(b > a for a, b in pairwise(numbers))
    return tuple(map(float, numbers)) if rises and numbers[0] == 0 and numbers[-1] == 1 else None
