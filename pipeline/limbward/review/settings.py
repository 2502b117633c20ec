"""The picture's settings: from the config to the page, and what the page changes in it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from limbward.config import ComposeConfig, Config, EnhanceConfig
from limbward.config.edit import REMOVE, Changes
from limbward.config.loading import sentences_of
from limbward.config.pictures import VariantConfig
from limbward.config.yaml_source import Location, key_path, source_of
from limbward.errors import ConfigError
from limbward.review.session import Loaded

Model = TypeVar("Model", bound=BaseModel)

SECTIONS = ("compose", "enhance", "variants")


def settings_of(config: Config) -> dict[str, Any]:
    """Return what the page may change of the picture, as plain values."""
    dumped = config.model_dump(mode="json", include=set(SECTIONS))
    for recipe, shown in zip(config.enhance, dumped["enhance"], strict=True):
        shown["steps"] = [{"filter": s.filter, **s.params} for s in recipe.steps]
    for variant, kept in zip(config.variants, dumped["variants"], strict=True):
        kept["enhance"] = as_written(variant)["enhance"]
    return dumped


def with_settings(config: Config, given: Mapping[str, Any]) -> Config:
    """Return a config with other settings of the picture, which are in no file yet.

    Raises
    ------
    ConfigError
        With a sentence for each value that is not allowed.
    """
    update: dict[str, Any] = {}
    if "compose" in given:
        update["compose"] = _valid(ComposeConfig, given["compose"], "compose")
    if "enhance" in given:
        recipes = given["enhance"]
        if not isinstance(recipes, list) or not recipes:
            raise ConfigError("enhance: needs at least one item.")
        update["enhance"] = [
            _valid(EnhanceConfig, r, f"enhance[{i}]") for i, r in enumerate(recipes)
        ]
    changed = config.model_copy(update=update)
    names = [recipe.name for recipe in changed.enhance]
    if changed.compose.detail not in (None, *names):
        raise ConfigError(f"compose.detail: there is no enhancement {changed.compose.detail!r}.")
    return changed


def _valid(model: type[Model], given: Any, where: str) -> Model:
    try:
        made = model.model_validate(given)
    except ValidationError as error:
        told = [
            f"{where}.{key_path(location)}: {text}" if location else f"{where}: {text}"
            for location, text in sentences_of(error.errors(), model)
        ]
        raise ConfigError("\n".join(told)) from error
    return made


def changes_of(loaded: Loaded, given: Mapping[str, Any]) -> Changes:
    """Return what has to be changed in a config file for the picture to have these settings.

    Parameters
    ----------
    loaded : Loaded
    given : mapping
        ``compose``, ``enhance`` and ``variants``, or some of them, as `settings_of` has them.

    Raises
    ------
    ConfigError
        If a section is given that the page does not change.
    """
    unknown = set(given) - set(SECTIONS)
    if unknown:
        raise ConfigError(f"{', '.join(sorted(unknown))}: not set on this page.")
    written = source_of(loaded.text, "the config").value or {}
    now = settings_of(loaded.config)
    changes: dict[Location, Any] = {}
    if "enhance" in given and given["enhance"] != now["enhance"]:
        changes["enhance",] = _without_defaults(given["enhance"])
    compose = given.get("compose", now["compose"])
    if not isinstance(compose, Mapping):
        raise ConfigError("compose: should be a group of keys.")
    defaults = ComposeConfig().model_dump(mode="json")
    stated = written.get("compose") or {}
    for key, value in compose.items():
        if key in now["compose"] and value == now["compose"][key]:
            continue
        if value is None and defaults.get(key, 0) is None:
            if key in stated:
                changes["compose", key] = REMOVE
        else:
            changes["compose", key] = value
    if "variants" in given and given["variants"] != now["variants"]:
        variants = _variants(given["variants"])
        if variants != [as_written(variant) for variant in loaded.config.variants]:
            changes["variants",] = variants or REMOVE
    return changes


def _without_defaults(recipes: Any) -> Any:
    """Return enhancements without keys that say what is so anyway."""
    if not isinstance(recipes, list):
        return recipes
    return [
        {k: v for k, v in r.items() if (k, v) != ("colour", "restored")}
        if isinstance(r, Mapping)
        else r
        for r in recipes
    ]


def _variants(given: Any) -> list[dict[str, Any]]:
    """Return variants as they are written: of compose only what is not the default."""
    if not isinstance(given, Sequence) or isinstance(given, str):
        raise ConfigError("variants: should be a list.")
    return [as_written(_valid(VariantConfig, v, f"variants[{i}]")) for i, v in enumerate(given)]


def as_written(variant: VariantConfig) -> dict[str, Any]:
    """Return a variant as it stands in a config."""
    compose = variant.compose.model_dump(mode="json", exclude_defaults=True)
    whole: dict[str, Any] = {"name": variant.name}
    if compose:
        whole["compose"] = compose
    recipes = [recipe.model_dump(mode="json") for recipe in variant.enhance]
    for recipe, shown in zip(variant.enhance, recipes, strict=True):
        shown["steps"] = [{"filter": step.filter, **step.params} for step in recipe.steps]
    whole["enhance"] = _without_defaults(recipes)
    return whole
