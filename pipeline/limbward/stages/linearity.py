"""Which files are measured a second time: not linear by their brackets, or in place of a RAW."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from limbward.camera.brackets import Answer, Bracketed, Origin, ask_brackets
from limbward.camera.card import IMAGE_KINDS, MADE_OF_RAW
from limbward.stages.measuring import Row, Task
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.stored import read_planes


def answers_of(rows: Sequence[Row], workspace: Workspace) -> list[Answer]:
    """Return what the brackets tell of each camera's files of each kind.

    Parameters
    ----------
    rows : sequence of Row
        As measured, in the order of shooting.
    workspace : Workspace
        With their reduced frames.
    """

    def planes(i: int) -> tuple[NDArray[np.float32], int]:
        return read_planes(workspace.path(rows[i]["reduced"]))

    groups: dict[Origin, list[int]] = defaultdict(list)
    for i, row in enumerate(rows):
        origin = _origin(row)
        if origin is not None:
            groups[origin].append(i)
    return [
        ask_brackets(
            origin,
            [_bracketed(i, rows[i]) for i in members if _shows_totality(rows[i])],
            planes,
            len(members),
        )
        for origin, members in groups.items()
    ]


def tasks_again(
    tasks: Sequence[Task], rows: Sequence[Row], answers: Sequence[Answer]
) -> dict[int, Task]:
    """Return which files are to be measured a second time, by their place in the list.

    Those whose numbers turned out not to be linear are, by the curve that makes them so; and
    JPEGs of RAW frames that cannot be decoded, in their place.
    """
    unreadable = {row["file"] for row in rows if row["phase"] == "unreadable"}
    by_origin = {answer.origin: answer for answer in answers}
    again: dict[int, Task] = {}
    for i, (task, row) in enumerate(zip(tasks, rows, strict=True)):
        origin = _origin(row)
        answer = None if origin is None else by_origin.get(origin)
        if answer is not None and answer.tested.response is not None:
            again[i] = replace(task, response=answer.tested.response, response_name=answer.name)
        elif task.file.kind in MADE_OF_RAW and task.file.paired_with in unreadable:
            again[i] = replace(task, in_place=True)
    return again


def say_what_is_linear(answers: Sequence[Answer], reporter: Reporter) -> None:
    """Tell of files whose numbers are not in proportion to light, and how that is known."""
    for answer in answers:
        warning, remark = answer.warning(), answer.remark()
        if warning:
            reporter.warn(warning)
        if remark:
            reporter.note(remark)


def _origin(row: Row) -> Origin | None:
    """Return whose numbers a file holds; None if it is no frame that was decoded."""
    if row["kind"] not in IMAGE_KINDS or not row.get("range_adu"):
        return None
    said = row.get("declared") or ""
    return Origin(row.get("camera") or "", row.get("serial") or "", row["kind"], said)


def _shows_totality(row: Row) -> bool:
    known = all(row.get(name) for name in ("measured_moon_radius", "reduced", "exposure"))
    return known and row["phase"] == "totality"


def _bracketed(i: int, row: Row) -> Bracketed:
    time = row.get("time_camera")
    return Bracketed(
        row=i,
        seconds=datetime.fromisoformat(time).timestamp() if time else np.nan,
        exposure_s=row["exposure"],
        range_adu=row["range_adu"],
        iso=row.get("iso"),
        f_number=row.get("f_number"),
        moon=(row["measured_moon_x"], row["measured_moon_y"], row["measured_moon_radius"]),
    )
