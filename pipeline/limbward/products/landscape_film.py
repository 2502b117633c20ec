"""The film of the light that goes and comes back, of solved wide frames."""

from __future__ import annotations

from contextlib import ExitStack

from limbward.config import place_and_time
from limbward.landscape.said import film_said
from limbward.landscape.shadow_film import LEAST_FRAMES, ShadowFilm, film_frames, film_light
from limbward.landscape.solved import Solved
from limbward.products.landscape_pictures import edges_of
from limbward.products.shots import counted_off
from limbward.products.wide_output import Developer, Output
from limbward.render.writers import write_png
from limbward.sequences.film import ENCODERS, to_bytes, write_films

FILM = "sequences/shadow-film"


def write(output: Output, solved: Solved, developed: Developer) -> None:
    """Write the film if a tripod that stood still has enough unfiltered frames, else remove it."""
    config = output.config
    rows = film_frames(solved) if config.landscape.film else []
    if len(rows) < LEAST_FRAMES:
        output.drop("shadow-film")
        return
    options, side = config.film, config.landscape.film_px
    film = ShadowFilm(
        solved, rows, film_light(solved, rows), options.hold, options.between, config.site.name,
        lambda t: edges_of(config, solved, t),
    )  # fmt: skip
    words = f"The eclipse over the landscape, {len(rows)} frames of one tripod"
    caption = output.caption(words, solved.utc(rows[0]), solved.utc(rows[-1]))
    names: dict[str, str] = {kind: f"{FILM}.{kind}" for kind in options.formats or ENCODERS}
    with ExitStack() as stack, output.reporter.progress(len(rows), "frames of the film") as advance:
        paths = {k: stack.enter_context(output.workspace.writing(n)) for k, n in names.items()}
        frames = (
            (k, frame)
            for k in counted_off(rows, advance)
            if (frame := output.frame(developed(k, side))) is not None
        )
        pictures = (to_bytes(picture) for picture in film.pictures(frames))
        count = write_films(paths, pictures, options.rate, title=words)
    stills = f"{FILM}-stills.png"
    with output.workspace.writing(stills) as part:
        write_png(part, film.contact_sheet(), caption)
    files = [*names.values(), stills]
    output.files.extend(files)
    details = {"rate": options.rate, "pictures": count, "frames": film.entries}
    total = place_and_time.covered(config, place_and_time.eclipse(config)) is not None
    numbers = film.numbers(count, options.rate)
    output.tell(film_said([*names.values()], numbers, details, total=total), stills, files)
