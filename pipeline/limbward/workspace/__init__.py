"""The folder of a run: what lies in it, how it is written, and what this program may touch there.

Nothing else may lie in a folder that a run cleans up, so there are three rules. A run works only in
a folder that it made itself, which a marker shows (`own`). What it writes is entered in a list with
its SHA-256 (`ledger`), and only a file whose content is in that list is ever deleted or replaced.
No artefact lies outside of the folder, whatever a record or a link says (`Workspace.path`).
"""

from limbward.workspace.folder import Workspace, read_table
from limbward.workspace.own import is_workspace, owner_of
from limbward.workspace.writing import KEPT, TEMPORARY, atomic_path, set_aside, to_json, write_text

__all__ = [
    "KEPT",
    "TEMPORARY",
    "Workspace",
    "atomic_path",
    "is_workspace",
    "owner_of",
    "read_table",
    "set_aside",
    "to_json",
    "write_text",
]
