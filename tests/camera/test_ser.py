"""SER films against the published format, bytes laid out by `ser_files` without the package."""

import tracemalloc
from datetime import datetime, timedelta

import numpy as np
import pytest

from limbward.camera.ser import UnreadableFilm, read_ser

from .ser_files import ticks, write_ser

BEGUN = datetime(2026, 8, 12, 17, 45, 0, 123456)
STAMPS = [BEGUN + timedelta(milliseconds=20.5 * k) for k in range(6)]


def scene(number, shape=(24, 32), top=60000.0):
    """A soft blob that moves to the right, so that pictures differ."""
    y, x = np.mgrid[: shape[0], : shape[1]]
    blob = np.exp(-((x - 12.0 - number) ** 2 + (y - 10.0) ** 2) / 40.0)
    return np.rint(top * (0.1 + 0.8 * blob)).astype(np.uint16)


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("flag", [0, 1])
def test_sixteen_bits_are_read_in_the_order_they_are_in_whatever_the_flag_says(
    tmp_path, order, flag
):
    """By the format's text 1 means little-endian; programs write it with either meaning."""
    path = tmp_path / "a.ser"
    write_ser(path, [scene(k) for k in range(6)], stamps=STAMPS, order=order, flag=flag)
    film = read_ser(path)
    assert (film.width, film.height, film.pictures, film.white) == (32, 24, 6, 65535.0)
    for k, frame in zip((4, 1), film.frames([4, 1]), strict=True):
        assert np.array_equal(frame.data, scene(k))
        assert not frame.is_mosaic


@pytest.mark.parametrize(("depth", "top"), [(8, 250.0), (10, 1000.0), (12, 4000.0)])
def test_the_range_is_that_of_the_declared_bits(tmp_path, depth, top):
    path = tmp_path / "a.ser"
    write_ser(path, [scene(k, top=top) for k in range(3)], depth)
    film = read_ser(path)
    assert film.white == 2**depth - 1
    assert np.array_equal(next(film.frames([2])).data, scene(2, top=top))


def test_twelve_bits_in_the_upper_bits_of_sixteen_have_the_range_of_sixteen(tmp_path):
    path = tmp_path / "a.ser"
    write_ser(path, [scene(0, top=4000.0) * 16], 12)
    film = read_ser(path)
    assert film.white == 65535.0
    assert "fill 16" in film.notes[0]


def test_a_black_film_is_little_endian(tmp_path):
    path = tmp_path / "a.ser"
    write_ser(path, [np.full((8, 8), 3)], flag=1, order="<")
    assert next(read_ser(path).frames([0])).data[0, 0] == 3


@pytest.mark.parametrize("letters", ["RGGB", "GRBG", "GBRG", "BGGR"])
def test_mosaics_have_their_colours_in_place(tmp_path, letters):
    path = tmp_path / "a.ser"
    write_ser(path, [scene(0)], colour=letters)
    pattern = next(read_ser(path).frames([0])).pattern
    assert "".join("RGB"[c] for c in pattern.ravel()) == letters


@pytest.mark.parametrize("colour", ["RGB", "BGR"])
@pytest.mark.parametrize("depth", [8, 16])
def test_three_colours_come_as_red_green_blue(tmp_path, colour, depth):
    path = tmp_path / "a.ser"
    rgb = np.stack([scene(k, top=240.0) for k in (0, 5, 9)], axis=-1)
    write_ser(path, [rgb if colour == "RGB" else rgb[..., ::-1]], depth, colour)
    frame = next(read_ser(path).frames([0]))
    assert np.array_equal(frame.data, np.moveaxis(rgb, -1, 0))


def test_a_mosaic_of_cyan_yellow_and_magenta_is_added_up_to_brightness(tmp_path):
    path = tmp_path / "a.ser"
    write_ser(path, [scene(0)], colour="CYYM")
    film = read_ser(path)
    frame = next(film.frames([0]))
    assert (film.width, film.height, frame.white) == (16, 12, 4 * 65535.0)
    assert frame.data[3, 4] == scene(0)[6:8, 8:10].sum(dtype=float)
    assert any("magenta" in note for note in film.notes)


