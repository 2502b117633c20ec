"""Suns of a telescope's frames, for the picture of the Sun's path."""

from __future__ import annotations

from typing import Any

import numpy as np

from limbward.errors import LimbwardError
from limbward.landscape.develop import Developed
from limbward.landscape.insets import inset, insets_at, insets_told, pasted, without_own_sun
from limbward.landscape.path import PathSun, path_sun
from limbward.landscape.solved import Solved
from limbward.products.shots import cuts, read_shots
from limbward.products.wide_output import Output
from limbward.sequences.cut import View
from limbward.sequences.timelapse import choose


def inset_suns(
    output: Output, solved: Solved, ground: int, base: Developed, times: float
) -> tuple[Developed, list[tuple[Developed, PathSun]], list[dict[str, Any]], str]:
    """Return the landscape, the Suns, both as frames, what is told of these, and the telescope.

    Raises
    ------
    ConfigError
        If no camera has the wanted name.
    LimbwardError
        If the telescope has no crescents while the Sun was in the wide frame.
    """
    config = output.config
    step_s = 60.0 * config.landscape.step_minutes
    phases = ("partial", "totality")
    every = read_shots(config, output.workspace, phases, config.landscape.telescope, "landscape")
    every = every.take(choose(every, None))  # of totality one of the shorter exposures
    dark = every.phase == "totality"
    rows = insets_at(solved, ground, every.middle_s, dark, step_s, times)
    if not rows:
        raise LimbwardError(
            "No telescope's frame shows the Sun at a known place while it stood in the wide frame; "
            "landscape.magnification sets such Suns in, null takes the wide frames' own."
        )
    shots = every.take(rows)
    told = [
        inset(
            solved, ground, base.factor, float(t), float(zenith), times, total=phase == "totality"
        )
        for t, zenith, phase in zip(shots.middle_s, shots.zenith, shots.phase, strict=True)
    ]
    views = [View(one.side, one.scale_arcsec, one.up_position_angle) for one in told]
    centres = np.stack([
        shots.sun[i, :2] - shots.orientation[i].to_pixels(*view.orientation.to_sky(*one.aside))
        for i, (one, view) in enumerate(zip(told, views, strict=True))
    ])  # fmt: skip
    suns = []
    for i, cut in cuts(config, shots, centres, views):
        if isinstance(cut, str):
            output.notes.append(cut)
        else:
            suns.append((pasted(cut.picture, cut.clipped, told[i], base), told[i].sun))
    utc = [shots.utc(i) for i in range(len(shots))]
    base = without_own_sun(base, path_sun(solved, ground), told)
    return base, suns, insets_told(shots.file.tolist(), utc, told), shots.camera
