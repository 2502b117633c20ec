"""`limbward landscape`: where wide frames look, what is in them, and the Sun's path."""

from __future__ import annotations

from limbward.config import Config
from limbward.landscape.said import session_said
from limbward.landscape.told import session_told, warnings_told
from limbward.products import landscape_film, landscape_path, landscape_pictures, landscape_sky
from limbward.products.wide_frames import developer, read_wide
from limbward.products.wide_output import Output
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.frames import assemble_frames
from limbward.workspace.landscape_table import TABLE, write_directions, write_times

SKY = "sky.json"


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Write sky.json, the times, the maps of directions and the pictures.

    Raises
    ------
    LimbwardError
        If there are no wide frames, or the Sun shows in none of them.
    """
    wide = read_wide(config, workspace, reporter)
    solved = wide.solved
    told = session_told(solved)
    workspace.write_json(SKY, told)
    write_times(workspace, solved)
    assemble_frames(workspace)
    files = [SKY, TABLE, *write_directions(workspace, solved)]
    output = Output(config, workspace, reporter, files)
    with developer(config, wide) as developed:
        picture, file = landscape_pictures.write_copies(output, solved, developed)
        landscape_path.write(output, solved, developed)
        landscape_film.write(output, solved, developed)
    landscape_sky.write(output, solved)
    warnings = [*wide.notes, *warnings_told(solved), *output.notes]
    output.tell(session_said(solved, told, file), picture, output.files, warnings)
