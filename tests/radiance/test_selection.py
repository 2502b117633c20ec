"""Which frames are merged with which."""

from dataclasses import replace
from pathlib import Path

import numpy as np

from limbward.radiance.selection import Files, calibration_files, choose


def files(linear, camera=None):
    n = len(linear)
    every = np.ones(n, bool)
    text = np.array(["C"] * n if camera is None else camera, dtype=object)
    number = np.full(n, 100.0)
    disc = np.tile([50.0, 50.0, 20.0], (n, 1))
    return Files(
        path=[Path(f"{i}.tif") for i in range(n)],
        usable=every,
        reduced=every,
        linear=np.array(linear, bool),
        phase=np.array(["totality"] * n, dtype=object),
        camera=text,
        serial=np.array(["1"] * n, dtype=object),
        width=number,
        height=number,
        exposure_s=np.arange(1.0, n + 1),
        iso=number,
        f_number=np.full(n, 8.0),
        start_s=np.zeros(n),
        rotation_deg=np.zeros(n),
        sun=disc,
        moon=disc,
    )


def chosen(linear, **more):
    note = np.full(len(linear), "", dtype=object)
    frames = choose(files(linear, **more), None, "merge.camera", note)
    return frames, note.tolist()


def test_display_referred_frames_are_not_merged_with_linear_ones():
    frames, note = chosen([True, False, True, False])
    assert frames.row.tolist() == [0, 2]
    assert frames.linear
    assert note[0] == note[2] == ""
    for said in (note[1], note[3]):
        assert "display-referred" in said
        assert "export it as linear 16-bit TIFF or use the RAW file" in said


def test_display_referred_frames_alone_are_merged_and_known_as_such():
    frames, note = chosen([False, False])
    assert frames.row.tolist() == [0, 1]
    assert not frames.linear
    assert note == ["", ""]


def test_linear_frames_of_another_camera_keep_no_one_out():
    frames, _ = chosen([False, False, True], camera=["C", "C", "D"])
    assert frames.row.tolist() == [0, 1]
    assert not frames.linear


def test_darks_saved_as_jpegs_too_are_no_darks_of_raw_frames():
    """Their numbers are those of a display, and often of another size than the sensor's."""
    every = files([True, False, True, False])
    every = replace(every, phase=np.array(["dark", "dark", "totality", "totality"], dtype=object))
    note = np.full(4, "", dtype=object)
    usable = replace(every, usable=every.phase == "totality")
    frames = choose(usable, None, "merge.camera", note)
    darks = [path for paths in calibration_files(usable, frames)["dark"].values() for path in paths]
    assert darks == [Path("0.tif")]
