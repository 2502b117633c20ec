"""Filters that bring out structure. Every module here with ``Params`` and ``apply`` is one."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from importlib import import_module
from pkgutil import iter_modules
from typing import Any, Protocol, cast

from limbward.errors import ConfigError


class Filter(Protocol):
    """What a filter's module offers.

    ``Params`` is a pydantic model that forbids unknown keys. ``apply(image, sigma, geometry,
    params)`` takes and returns float32 pictures (C, H, W), NaN where there is no value; ``sigma``
    is the noise of the picture in the same shape, or None.
    """

    Params: type[Any]
    apply: Callable[..., Any]


@cache
def _filters() -> dict[str, Filter]:
    found = {}
    for info in iter_modules(__path__):
        module = import_module(f"{__name__}.{info.name}")
        if hasattr(module, "Params") and hasattr(module, "apply"):
            found[info.name] = cast(Filter, module)
    return found


def names() -> list[str]:
    """Return the names of all filters, in alphabetical order."""
    return sorted(_filters())


def load(name: str) -> Filter:
    """Return a filter by its name.

    Raises
    ------
    ConfigError
        If there is none of that name.
    """
    try:
        return _filters()[name]
    except KeyError:
        raise ConfigError(f"There is no filter {name!r}; there are {', '.join(names())}.") from None
