"""The picture of the Sun's path over the landscape, of solved wide frames."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.config import Config
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
from limbward.landscape.session import GONE
from limbward.landscape.solved import Solved
from limbward.landscape.told import suns_told
from limbward.products.wide_frames import Developer, Made, as_pixels, named_frame
from limbward.render.writers import Caption, write_png, write_tiff
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.product import Product, artefact, write_product

NAME = "sun-path"


def write(
    config: Config, workspace: Workspace, reporter: Reporter, solved: Solved,
    developed: Developer, made: Made,
) -> None:  # fmt: skip
    """Write the picture if a tripod that stood still has enough filtered Suns, else remove it."""
    plan = plan_path(solved, 60.0 * config.landscape.step_minutes)
    if len(plan.suns) < LEAST_SUNS:
        workspace.remove(artefact(NAME))
        return
    ground = _ground(config, solved, plan, made)
    base = made.picture(developed(ground))
    if base is None:
        return
    if not solved.frames[ground].seen.dark and solved.share[ground] > GONE:
        made.notes.append(
            f"The foreground {solved.file[ground]} has the uncovered Sun's own glare in it; "
            "landscape.foreground names another."
        )
    total = [] if plan.total is None or plan.total == ground else [plan.total]
    suns = [
        (frame, path_sun(solved, k, total=k == plan.total))
        for k in (*plan.suns, *total)
        if (frame := made.picture(developed(k))) is not None
    ]
    white = white_level(base.picture)
    picture = toned(sun_path(base, suns, white), white)
    _save(config, workspace, reporter, solved, plan, ground, picture, made)


def _ground(config: Config, solved: Solved, plan: PathPlan, made: Made) -> int:
    """Return the frame whose landscape is taken."""
    if config.landscape.foreground is not None:
        named = named_frame(config, solved, "foreground", config.landscape.foreground)
        if stands_elsewhere(solved, named):
            raise ConfigError(
                f"{config.where('landscape', 'foreground')}: the tripod stood elsewhere in "
                f"{solved.file[named]} than in most frames with the Sun; choose one of those."
            )
        return named
    if plan.ground is not None:
        return plan.ground
    made.notes.append(
        "All frames of the tripod are dark, so the Sun's path has no landscape; take one frame "
        "without a filter in totality."
    )
    return plan.suns[0]


def _save(
    config: Config, workspace: Workspace, reporter: Reporter, solved: Solved, plan: PathPlan,
    ground: int, picture: NDArray[np.uint8], made: Made,
) -> None:  # fmt: skip
    first, last = solved.utc(plan.suns[0]), solved.utc(plan.suns[-1])
    count, place = len(plan.suns), solved.file[ground]
    caption = Caption(
        f"The Sun's path, {count} frames of one tripod over the landscape of {place}",
        config.report.title, config.report.author, config.site.name, first, last,
    )  # fmt: skip
    names = [f"sequences/{NAME}.png", f"sequences/{NAME}.tif"]
    for name, writer in zip(names, (write_png, write_tiff), strict=True):
        with workspace.writing(name) as part:
            writer(part, as_pixels(picture), caption)
    product = Product(
        name=NAME,
        title="The Sun's path",
        caption=f"Each Sun stands where it stood in its own frame, at its true size; the landscape "
        f"is that of {place}. A picture of several exposures.",
        alt="A row of crescents over a landscape, with the eclipsed Sun in its middle",
        picture=names[0],
        numbers={"Suns": str(count), "from": first, "to": last},
        files=[*names, artefact(NAME)],
        details={"foreground": place, "suns": suns_told(solved, plan.suns)},
    )
    write_product(workspace, reporter, product)
    made.files.extend(names)
