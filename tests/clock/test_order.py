"""The order of taking where a person has renamed, chosen and copied."""

import numpy as np

from limbward.clock.order import order_of_taking


def texts(*values):
    return np.array(values, dtype=object)


def order(files, readings, *, camera=None):
    n = len(files)
    names = texts(*(camera or ["A"] * n))
    found = order_of_taking(
        texts(*files), names, names, np.arange(n, dtype=float), np.array(readings, float)
    )
    assert sorted(found.tolist()) == list(range(n))
    return [files[i] for i in np.argsort(found)]


def numbered(*numbers, folder="c/100AAAAA"):
    return [f"{folder}/IMG_{k:04d}.DNG" for k in numbers]


def test_numbers_are_believed_whatever_the_clock_reads():
    files = numbered(1, 2, 3, 4)
    assert order(files, [100.0, 160.0, 40.0, np.nan]) == files


def test_a_renamed_file_comes_where_its_clock_says():
    files = [*numbered(1, 2, 3, 4), "c/100AAAAA/the best (1).DNG", "c/100AAAAA/-rf *.DNG"]
    found = order(files, [0.0, 60.0, 120.0, 180.0, 70.0, -5.0])
    assert found == [files[5], *files[:2], files[4], *files[2:4]]


def test_a_renamed_file_comes_behind_the_clock_that_was_set():
    """Numbers tell that the clock was set back by a minute after the second frame."""
    files = [*numbered(1, 2, 3, 4), "c/100AAAAA/z.DNG"]
    assert order(files, [0.0, 100.0, 40.0, 90.0, 95.0])[-2:] == [files[3], files[4]]


def test_names_of_the_users_own_keep_their_order():
    files = ["c/a.tif", "c/b.tif", "c/c.tif"]
    assert order(files, [100.0, 50.0, 0.0]) == files


def test_a_folder_of_jpegs_stands_beside_its_raw_files():
    raw, jpeg = numbered(1, 2, 3), numbered(1, 2, 3, folder="c/JPEG")
    found = order([*raw, *jpeg], [0.0, 60.0, 120.0] * 2)
    assert found == [raw[0], jpeg[0], raw[1], jpeg[1], raw[2], jpeg[2]]


def test_another_folder_of_the_same_seconds_is_no_copy_if_most_readings_are_its_own():
    """The clock was set back between two folders, and a second is met again by chance."""
    one, two = numbered(1, 2, 3), numbered(1, 2, 3, folder="c/101AAAAA")
    files = [*one, *two]
    assert order(files, [0.0, 60.0, 120.0, 60.0, 125.0, 190.0]) == files
    # Another camera's pictures of the same seconds.
    assert order(files, [0.0, 60.0, 120.0] * 2, camera=["A"] * 3 + ["B"] * 3) == files
