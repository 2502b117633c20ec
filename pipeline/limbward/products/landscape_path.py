"""The picture of the Sun's path over the landscape, of solved wide frames."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from astropy.time import TimeDelta
from numpy.typing import NDArray

from limbward.config import Config
from limbward.errors import ConfigError
from limbward.landscape.annotate import toned, white_level
from limbward.landscape.crescent import light_left
from limbward.landscape.develop import Developed
from limbward.landscape.path import PathSun, even_steps, sun_path
from limbward.landscape.session import GONE
from limbward.products.wide_frames import WideFrames, named_frame
from limbward.render.writers import Caption, write_png, write_tiff
from limbward.sky.circumstances import iso_utc
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.product import Product, artefact, write_product

NAME = "sun-path"
LEAST_SUNS = 3


def write(
    config: Config, workspace: Workspace, reporter: Reporter, wide: WideFrames,
    developed: Callable[[int], Developed | str], files: list[str], notes: list[str],
) -> None:  # fmt: skip
    """Write the picture if a tripod that stood still has enough filtered Suns, else remove it."""
    t = wide.since_s()
    stand = _stand(wide)
    mine = (wide.session.stand == stand) & np.isfinite(t)
    filtered = mine & np.array([f.seen.dark and f.seen.sun is not None for f in wide.frames])
    share = light_left(wide.heavens, np.clip(np.nan_to_num(t), wide.heavens.first_s,
                                             wide.heavens.last_s)).share  # fmt: skip
    radius = float(wide.heavens.radii_deg(np.array(0.0))[0])
    suns = even_steps(
        t, filtered & (share > GONE), 60.0 * config.landscape.step_minutes,
        _drift(wide), 2.0 * radius,
    )  # fmt: skip
    if len(suns) < LEAST_SUNS:
        workspace.remove(artefact(NAME))
        return
    total = _totality(wide, mine & (share <= GONE))
    ground = _foreground(config, wide, mine, total)
    if ground is None:
        notes.append(
            "All frames of the tripod are dark, so the Sun's path has no landscape; take one frame "
            "without a filter in totality."
        )
        ground = suns[0]
    base = developed(ground)
    if isinstance(base, str):
        notes.append(base)
        return
    if not wide.frames[ground].seen.dark and share[ground] > GONE:
        notes.append(
            f"The foreground {wide.file[ground]} has the uncovered Sun's own glare in it; "
            "landscape.foreground names another."
        )
    others = [*suns, *([total] if total is not None and total != ground else [])]
    made: list[tuple[Developed, PathSun]] = []
    for k in others:
        frame = developed(k)
        if isinstance(frame, str):
            notes.append(frame)
            continue
        made.append((frame, _sun(wide, k, total=k == total)))
    white = white_level(base.picture)
    linear = sun_path(base, made, white)
    _save(config, workspace, reporter, wide, suns, ground, toned(linear, white), files)


def _stand(wide: WideFrames) -> int:
    known = wide.session.stand[wide.session.stand >= 0]
    return int(np.bincount(known).argmax()) if known.size else 0


def _drift(wide: WideFrames) -> float:
    """Return how fast the Sun moves over the sky at the site, degrees a second."""
    a, b = (wide.heavens.vector_of(0, np.array(s)) for s in (-30.0, 30.0))
    return float(np.degrees(np.linalg.norm(b - a))) / 60.0


def _totality(wide: WideFrames, covered: NDArray[np.bool_]) -> int | None:
    """Return the frame of totality that shows most without being overexposed around the Sun."""
    rows = [k for k in np.flatnonzero(covered) if wide.frames[k].seen.sun is not None]
    if not rows:
        return None
    return int(max(rows, key=lambda k: -abs(wide.frames[k].seen.level / wide.frames[k].seen.white
                                            - 0.1)))  # fmt: skip


def _foreground(
    config: Config, wide: WideFrames, mine: NDArray[np.bool_], total: int | None
) -> int | None:
    if config.landscape.foreground is not None:
        named = named_frame(config, wide, "foreground", config.landscape.foreground)
        if not mine[named]:
            raise ConfigError(
                f"{config.where('landscape', 'foreground')}: the tripod stood elsewhere in "
                f"{wide.file[named]} than in most frames with the Sun; choose one of those."
            )
        return named
    if total is not None and not wide.frames[total].seen.dark:
        return total
    lit = [k for k in np.flatnonzero(mine) if not wide.frames[k].seen.dark]
    return int(max(lit, key=lambda k: wide.frames[k].seen.level)) if lit else None


def _sun(wide: WideFrames, k: int, *, total: bool) -> PathSun:
    t = np.array(wide.since_s()[k])
    vector, camera = wide.heavens.vector_of(0, t), wide.session.camera(k)
    x, y = camera.to_pixels(vector)
    radius = float(wide.heavens.radii_deg(t)[0]) / camera.scale_deg(vector)
    return PathSun(float(x), float(y), radius, total)


def _save(
    config: Config, workspace: Workspace, reporter: Reporter, wide: WideFrames, suns: list[int],
    ground: int, picture: NDArray[np.uint8], files: list[str],
) -> None:  # fmt: skip
    times = [
        iso_utc(wide.heavens.epoch + TimeDelta(float(wide.since_s()[k]), format="sec"))
        for k in suns
    ]
    caption = Caption(
        f"The Sun's path, {len(suns)} frames of one tripod over the landscape of "
        f"{wide.file[ground]}",
        config.report.title, config.report.author, config.site.name, times[0], times[-1],
    )  # fmt: skip
    shown = np.moveaxis(picture, -1, 0).astype(np.float32) / np.float32(255.0)
    names = [f"sequences/{NAME}.png", f"sequences/{NAME}.tif"]
    for name, writer in zip(names, (write_png, write_tiff), strict=True):
        with workspace.writing(name) as part:
            writer(part, shown, caption)
    product = Product(
        name=NAME,
        title="The Sun's path",
        caption=f"Each Sun stands where it stood in its own frame, at its true size; the landscape "
        f"is that of {wide.file[ground]}. A picture of several exposures.",
        alt="A row of crescents over a landscape, with the eclipsed Sun in its middle",
        picture=names[0],
        numbers={"Suns": str(len(suns)), "from": times[0], "to": times[-1]},
        files=[*names, artefact(NAME)],
        details={
            "foreground": wide.file[ground],
            "suns": [
                {"file": wide.file[k], "utc": when, "x": round(s.x, 2), "y": round(s.y, 2),
                 "radius": round(s.radius, 2)}
                for k, when in zip(suns, times, strict=True)
                for s in (_sun(wide, k, total=False),)
            ],
        },
    )  # fmt: skip
    write_product(workspace, reporter, product)
    files += names
