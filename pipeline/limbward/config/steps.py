"""Steps of an enhancement as the command line takes them."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel, ValidationError

from limbward import filters
from limbward.config.pictures import EnhanceConfig, StepConfig
from limbward.config.renamed import PARAMETERS
from limbward.errors import ConfigError


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
                f"--steps: a step needs the name of a filter, as in 'nrgf' or '{{filter: nrgf}}', "
                f"but this is {item!r}."
            )
        module = filters.load(item["filter"])
        try:
            module.Params.model_validate({k: v for k, v in item.items() if k != "filter"})
        except ValidationError as error:
            known = ", ".join(module.Params.model_fields)
            wrong = [_mistake(item["filter"], e, module.Params) for e in error.errors()]
            raise ConfigError(
                f"--steps: {' '.join(wrong)} The parameters of {item['filter']} are {known}."
            ) from None
        steps.append(StepConfig.model_validate(item))
    if not steps:
        raise ConfigError("Give at least one step, such as --steps nrgf.")
    return EnhanceConfig(name="enhanced", steps=steps)


def _mistake(name: str, error: Mapping[str, Any], model: type[BaseModel]) -> str:
    """Return what is wrong with a parameter, as a sentence."""
    # Only a mistake is worth the time that the reader of YAML takes to load.
    from limbward.config.loading import sentence
    from limbward.config.yaml_source import key_path

    key = key_path(tuple(error["loc"]))
    if error["type"] == "extra_forbidden" and f"{name}.{key}" not in PARAMETERS:
        return f"{name} has no parameter {key!r}."
    return f"{key} of {name} {sentence(error, model)}"


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
