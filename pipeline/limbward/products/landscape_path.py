"""The picture of the Sun's path over the landscape, of solved wide frames."""

from __future__ import annotations

from limbward.errors import ConfigError
from limbward.landscape.annotate import toned, white_level
from limbward.landscape.path import (
    LEAST_SUNS,
    PathPlan,
    path_sun,
    plan_path,
    stands_elsewhere,
    sun_path,
)
from limbward.landscape.said import composite_said, path_said
from limbward.landscape.session import GONE
from limbward.landscape.solved import Solved
from limbward.landscape.told import suns_told
from limbward.products.landscape_insets import inset_suns
from limbward.products.wide_output import Developer, Output


def write(output: Output, solved: Solved, developed: Developer) -> None:
    """Write the picture if a tripod that stood still has enough filtered Suns, else remove it.

    With Suns of a telescope set in, one frame of the landscape is enough.
    """
    options = output.config.landscape
    plan, times = plan_path(solved, 60.0 * options.step_minutes), options.magnification
    enough = times is not None or len(plan.suns) >= LEAST_SUNS
    ground = _ground(output, solved, plan) if enough else None
    base = None if ground is None else output.frame(developed(ground))
    if ground is None or base is None:
        output.drop("sun-path")
        return
    place = solved.file[ground]
    if not solved.frames[ground].seen.dark and solved.share[ground] > GONE:
        output.notes.append(
            f"The foreground {place} has the uncovered Sun's own glare in it; "
            "name another as landscape.foreground in the config."
        )
    if times is None:
        total = [] if plan.total is None or plan.total == ground else [plan.total]
        suns = [
            (frame, path_sun(solved, k, total=k == plan.total))
            for k in (*plan.suns, *total)
            if (frame := output.frame(developed(k))) is not None
        ]
        said = path_said(place, suns_told(solved, plan.suns))
    else:
        base, suns, told, camera = inset_suns(output, solved, ground, base, times)
        said = composite_said(place, told, camera, times)
    white = white_level(base.picture)
    picture = toned(sun_path(base, suns, white), white)
    caption = output.caption(said.caption, said.numbers["from"], said.numbers["to"])
    names = output.picture(picture, said.name, caption, "tif")
    output.tell(said, names[0], names)


def _ground(output: Output, solved: Solved, plan: PathPlan) -> int | None:
    """Return the frame whose landscape is taken; None if there is no frame to take."""
    name = output.config.landscape.foreground
    if name is not None:
        named = output.named(solved, "foreground", name)
        if stands_elsewhere(solved, named):
            raise ConfigError(
                f"{output.config.where('landscape', 'foreground')}: the tripod stood elsewhere in "
                f"{solved.file[named]} than in most frames with the Sun; choose one of those."
            )
        return named
    if plan.ground is None and plan.suns:
        output.notes.append(
            "All frames of the tripod are dark, so the Sun's path has no landscape; take one frame "
            "without a filter in totality."
        )
        return plan.suns[0]
    return plan.ground
