"""JPEGs for the web of PNG products, with what those say about themselves."""

import numpy as np
import pytest
from PIL import Image

from limbward.render.writers import Caption, write_png
from limbward.workspace import Workspace
from limbward.workspace.web import write_web_copies

CAPTION = Caption(
    "Solar corona, 31°", "A title", "A. Person", "Somewhere", "2026-08-12T17:45:00Z",
    "2026-08-12T17:47:00Z", 65.0, -23.4, "Refractor 90/600",
)  # fmt: skip


@pytest.mark.parametrize(("side", "wanted"), [(300, (200, 100)), (1000, (200, 100))])
def test_each_picture_becomes_a_small_jpeg_with_its_caption(tmp_path, side, wanted):
    workspace = Workspace(tmp_path / "workspace")
    with workspace.locked():
        for name in ("composite.png", "sequences/strip.png"):
            with workspace.writing(name) as part:
                write_png(part, np.full((3, side // 2, side), 0.5, np.float32), CAPTION)
        names = ["composite.png", "sequences/strip.png", "sequences/gone.png", "corona.fits"]
        made = write_web_copies(workspace, names, 200)
    assert made == ["exports/web/composite.jpg", "exports/web/strip.jpg"]
    with Image.open(workspace.path(made[1])) as image:
        assert (image.format, image.size) == ("JPEG", wanted)
        assert np.abs(np.asarray(image).astype(int) - 128).max() <= 2
        exif, packet = image.getexif(), image.info["xmp"].decode()
    assert "Solar corona, 31 deg" in exif[270]
    assert "Solar corona, 31°" in packet
    assert exif[33432] == "A. Person"
    for said in ("65,0.0000N", "23,24.0000W", "Refractor 90/600", "© A. Person", "A title"):
        assert said in packet
    # The photographs and the PNG stay as they are.
    with Image.open(workspace.path("composite.png")) as image:
        assert image.size == (side, side // 2)


def test_a_small_picture_is_not_enlarged(tmp_path):
    workspace = Workspace(tmp_path / "workspace")
    with workspace.locked():
        with workspace.writing("composite.png") as part:
            write_png(part, np.zeros((3, 60, 90), np.float32), CAPTION)
        (made,) = write_web_copies(workspace, ["composite.png"], 2048)
    with Image.open(workspace.path(made)) as image:
        assert image.size == (90, 60)
