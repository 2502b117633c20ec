"""Results that go where the person says, which may be inside a workspace or not."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from limbward.workspace import Workspace, atomic_path, owner_of, set_aside


@contextmanager
def writing_to(path: Path, warn: Callable[[str], None]) -> Iterator[Path]:
    """Yield a path to write to; what is there is kept unless a workspace's list shows it ours."""
    root = owner_of(path)
    if root is not None:
        workspace = Workspace(root)
        name = Path(os.path.realpath(path.parent), path.name).relative_to(root).as_posix()
        workspace.take_kept()
        with workspace.writing(name) as part:
            yield part
        for kept in workspace.take_kept():
            warn(kept)
        return

    def settle(_: Path) -> None:
        if os.path.lexists(path):
            warn(f"{path} already existed; that version is kept as {set_aside(path).name}.")

    with atomic_path(path, settle) as part:
        yield part
