"""Whether the numbers of the frames are in proportion to light, asked of their brackets."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from itertools import islice

import numpy as np

from limbward.camera.card import IMAGE_KINDS
from limbward.camera.response import Tested, View, solve_response, view_of
from limbward.stages.measuring import MADE_OF_RAW, Row, Task
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.responses import Answer
from limbward.workspace.stored import read_planes

MOST_FRAMES = 48  # of a group, four brackets: more would not tell more
APART_S, APART = 30.0, 6  # of a pair: seconds, and files
RATIOS = (1.3, 20.0)  # of the light of a pair; beyond, one is dark where the other is not clipped
Key = tuple[str, str, str, str]


def answers_of(rows: Sequence[Row], workspace: Workspace) -> list[Answer]:
    """Return what the brackets tell of each camera's files of each kind.

    Parameters
    ----------
    rows : sequence of Row
        As measured, in the order of shooting.
    workspace : Workspace
        With their reduced frames.
    """
    groups: dict[Key, list[Row]] = defaultdict(list)
    for row in rows:
        if row["kind"] in IMAGE_KINDS and row.get("range_adu"):
            groups[_key(row)].append(row)
    answers = []
    for key, members in groups.items():
        camera, serial, kind, declared = key
        shown = _chosen(members)
        # Of all, for where the corona is clipped the Moon looks smaller, by up to 3 %.
        moon = float(np.median([r["measured_moon_radius"] for r in shown])) if shown else 0.0
        views = [_view(row, workspace, moon) for row in shown]
        tested = solve_response(list(_pairs(views)), declared=bool(declared))
        if kind == "raw" and tested.response is not None:
            # A sensor that is this far from linear is a fault of the exposures it states.
            tested = replace(tested, response=None)
        answers.append(
            Answer(_name(key, tested), camera, serial, kind, declared, len(members), tested)
        )
    return answers


def answer_for(row: Row, answers: Sequence[Answer]) -> Answer | None:
    """Return what is known of a row's files."""
    if row["kind"] not in IMAGE_KINDS or not row.get("range_adu"):
        return None
    key = _key(row)
    return next((a for a in answers if (a.camera, a.serial, a.kind, a.declared) == key), None)


def tasks_again(
    tasks: Sequence[Task], rows: Sequence[Row], answers: Sequence[Answer]
) -> dict[int, Task]:
    """Return which files are to be measured a second time, by their place in the list.

    Those whose numbers turned out not to be linear are, by the curve that makes them so; and
    JPEGs of RAW frames that cannot be decoded, in their place.
    """
    unreadable = {row["file"] for row in rows if row["phase"] == "unreadable"}
    again: dict[int, Task] = {}
    for i, (task, row) in enumerate(zip(tasks, rows, strict=True)):
        answer = answer_for(row, answers)
        if answer is not None and answer.tested.response is not None:
            again[i] = replace(task, response=answer.tested.response, response_name=answer.name)
        elif task.file.kind in MADE_OF_RAW and task.file.paired_with in unreadable:
            again[i] = replace(task, in_place=True)
    return again


def say_what_is_linear(answers: Sequence[Answer], reporter: Reporter) -> None:
    """Tell of files whose numbers are not in proportion to light, and how that is known."""
    for answer in answers:
        tested, who = answer.tested, f"{answer.camera or 'a camera'} {answer.serial}".strip()
        files = f"{answer.frames} {answer.kind.upper() if answer.kind != 'raw' else 'RAW'} files"
        if tested.response is not None:
            reporter.warn(
                f"{who}: the {files} are not linear"
                + (f" (encoded for a display, by {answer.declared})" if answer.declared else "")
                + f"; {tested.pairs} pairs of exposures give the curve by which they are read. "
                "They make pictures, not measurements of brightness."
            )
        elif answer.declared:
            held = (
                f"; {tested.pairs} pairs of exposures agree with its curve" if tested.places else ""
            )
            reporter.note(
                f"{who}: the {files} are encoded for a display, by {answer.declared}{held}"
            )
        elif tested.is_straight is False:
            reporter.warn(
                f"{who}: the numbers of the {files} go with the power {tested.exponent:.2f} of the "
                "exposures that the files state. If those are right, the brightness of the corona "
                "is not; see responses.json."
            )


def _key(row: Row) -> Key:
    said = row.get("declared") or ""
    return row.get("camera") or "", row.get("serial") or "", row["kind"], said


def _name(key: Key, tested: Tested) -> str:
    """Return a name that changes with the curve."""
    curve = () if tested.response is None else tested.response.light
    digest = hashlib.sha256(repr((key, curve)).encode("utf-8", "backslashreplace"))
    return f"{key[2]}-{digest.hexdigest()[:8]}"


def _chosen(rows: list[Row]) -> list[Row]:
    shown = [
        row
        for row in rows
        if row["phase"] == "totality"
        and row.get("measured_moon_radius")
        and row.get("reduced")
        and row.get("exposure")
    ]
    start = max(0, (len(shown) - MOST_FRAMES) // 2)
    return shown[start : start + MOST_FRAMES]


def _view(row: Row, workspace: Workspace, moon: float) -> tuple[float, View]:
    """Return when a frame was taken, seconds, and what it shows; ``moon`` is a radius, pixels."""
    planes, factor = read_planes(workspace.path(row["reduced"]))
    light = row["exposure"] * (row.get("iso") or 100.0) / (row.get("f_number") or 8.0) ** 2
    centre = tuple((row[f"measured_moon_{a}"] + 0.5) / factor - 0.5 for a in "xy")
    shown = planes / np.float32(row["range_adu"])
    return _seconds(row), view_of(shown, (centre[0], centre[1]), moon / factor, light)


def _seconds(row: Row) -> float:
    time = row.get("time_camera")
    return datetime.fromisoformat(time).timestamp() if time else np.nan


def _pairs(views: Sequence[tuple[float, View]]) -> Iterator[tuple[View, View]]:
    for i, (when, view) in enumerate(views):
        for later, other in islice(views, i + 1, i + 1 + APART):
            ratio = max(other.light, view.light) / min(other.light, view.light)
            if RATIOS[0] < ratio < RATIOS[1] and not abs(later - when) > APART_S:
                yield view, other
