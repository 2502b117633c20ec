"""`limbward film`: the whole card as a time-lapse, registered on the Sun and evenly exposed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack
from functools import partial

import numpy as np
from numpy.typing import NDArray

from limbward.config import Config, place_and_time
from limbward.errors import LimbwardError
from limbward.products.film_time import NO_TOTALITY, real_part, sound_of
from limbward.products.shots import caption_of, counted_off, cuts, read_shots
from limbward.radiance.scratch import room_on_disk
from limbward.render.writers import Caption, place_text, write_png
from limbward.sequences.cut import View
from limbward.sequences.film import usual_formats, write_films
from limbward.sequences.frame_edge import cut_off
from limbward.sequences.shots import UP_WORDS, Shots
from limbward.sequences.timelapse import (
    Film,
    Look,
    choose,
    film_scale,
    film_size,
)
from limbward.sequences.usual import learn, some_to_learn_from, views_to_learn_in
from limbward.work.memory import give_back
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.product import Product, artefact, write_product

Picture = NDArray[np.uint8]

PHASES = ("partial", "contact", "totality")
STILLS = "sequences/film-stills.png"


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Write the film in the formats asked for.

    Raises
    ------
    LimbwardError
        If there are fewer than two frames to make it of.
    """
    options = config.film
    total = place_and_time.covered(config, place_and_time.eclipse(config)) is not None
    # Where the eclipse is not total, what looks like totality is a crescent too thin to measure.
    every = read_shots(config, workspace, PHASES if total else ("partial",), options.camera, "film")
    shots = every.take(choose(every, options.totality_exposure_s)) if len(every) else every
    if len(shots) < 2:
        raise LimbwardError(
            f"A film needs at least two frames in which the Sun's place is known; there are "
            f"{len(shots)}."
        )
    size = film_size(options.shape, options.size_px)
    scale = film_scale(shots, options.field_radii, min(size))
    views = shots.views(max(size), scale, options.up)
    film = film_of(config, shots, views)
    words = f"Solar eclipse of {config.eclipse.isoformat()}, time-lapse, {UP_WORDS[options.up]}"
    caption = caption_of(config, shots, words)
    formats = options.formats or usual_formats(size)
    names: dict[str, str] = {kind: f"sequences/film.{kind}" for kind in formats}
    count = _write(config, workspace, reporter, film, names, caption)
    write_product(workspace, reporter, _product(config, film, names, count))


def film_of(config: Config, shots: Shots, views: Sequence[View]) -> Film:
    """Return the film of some frames, after a look at a few for what is usual in them."""
    options = config.film
    some = some_to_learn_from(shots)
    part = shots.take(some)
    part_views = views_to_learn_in(part, [views[k] for k in some])
    usual = learn(part, part_views, cuts(config, part, part.sun[:, :2], part_views))
    real = real_part(config, shots)
    look = Look(
        film_size(options.shape, options.size_px),
        options.hold,
        options.between,
        options.dissolve,
        options.time,
        options.deflicker,
        None if options.speed is None else options.rate / options.speed,
        None if real is None else (*real, options.rate),
        options.average,
    )
    folder = config.resolve(config.workspace)
    return Film(shots, views, look, usual, room=partial(room_on_disk, folder=folder))


def giving_back(pictures: Iterable[Picture]) -> Iterator[Picture]:
    """Pass pictures on; what making each has left behind, 30 MB, is the encoders' meanwhile."""
    for picture in pictures:
        give_back()
        yield picture
        del picture


def _write(
    config: Config,
    workspace: Workspace,
    reporter: Reporter,
    film: Film,
    names: dict[str, str],
    caption: Caption,
) -> int:
    """Write a film in its formats, and its stills; return how many pictures it has."""
    shots = film.shots
    with ExitStack() as stack, reporter.progress(len(shots), "frames of the film") as advance:
        paths = {k: stack.enter_context(workspace.writing(n)) for k, n in names.items()}
        made = counted_off(cuts(config, shots, shots.sun[:, :2], film.views), advance)
        rate = config.film.rate
        pictures = film.titled(
            _card(config), round(config.film.title_s * rate), giving_back(film.pictures(made))
        )
        sound, silent = sound_of(config, workspace, film)
        count = write_films(paths, pictures, rate, title=caption.description, sound=sound)
        film.notes += [silent] if silent else []
        cut = int(cut_off(shots).sum())
        if cut:
            film.notes.append(
                f"In {cut} of the film's {len(shots)} photographs the edge of the frame cuts the "
                "Sun's disc; there the picture fades to black."
            )
        if config.film.real_time_s is not None and film.look.real is None:
            film.notes.append(NO_TOTALITY)
        if not film.entries:
            raise LimbwardError("No frame of the film could be decoded: " + " ".join(film.notes))
    with workspace.writing(STILLS) as part:
        write_png(part, film.contact_sheet(), caption)
    return count


def _card(config: Config) -> list[str]:
    """Return the lines of the title card."""
    site = config.site
    title = config.report.title or f"Solar eclipse of {config.eclipse.isoformat()}"
    words = [title, place_text(site.name, site.latitude, site.longitude)]
    return [*words, config.report.author] if config.report.author else words


def _product(config: Config, film: Film, names: dict[str, str], count: int) -> Product:
    options, files = config.film, list(names.values())
    return Product(
        name="film",
        title="Time-lapse",
        caption=f"Stills from the film; the film itself is beside this report: "
        f"{', '.join(n.rsplit('/', 1)[1] for n in files)}. Registered on the Sun, "
        f"{UP_WORDS[options.up]}.",
        alt="Stills from the film, in order of time",
        picture=STILLS,
        numbers=film.numbers(count, options.rate),
        warnings=film.notes,
        files=[*files, artefact("film")],
        details={"files": files, **film.details(count, options.rate, options.up)},
    )
