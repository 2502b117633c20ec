"""Filters that bring out structure. Every module here with ``Params`` and ``apply`` is one."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import cache
from importlib import import_module
from pkgutil import iter_modules
from typing import Any, Protocol, cast

import numpy as np
from numpy.typing import NDArray

from limbward.errors import ConfigError
from limbward.geometry.disc import Geometry

Pixels = NDArray[np.float32]

# What a filter that uses noise knew of it.
BY_SIGMA = "(noise: the SIGMA of the picture)"
BY_GRAIN = "(noise: guessed from the finest detail, as there was no SIGMA)"


class Filter(Protocol):
    """What a filter's module offers.

    ``NORMALISES`` says whether the radial fall is taken out, so that the result is about 0 and has
    no unit. ``Params`` is a pydantic model that forbids unknown keys.
    ``apply(image, sigma, geometry, params)`` takes and returns float32 pictures (C, H, W), NaN
    where there is no value; ``sigma`` is the noise of the picture in the same shape, or None. A
    filter that uses it says so by ``TAKES_NOISE``.
    """

    NORMALISES: bool
    Params: type[Any]
    apply: Callable[..., Any]


@cache
def _filter(name: str) -> Filter | None:
    """Return the module of that name if it is a filter; the others are not imported."""
    if all(info.name != name for info in iter_modules(__path__)):
        return None
    module = import_module(f"{__name__}.{name}")
    return cast(Filter, module) if hasattr(module, "Params") and hasattr(module, "apply") else None


def names() -> list[str]:
    """Return the names of all filters, in alphabetical order."""
    return sorted(info.name for info in iter_modules(__path__) if _filter(info.name) is not None)


def load(name: str) -> Filter:
    """Return a filter by its name.

    Raises
    ------
    ConfigError
        If there is none of that name.
    """
    found = _filter(name)
    if found is None:
        raise ConfigError(f"There is no filter {name!r}; choose one of {', '.join(names())}.")
    return found


def apply_steps(
    image: Pixels,
    sigma: Pixels | None,
    geometry: Geometry,
    steps: Iterable[tuple[str, Mapping[str, Any]]],
) -> tuple[Pixels, list[str]]:
    """Apply filters one after the other.

    Parameters
    ----------
    image, sigma : ndarray of float32, shape (3, H, W)
    geometry : Geometry
    steps : iterable of (str, mapping)
        Names of filters with their parameters.

    Returns
    -------
    ndarray of float32, shape (3, H, W)
    list of str
        What was done, one line a step.

    Raises
    ------
    ConfigError
        If there is no filter of a name.
    """
    done = []
    for name, given in steps:
        module = load(name)
        params = module.Params.model_validate(given)
        image = module.apply(image, sigma, geometry, params)
        told = "" if not takes_noise([name]) else f" {BY_SIGMA if sigma is not None else BY_GRAIN}"
        sigma = None  # the noise of a filtered picture is not known
        done.append(f"{name} {params.model_dump_json()}{told}")
    return image, done


def takes_noise(steps: Iterable[str]) -> bool:
    """Return whether any of the filters uses the picture's noise."""
    return any(getattr(load(name), "TAKES_NOISE", False) for name in steps)


def normalise(steps: Iterable[str]) -> bool:
    """Return whether any of the filters takes the radial fall out."""
    return any(load(name).NORMALISES for name in steps)
