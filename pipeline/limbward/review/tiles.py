"""Decoded frames, in parts: decoding runs in another process, as in every other command."""

from __future__ import annotations

import io
from collections import OrderedDict
from pathlib import Path
from threading import Lock
from typing import TYPE_CHECKING, Any

from PIL import Image

from limbward.errors import LimbwardError

# What decodes is imported when the first frame is opened: the first picture does not wait for it.
if TYPE_CHECKING:
    from limbward.camera.frame import RawFrame
    from limbward.render.raw_view import FrameView
    from limbward.work.map import FileMap

KEPT_BYTES = 400_000_000  # of decoded frames: four of 24 megapixels
QUICK = 1  # of zlib: 10 ms a tile; the file goes nowhere but to this machine's browser


class Decoded:
    """Frames that were decoded last."""

    def __init__(self) -> None:
        self._views: OrderedDict[Path, FrameView] = OrderedDict()
        self._lock = Lock()
        self._map: FileMap | None = None

    def view(self, path: Path) -> FrameView:
        """Return a frame in all sizes.

        Raises
        ------
        LimbwardError
            With a sentence that says why, if it cannot be decoded.
        """
        from limbward.render.raw_view import frame_view

        with self._lock:
            if path not in self._views:
                if not path.is_file():
                    raise LimbwardError(f"{path} is not there. Connect the card.")
                self._views[path] = frame_view(self._decode(path))
            self._views.move_to_end(path)
            while len(self._views) > 1 and sum(map(_bytes, self._views.values())) > KEPT_BYTES:
                self._views.popitem(last=False)
            return self._views[path]

    def _decode(self, path: Path) -> RawFrame:
        from limbward.camera.same import read_same
        from limbward.work.executors import local_crew
        from limbward.work.map import Failure, FileMap, Task

        if self._map is None:
            self._map = FileMap(local_crew(1), again="look at it again")
        task: Task[Any] = Task(0, path, (path, "", None))
        result = self._map.one(read_same, task)
        if isinstance(result, Failure):
            raise LimbwardError(result.sentence)
        return result

    def describe(self, path: Path) -> dict[str, Any]:
        """Return a frame's size, and into what it is cut."""
        from limbward.render.raw_view import TILE_PX

        view = self.view(path)
        return {
            "width": view.frame.width,
            "height": view.frame.height,
            "levels": view.levels,
            "tile_px": TILE_PX,
            "notes": list(view.frame.notes),
        }

    def tile(self, path: Path, level: int, column: int, row: int, stops: float) -> bytes:
        """Return a tile as PNG, which adds nothing to pixels; see `limbward.render.raw_view.tile`.

        Raises
        ------
        ValueError
            If there is no such tile.
        """
        from limbward.render.raw_view import tile

        pixels = tile(self.view(path), level, column, row, stops)
        out = io.BytesIO()
        Image.fromarray(pixels).save(out, "PNG", compress_level=QUICK)
        return out.getvalue()

    def close(self) -> None:
        """End the process that decodes."""
        if self._map is not None:
            self._map.__exit__()


def _bytes(view: FrameView) -> int:
    return int(view.frame.data.nbytes + sum(part.nbytes for part in view.smaller))
