"""What of a film is in real time, and the sound of a clip that belongs to it."""

from __future__ import annotations

from typing import Any

import numpy as np
from astropy.time import Time

from limbward.config import Config, place_and_time
from limbward.sequences.shots import Shots
from limbward.sequences.sound import Sound, has_sound, stretch
from limbward.sequences.timelapse import Film
from limbward.workspace import Workspace
from limbward.workspace.product import artefact

NO_TOTALITY = (
    "film.real_time_s has no effect: at this site the eclipse has neither second nor third contact."
)


def real_part(config: Config, shots: Shots) -> tuple[float, float] | None:
    """Return between which instants the film is in real time, seconds from the frames' epoch."""
    if config.film.speed == 1.0:
        return float(shots.middle_s[0]), float(shots.middle_s[-1])
    margin = config.film.real_time_s
    if margin is None:
        return None
    limb = place_and_time.moon_limb(config, place_and_time.eclipse(config))
    if limb is None:
        return None
    second, third = (float((t - shots.epoch).to_value("s")) for t in limb.central)
    return second - margin, third + margin


def sound_of(config: Config, workspace: Workspace, film: Film) -> tuple[Sound | None, str]:
    """Return the sound that the config asks for; if there is none, the sentence that says why.

    Parameters
    ----------
    config : Config
    workspace : Workspace
    film : Film
        Whose look says what of it is in real time.
    """
    wanted = config.film.sound
    if wanted is None:
        return None, ""
    path, key = config.resolve(wanted), config.where("film", "sound")
    silent = "The film has no sound."
    if film.look.real is None:
        return None, (
            f"{key}: no part of the film is in real time: set film.real_time_s, or film.speed to "
            f"1. {silent}"
        )
    if not path.is_file():
        return None, f"{key}: there is no file {path}. {silent}"
    entry = _entry(config, workspace, wanted)
    if entry is None or not entry.get("start_utc") or not entry.get("duration_s"):
        return None, (
            f"{key}: the time of {wanted} is not known. Name it under clips.files or put it on a "
            f"card, and run `limbward clips` first. {silent}"
        )
    if not has_sound(path):
        return None, f"{key}: {wanted} holds no sound. {silent}"
    start = float((Time(entry["start_utc"].rstrip("Z")) - film.shots.epoch).to_value("s"))
    # Before the first frame and after the last there is no film.
    frames = film.shots.middle_s
    begin, end, _ = film.look.real
    shown = max(begin, float(frames[0])), min(end, float(frames[-1]))
    first, last = stretch(start, float(entry["duration_s"]), shown)
    if last <= first:
        return None, (
            f"{key}: {wanted} was not recorded during the part of the film that is in real time. "
            f"{silent}"
        )
    rate = config.film.rate
    at = (round(config.film.title_s * rate) + float(film.position(np.array(first)))) / rate
    return Sound(path, first - start, at, last - first), ""


def _entry(config: Config, workspace: Workspace, wanted: str) -> dict[str, Any] | None:
    """Return what `limbward clips` told of a clip."""
    if not workspace.path(artefact("clips")).exists():
        return None
    told = workspace.read_json(artefact("clips"))["details"]["clips"]
    path = config.resolve(wanted).absolute()
    for entry in told:
        if (config.base_dir.absolute() / str(entry["file"])) == path:
            return dict(entry)
    return None
