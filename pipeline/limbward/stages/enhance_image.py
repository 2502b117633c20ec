"""One enhancement of a merge made earlier, outside a run: for trying filters and parameters."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray
from pydantic import ValidationError

from limbward import filters
from limbward.compiled import kernel
from limbward.config import EnhanceConfig, StepConfig
from limbward.errors import ConfigError, LimbwardError
from limbward.radiance.fits import open_picture, read_picture, write_picture
from limbward.render.writers import write_png, write_tiff
from limbward.stages.enhance import check_merge, enhance, geometry_of
from limbward.stages.shown import LONGEST_PX, colours_of, picture_of
from limbward.work.reporting import Reporter, SilentReporter
from limbward.workspace import Workspace, atomic_path, owner_of, set_aside

Pixels = NDArray[np.float32]

PREVIEW = 4  # a preview's pixels are as many times larger
BAND = 64  # rows of the result for which the picture is read at a time: 6 MB, which stay in cache


def parse_steps(texts: list[str]) -> EnhanceConfig:
    """Return an enhancement from the words of the command line.

    Parameters
    ----------
    texts : list of str
        One a step: ``nrgf``, ``fnrgf:order=6,attenuation=0.1``; or a single list as in the config,
        ``[{filter: fnrgf, order: 6}]``, in YAML or JSON.

    Raises
    ------
    ConfigError
        If a step is not understood, with what is wrong and what there is.
    """
    raw: list[Any] = []
    for text in texts:
        if text.lstrip().startswith(("[", "{")):
            parsed = _read_yaml(text)
            raw += parsed if isinstance(parsed, list) else [parsed]
        else:
            raw.append(_read_short(text))
    steps = []
    for item in raw:
        if not isinstance(item, dict) or not isinstance(item.get("filter"), str):
            raise ConfigError(
                f"A step needs the name of a filter, as in 'nrgf' or '{{filter: nrgf}}'; this is "
                f"{item!r}."
            )
        module = filters.load(item["filter"])
        try:
            module.Params.model_validate({k: v for k, v in item.items() if k != "filter"})
        except ValidationError as error:
            known = ", ".join(module.Params.model_fields)
            wrong = "; ".join(
                f"{'.'.join(str(p) for p in e['loc'])}: {e['msg'].lower()}" for e in error.errors()
            )
            raise ConfigError(
                f"--steps {item['filter']}: {wrong}. Its parameters are {known}."
            ) from None
        steps.append(StepConfig.model_validate(item))
    if not steps:
        raise ConfigError("Give at least one step, such as --steps nrgf.")
    return EnhanceConfig(name="enhanced", steps=steps)


def _read_short(text: str) -> dict[str, Any]:
    name, _, rest = text.partition(":")
    out: dict[str, Any] = {"filter": name.strip()}
    for pair in filter(None, (p.strip() for p in _split(rest))):
        key, equals, value = pair.partition("=")
        if not equals:
            raise ConfigError(f"--steps {text}: {pair!r} should be key=value.")
        out[key.strip()] = _read_yaml(value)
    return out


def _split(text: str) -> list[str]:
    """Split at the commas that are not inside brackets."""
    parts, depth = [""], 0
    for character in text:
        depth += (character in "[{") - (character in "]}")
        if character == "," and depth == 0:
            parts.append("")
        else:
            parts[-1] += character
    return parts


def _read_yaml(text: str) -> Any:
    try:
        return json.loads(text)  # the quick way: numbers, true, null, JSON lists
    except ValueError:
        pass
    from ruamel.yaml import YAML
    from ruamel.yaml.error import YAMLError

    try:
        return YAML(typ="safe", pure=True).load(text)
    except YAMLError as error:
        raise ConfigError(f"--steps: {text!r} is neither YAML nor JSON.") from error


def _bin_mean(image: NDArray[Any], factor: int, square: bool, out: Pixels) -> None:
    for row in range(out.shape[0]):
        for column in range(out.shape[1]):
            total = 0.0
            for y in range(row * factor, (row + 1) * factor):
                for x in range(column * factor, (column + 1) * factor):
                    v = image[y, x]
                    total += v * v if square else v
            n = float(factor * factor)
            out[row, column] = np.float32(np.sqrt(total) / n if square else total / n)


bin_mean = kernel(_bin_mean)


def read_small(
    path: str | Path, factor: int = PREVIEW, *, noise: bool = False
) -> tuple[Pixels, Pixels | None, Header]:
    """Return a merge, binned while it is read, with a header that fits it.

    Parameters
    ----------
    path : path
    factor : int
    noise : bool
        Whether SIGMA is wanted.

    Returns
    -------
    image : ndarray of float32, shape (3, h, w)
        NaN where one of the pixels is.
    sigma : ndarray of float32 or None
        Of the binned pixels, taking errors as independent.
    header : Header
    """
    with open_picture(path, ["SIGMA"] if noise else []) as hdus:
        header = hdus[0].header.copy()
        check_merge(path, header, hdus[0].shape)
        image = _binned(hdus[0], factor, square=False)
        sigma = None
        if noise and "SIGMA" in hdus:
            sigma = _binned(hdus["SIGMA"], factor, square=True)
    rows, columns = image.shape[1:]
    # Rows left over are those at the bottom in memory, which are the first in the file.
    lost = int(header["NAXIS2"]) - rows * factor
    header["NAXIS1"], header["NAXIS2"] = columns, rows
    for key in ("CRPIX1", "MOONX"):
        if key in header:
            header[key] = (float(header[key]) - 0.5) / factor + 0.5
    for key in ("CRPIX2", "MOONY"):
        if key in header:
            header[key] = (float(header[key]) - lost - 0.5) / factor + 0.5
    if "MOONR" in header:
        header["MOONR"] = float(header["MOONR"]) / factor
    for key in ("CDELT1", "CDELT2"):
        if key in header:
            header[key] = float(header[key]) * factor
    return image, sigma, header


def _binned(hdu: Any, factor: int, *, square: bool) -> Pixels:
    if len(hdu.shape) != 3:
        raise LimbwardError("There is no picture of three colours in the file.")
    planes, height, width = hdu.shape
    out = np.empty((planes, height // factor, width // factor), np.float32)
    for plane in range(planes):
        for top in range(0, out.shape[1], BAND):
            into = out[plane, top : top + BAND]
            # The file's numbers are big-endian and its rows from the bottom.
            rows = slice(height - (top + len(into)) * factor, height - top * factor)
            band = np.asarray(hdu.section[plane, rows], np.float32)[::-1]
            bin_mean(band, factor, square, into)
    return out


def enhance_image(
    image: Path,
    steps: list[str],
    *,
    preview: bool,
    output: Path | None,
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
        noise = any(step.filter == "multiscale" for step in recipe.steps)
        picture, sigma, header = read_small(image, noise=noise)
    else:
        picture, header, more = read_picture(image, ["SIGMA"])
        check_merge(image, header, picture.shape)
        sigma = more.get("SIGMA")
    if sigma is not None and sigma.shape != picture.shape:
        raise LimbwardError(f"{image} is damaged: its noise (SIGMA) has another size.")
    geometry = geometry_of(header)
    result, done = enhance(picture, sigma, geometry, recipe)
    # Colours of a preview: of half its size again, as those of a whole picture.
    longest = max(picture.shape[1:]) // 2 if preview else LONGEST_PX
    colours = colours_of(picture, None if sigma is None else sigma[1], header, geometry, longest)
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
            raise LimbwardError(f"{path} is the image itself; give --output another name.")
    shown = picture_of(result, recipe, colours, header, geometry)
    _write(reporter, paths, result, header, done, shown)
    return paths


@contextmanager
def _writing(path: Path, reporter: Reporter) -> Iterator[Path]:
    """Yield a path to write to; what is there is kept unless a workspace's list shows it ours."""
    root = owner_of(path)
    if root is not None:
        workspace = Workspace(root)
        name = Path(os.path.realpath(path.parent), path.name).relative_to(root).as_posix()
        workspace.take_kept()
        with workspace.writing(name) as part:
            yield part
        for kept in workspace.take_kept():
            reporter.warn(kept)
        return

    def settle(_: Path) -> None:
        if os.path.lexists(path):
            reporter.warn(f"{path} was there before; it is kept as {set_aside(path).name}.")

    with atomic_path(path, settle) as part:
        yield part


def _write(
    reporter: Reporter,
    paths: list[Path],
    result: Pixels,
    header: Header,
    done: list[str],
    shown: Pixels,
) -> None:
    text = ", ".join(done)
    for path in paths:
        with _writing(path, reporter) as part:
            if path.suffix == ".fits":
                own = header.copy()
                own["BUNIT"] = ""
                write_picture(part, result, own, history=[f"Filtered: {line}" for line in done])
            elif path.suffix == ".png":
                write_png(part, shown, text)
            else:
                write_tiff(part, shown, text)
