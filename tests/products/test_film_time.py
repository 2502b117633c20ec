"""What of a film is in real time, and which sound belongs to it; a sentence where there is none."""

import numpy as np
import pytest
from astropy.time import TimeDelta

from limbward.config import Config, place_and_time
from limbward.products.film_time import real_part, sound_of
from limbward.sequences.timelapse import Film, Look
from limbward.sequences.usual import Usual
from limbward.workspace import Workspace
from tests.sequences.made_up import shots
from tests.sequences.test_sound import clip

RATE = 10.0


def card(tmp_path, **film):
    """Return config, workspace and film of frames a second apart around greatest eclipse."""
    site = {"latitude": 65.0, "longitude": -23.4}
    given = {"site": site, "eclipse": "2026-08-12", "input": {"cards": ["card"]}}
    config = Config.model_validate({**given, "film": {"rate": RATE, **film}})
    object.__setattr__(config, "_base_dir", tmp_path)
    frames = shots(np.arange(-120.0, 121.0), phase="totality")
    epoch = place_and_time.greatest(place_and_time.eclipse(config))
    object.__setattr__(frames, "epoch", epoch)
    part = real_part(config, frames)
    look = Look((64, 64), 1, 0, 0, time=False, deflicker=True,
                real=None if part is None else (*part, RATE))  # fmt: skip
    made = Film(frames, [], look, Usual(np.full(24, np.nan), np.nan, np.nan))
    return config, Workspace(tmp_path / "workspace"), made


def told(workspace, film, start_s):
    """Write what `limbward clips` says of a clip that starts so long after greatest eclipse."""
    start = (film.shots.epoch + TimeDelta(start_s, format="sec")).utc.isot
    entry = {"file": "phone.mp4", "start_utc": f"{start}Z", "duration_s": 6.0}
    with workspace.locked():
        workspace.write_json("sequences/clips.json", {"details": {"clips": [entry]}})


def test_the_part_in_real_time_is_totality_and_so_many_seconds_around(tmp_path):
    config, _, film = card(tmp_path, real_time_s=5.0)
    contacts = place_and_time.eclipse(config).contacts
    lasts = (contacts["C3"].time - contacts["C2"].time).to_value("s")
    first, last = real_part(config, film.shots)
    assert last - first == pytest.approx(lasts + 10.0, abs=8.0)  # the smooth Moon is larger
    assert real_part(card(tmp_path)[0], film.shots) is None
    assert real_part(card(tmp_path, speed=1)[0], film.shots) == (-120.0, 120.0)


def test_the_sound_lies_where_the_clip_was_recorded(tmp_path):
    config, workspace, film = card(tmp_path, real_time_s=5.0, sound="phone.mp4", title_s=2.0)
    clip(tmp_path / "phone.mp4")
    told(workspace, film, 10.0)
    sound, why = sound_of(config, workspace, film)
    assert why == ""
    assert (sound.clip_s, sound.length_s) == pytest.approx((0.0, 6.0), abs=0.01)
    # Outside of the real part each photograph, a second, is one picture: a tenth of a second.
    first, _ = real_part(config, film.shots)
    assert sound.film_s == pytest.approx(2.0 + (first + 120.0) / RATE + 10.0 - first, abs=0.01)
    told(workspace, film, -120.0 + first + 118.0)  # two seconds before the part begins
    sound, _ = sound_of(config, workspace, film)
    assert (sound.clip_s, sound.length_s) == pytest.approx((2.0, 4.0), abs=0.01)


@pytest.mark.parametrize(
    ("film", "there", "start_s", "says"),
    [
        ({}, True, 0.0, "set film.real_time_s, or film.speed to 1"),
        ({"speed": 1}, None, 0.0, "there is no file"),
        ({"speed": 1}, True, None, "run `limbward clips` first"),
        ({"speed": 1}, False, 0.0, "holds no sound"),
        ({"speed": 1}, True, 300.0, "was not recorded during the part"),
    ],
)
def test_where_there_is_no_sound_a_sentence_says_why(tmp_path, film, there, start_s, says):
    config, workspace, made = card(tmp_path, sound="phone.mp4", **film)
    if there is not None:
        clip(tmp_path / "phone.mp4", sound=there, seconds=1.0)
    if start_s is not None:
        told(workspace, made, start_s)
    sound, why = sound_of(config, workspace, made)
    assert sound is None
    assert says in why
    assert "film.sound" in why
    assert why.endswith("The film has no sound.")


def test_no_sound_is_asked_for(tmp_path):
    config, workspace, film = card(tmp_path)
    assert sound_of(config, workspace, film) == (None, "")
