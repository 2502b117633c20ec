"""One enhancement of a merge made earlier, outside a run: for trying filters and parameters."""

from __future__ import annotations

from pathlib import Path

from limbward import filters
from limbward.config.steps import parse_steps
from limbward.errors import LimbwardError
from limbward.geometry.merged import check_merge, geometry_of
from limbward.radiance.binned import read_small
from limbward.radiance.depth import GREEN, hide_shallow
from limbward.radiance.fits import read_picture
from limbward.radiance.sky import put_sky_back
from limbward.render.filtered import LONGEST_PX, colours_of, picture_of, write_filtered
from limbward.work.reporting import Reporter, SilentReporter
from limbward.workspace.outside import writing_to

PREVIEW = 4  # a preview's pixels are as many times larger


def enhance_image(
    image: Path,
    steps: list[str],
    *,
    preview: bool,
    output: Path | None,
    with_sky: bool = False,
    reporter: Reporter | None = None,
) -> list[Path]:
    """Filter a merge and write the result.

    Parameters
    ----------
    image : Path
        A merge as the pipeline writes it.
    steps : list of str
        As `parse_steps` takes them.
    preview : bool
        Whether to work at a quarter of the size and write a PNG only.
    output : Path, optional
        ``.png``, ``.tif`` or ``.fits`` writes that alone, another name is that of all three. A file
        there that is not known to be an earlier result is kept under another name.
    with_sky : bool
        Whether the sky that the merge took off is put back first.
    reporter : Reporter, optional
        Told of files that are kept.

    Returns
    -------
    list of Path
        What was written.

    Raises
    ------
    ConfigError
        If a step is not understood.
    LimbwardError
        If the image cannot be read or is no merge, or the output would replace it.
    """
    reporter = reporter or SilentReporter()
    recipe = parse_steps(steps)
    if preview:
        picture, sigma, header = read_small(image, PREVIEW, noise=True)
    else:
        picture, header, more = read_picture(image, ["SIGMA"])
        check_merge(image, header, picture.shape)
        sigma = more.get("SIGMA")
    if sigma is not None and sigma.shape != picture.shape:
        raise LimbwardError(
            f"{image} is damaged: its noise (SIGMA) differs in size from the image."
        )
    if with_sky and not put_sky_back(picture, header):
        reporter.note(f"{image} still has its sky: none was subtracted.")
    geometry = geometry_of(header)
    hide_shallow(picture, None if sigma is None else sigma[GREEN], geometry.sun)
    steps_of = [(step.filter, step.params) for step in recipe.steps]
    result, done = filters.apply_steps(picture, sigma, geometry, steps_of)
    # Colours of a preview: of half its size again, as those of a whole picture.
    longest = max(picture.shape[1:]) // 2 if preview else LONGEST_PX
    colours = colours_of(
        picture, None if sigma is None else sigma[GREEN], header, geometry, longest
    )
    del picture, sigma
    kinds = (".png",) if preview else (".fits", ".tif", ".png")
    base = output or image.with_name(f"{image.stem}-{'preview' if preview else 'enhanced'}")
    if base.suffix.lower() in (".png", ".tif", ".tiff", ".fits"):
        kinds, base = (base.suffix.lower(),), base.with_suffix("")
        if output is not None:
            base = output.with_suffix("")
    paths = [base.with_name(base.name + kind) for kind in kinds]
    for path in paths:
        if path.exists() and path.samefile(image):
            raise LimbwardError(f"{path} is the input image itself; give --output another name.")
    shown = picture_of(
        result, colours, header, geometry, normalised=filters.normalise(s for s, _ in steps_of)
    )
    for path in paths:
        with writing_to(path, reporter.warn) as part:
            write_filtered(part, path.suffix, result, shown, header, done, ", ".join(done))
    return paths
