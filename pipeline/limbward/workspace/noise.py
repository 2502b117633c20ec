"""noise.json: the noise of the merged camera, and the sky that was taken off."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, fields

import numpy as np

from limbward.radiance.noise import MeasuredNoise, NoiseRecord
from limbward.workspace.folder import Workspace
from limbward.workspace.stored import damaged

TINY = 1e-30  # of an ISO and of a gain, which are not zero


def write_noise(
    workspace: Workspace,
    record: NoiseRecord | Sequence[NoiseRecord],
    sky: list[float] | None = None,
) -> None:
    """Write noise.json.

    Parameters
    ----------
    workspace : Workspace
    record : NoiseRecord or sequence of NoiseRecord
        Of several bodies in one merge, the first is told as that of one body is, and the others
        under ``others``.
    sky : list of float, optional
        That was taken off the merge of several.
    """
    if isinstance(record, NoiseRecord):
        workspace.write_json(Workspace.noise, asdict(record))
        return
    first, *others = (asdict(r) for r in record)
    workspace.write_json(Workspace.noise, {**first, "sky": sky, "others": others})


def read_noise(workspace: Workspace) -> NoiseRecord | None:
    """Return what noise.json holds, None if there is none.

    Raises
    ------
    LimbwardError
        If it is damaged.
    """
    path = workspace.path(Workspace.noise)
    if not path.exists():
        return None
    told = workspace.read_json(Workspace.noise)
    names = [f.name for f in fields(MeasuredNoise)]
    try:
        models = [
            MeasuredNoise(**{name: model[name] for name in names}) for model in told["models"]
        ]
        record = NoiseRecord(
            str(told["camera"]),
            str(told["serial"]),
            models,
            told["sky"],
            told.get("ghost"),
            told.get("cloud"),
        )
        for model in models:
            for name in ("iso", "gain_electrons_per_adu", "read_noise_adu"):
                value = getattr(model, name)
                least = 0.0 if name == "read_noise_adu" else TINY
                if isinstance(value, bool) or not least <= value < np.inf:
                    raise damaged(path, f"{name} is {value!r}", "merge")
    except (LookupError, TypeError) as error:
        raise damaged(path, f"{type(error).__name__}: {error}", "merge") from error
    return record
