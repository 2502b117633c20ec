"""Which stages a run would run, without running them."""

from __future__ import annotations

from limbward.config import Config
from limbward.errors import ConfigError
from limbward.runs.records import Records
from limbward.runs.runner import load_stages
from limbward.workspace import Workspace


def pending_stages(config: Config, workspace: Workspace) -> tuple[list[str], str]:
    """Return the names of the stages that are out of date, in order.

    Parameters
    ----------
    config : Config
    workspace : Workspace

    Returns
    -------
    list of str
        A stage behind one that is out of date is listed if it reads what that one makes.
    str
        Why it is not known of the first stages: the card is not there. Empty otherwise.
    """
    if not workspace.root.exists():
        return [stage.name for stage in load_stages()], ""
    records = Records(config, workspace)
    names: list[str] = []
    made: set[str] = set()
    trouble = ""
    for stage in load_stages():
        try:
            current = records.is_current(stage)
        except ConfigError as error:
            trouble, current = str(error), True
        touched = made.intersection(stage.inputs(config))
        unfinished = stage.is_unfinished is not None and stage.is_unfinished(workspace)
        if current and not touched and not unfinished:
            continue
        names.append(stage.name)
        made.update(stage.outputs(config))
    return names, trouble
