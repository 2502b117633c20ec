"""A clip's sound under a film, heard when it was heard at the eclipse."""

import av
import numpy as np
import pytest

from limbward.sequences.film import write_films
from limbward.sequences.sound import Sound, has_sound, stretch


def clip(path, *, sound=True, seconds=6.0, call_s=4.0, late_s=0.0):
    """Write a clip of grey pictures in which somebody calls, a tenth of a second long."""
    with av.open(str(path), "w", format="mp4") as container:
        video = container.add_stream("libx264", rate=10)
        video.height = video.width = 32
        video.pix_fmt = "yuv420p"
        audio = container.add_stream("aac", rate=44100, layout="mono") if sound else None
        for _ in range(int(seconds * 10)):
            picture = av.VideoFrame.from_ndarray(np.full((32, 32, 3), 90, np.uint8), "rgb24")
            for packet in video.encode(picture):
                container.mux(packet)
        if audio is not None:
            t = np.arange(int((seconds - late_s) * 44100)) / 44100 + late_s
            tone = np.where((t >= call_s) & (t < call_s + 0.1), 0.5 * np.sin(4000 * t), 0.0)
            for k in range(0, t.size, 1024):
                block = np.ascontiguousarray(tone[None, k : k + 1024], np.float32)
                frame = av.AudioFrame.from_ndarray(block, format="fltp", layout="mono")
                frame.sample_rate, frame.pts = 44100, k + int(late_s * 44100)
                for packet in audio.encode(frame):
                    container.mux(packet)
            for packet in audio.encode(None):
                container.mux(packet)
        for packet in video.encode(None):
            container.mux(packet)
    return path


def heard(path):
    """Return when something is heard in a film, and how long its sound and its pictures are."""
    with av.open(str(path)) as container:
        blocks = [(f.time, f.to_ndarray().astype(float)[0], f.sample_rate)
                  for f in container.decode(audio=0)]  # fmt: skip
    with av.open(str(path)) as container:
        pictures = [f.time for f in container.decode(video=0)]
    rate = blocks[0][2]
    t = np.concatenate([at + np.arange(b.size) / rate for at, b, _ in blocks])
    loud = np.abs(np.concatenate([b for _, b, _ in blocks])) > 0.1
    return t[loud], t[-1], pictures


@pytest.mark.parametrize("late_s", [0.0, 0.5, 2.5])
def test_a_call_is_heard_when_it_was_heard(tmp_path, late_s):
    """The call is 4 s into the clip; the stretch from 1.5 s on begins 2 s into the film: 4.5 s.

    Also where the clip's sound begins late, before the stretch or within it.
    """
    source = clip(tmp_path / "clip.mp4", late_s=late_s)
    assert has_sound(source)
    films = {kind: tmp_path / f"film.{kind}" for kind in ("mp4", "webm")}
    pictures = (np.full((32, 32, 3), 40, np.uint8) for _ in range(80))
    write_films(films, pictures, 10.0, sound=Sound(source, 1.5, 2.0, 4.0))
    for path in films.values():
        loud, end, shown = heard(path)
        assert [loud[0], loud[-1]] == pytest.approx([4.5, 4.6], abs=0.03)
        assert end == pytest.approx(6.0, abs=0.05)  # the stretch is 4 s long
        assert len(shown) == 80
        assert shown[-1] == pytest.approx(7.9, abs=0.01)


def test_a_film_that_is_shorter_than_the_sound_cuts_it_off(tmp_path):
    source = clip(tmp_path / "clip.mp4", call_s=0.5)
    path = tmp_path / "film.mp4"
    pictures = (np.full((32, 32, 3), 40, np.uint8) for _ in range(20))
    write_films({"mp4": path}, pictures, 10.0, sound=Sound(source, 0.0, 0.0, 6.0))
    loud, end, _ = heard(path)
    assert loud[0] == pytest.approx(0.5, abs=0.03)
    assert end == pytest.approx(2.0, abs=0.15)


def test_a_clip_without_sound_has_none(tmp_path):
    assert not has_sound(clip(tmp_path / "clip.mp4", sound=False))


def test_what_clip_and_film_have_in_common():
    assert stretch(-30.0, 50.0, (-10.0, 90.0)) == (-10.0, 20.0)
    assert stretch(5.0, 50.0, (-10.0, 30.0)) == (5.0, 30.0)
    first, last = stretch(100.0, 50.0, (-10.0, 90.0))
    assert last <= first
