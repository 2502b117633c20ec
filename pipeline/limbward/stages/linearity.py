"""Which files are measured a second time: not linear by their brackets, or in place of a RAW."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from limbward.camera.brackets import Answer, Origin, ask_brackets
from limbward.camera.card import MADE_OF_RAW
from limbward.stages.measuring import Task
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.ingest_rows import Row, bracketed, origin_of, shows_totality
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
        origin = origin_of(row)
        if origin is not None:
            groups[origin].append(i)
    return [
        ask_brackets(
            origin,
            [bracketed(i, rows[i]) for i in members if shows_totality(rows[i])],
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
        origin = origin_of(row)
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
