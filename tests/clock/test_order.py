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


def test_names_by_exposure_or_by_chance_tell_no_order():
    """Three brackets of eight exposures, a second apart, and names that begin with the exposure."""
    taken = np.arange(24.0)
    by_exposure = [f"c/{k % 8} of {k}.tif" for k in range(24)]
    at = np.argsort(by_exposure)
    found = order([by_exposure[i] for i in at], taken[at])
    assert found == by_exposure
    rng = np.random.default_rng(4)
    for _ in range(20):
        drawn = rng.permutation(40)
        files = numbered(*range(1, 41))
        assert order(files, drawn.astype(float)) == [files[i] for i in np.argsort(drawn)]


def test_a_clock_set_back_four_times_does_not_undo_the_numbers():
    """Over midnight without a date too, and with two frames of one second written the other way."""
    taken = 60.0 * np.arange(40)
    taken[5] = taken[4] - 1.0
    for k in (8, 15, 22, 30):
        taken[k:] -= 95.0
    taken[20:] -= 86400.0
    files = numbered(*range(1, 41))
    assert order(files, taken) == files
    # Nor do the names of another camera's files, which are in no order.
    mixed = [*files, *(f"d/{k}.tif" for k in range(40))]
    drawn = np.random.default_rng(5).permutation(40)
    found = order(mixed, [*taken, *drawn], camera=["A"] * 40 + ["B"] * 40)
    assert [f for f in found if f.startswith("c/")] == files
    assert [f for f in found if f.startswith("d/")] == [mixed[40 + i] for i in np.argsort(drawn)]