def test_stamps_are_utc_to_a_microsecond(tmp_path):
    path = tmp_path / "a.ser"
    write_ser(path, [scene(k) for k in range(6)], stamps=STAMPS, utc=ticks(BEGUN))
    film = read_ser(path)
    assert film.stamps.tolist() == STAMPS
    assert film.begun_utc == BEGUN
    assert film.begun is None  # zero: not a time of today
    assert (film.instrument, film.telescope) == ("Meridian P1", "80 mm refractor")


def test_the_marks_above_a_time_are_no_part_of_it(tmp_path):
    """The upper two bits of such times say UTC or local where .NET's ToBinary wrote them."""
    path = tmp_path / "a.ser"
    marked = [ticks(s) | 1 << 62 for s in STAMPS]
    write_ser(path, [scene(k) for k in range(6)], stamps=marked)
    assert read_ser(path).stamps.tolist() == STAMPS


def test_stamps_in_local_time_are_told_by_the_header(tmp_path):
    path = tmp_path / "a.ser"
    zone = timedelta(hours=2)
    local = [s + zone for s in STAMPS]
    write_ser(
        path,
        [scene(k) for k in range(6)],
        stamps=local,
        local=ticks(BEGUN + zone),
        utc=ticks(BEGUN),
    )
    film = read_ser(path)
    assert film.stamps.tolist() == STAMPS
    assert "+2 h" in film.notes[0]


@pytest.mark.parametrize("bad", [[0] * 6, [7] * 6, [ticks(s) for s in STAMPS[::-1]]])
def test_stamps_that_cannot_be_real_are_not_used(tmp_path, bad):
    path = tmp_path / "a.ser"
    write_ser(path, [scene(k) for k in range(6)], stamps=bad)
    film = read_ser(path)
    assert film.pictures == 6
    assert np.isnat(film.stamps).all()


@pytest.mark.parametrize("cut", [1, 6 * 8 - 4, 6 * 8, 6 * 8 + 1, 6 * 8 + 3 * 24 * 32 * 2 + 5])
def test_a_film_that_is_cut_off_gives_what_it_has(tmp_path, cut):
    path = tmp_path / "a.ser"
    write_ser(path, [scene(k) for k in range(6)], stamps=STAMPS)
    whole = path.read_bytes()
    path.write_bytes(whole[:-cut])
    film = read_ser(path)
    there = (len(whole) - cut - 178) // (24 * 32 * 2)
    assert film.pictures == min(6, there)
    stamped = max(0, (48 - cut) // 8) if film.pictures == 6 else 0
    assert film.stamps[:stamped].tolist() == STAMPS[:stamped]
    assert np.isnat(film.stamps[stamped:]).all()
    last = film.pictures - 1
    assert np.array_equal(next(film.frames([last])).data, scene(last))
    assert film.notes if 0 < stamped < 6 or film.pictures < 6 else True


def test_a_recording_that_was_broken_off_has_no_count_and_is_read(tmp_path):
    path = tmp_path / "a.ser"
    write_ser(path, [scene(k) for k in range(5)], count=0)
    film = read_ser(path)
    assert film.pictures == 5
    assert "cut short" in film.notes[0]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "not a SER video"),
        (b"LUCAM-RECORDER", "not a SER video"),
        (b"RIFF" + b"\0" * 400, "not a SER video"),
    ],
)
def test_what_is_no_ser_film_is_a_sentence_with_its_name(tmp_path, content, said):
    path = tmp_path / "fake.ser"
    path.write_bytes(content)
    with pytest.raises(UnreadableFilm, match=rf"fake\.ser.*{said}"):
        read_ser(path)


@pytest.mark.parametrize(
    ("shape", "depth", "colour"),
    [((0, 5), 8, 0), ((-4, -4), 8, 0), ((4, 4), 33, 0), ((4, 4), 8, 7)],
)
def test_headers_that_cannot_be_true_are_refused(tmp_path, shape, depth, colour):
    from .ser_files import header

    path = tmp_path / "a.ser"
    path.write_bytes(header(shape, 1, depth, colour) + b"\0" * 4000)
    with pytest.raises(UnreadableFilm):
        read_ser(path)


def test_memory_is_that_of_one_picture(tmp_path):
    path = tmp_path / "a.ser"
    picture = scene(0, (200, 300))
    write_ser(path, (picture for _ in range(300)))
    film = read_ser(path)
    tracemalloc.start()
    for _ in film.frames(range(300)):
        pass
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 8 * picture.nbytes
