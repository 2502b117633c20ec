import hashlib
import os
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from limbward.camera.card import (
    dcf_number,
    find_files,
    kind_of,
    relative_name,
    rollover_start,
    with_more,
)
from limbward.regular import sha256


def touch(root: Path, *names: str, content: bytes = b"x") -> None:
    for name in names:
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)


def names(root: Path, **options) -> list[str]:
    return [f.file for f in find_files([root], root, **options).files]


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("A.DNG", "raw"),
        ("a.cr3", "raw"),
        ("a.JPEG", "jpeg"),
        ("a.tif", "tiff"),
        ("a.fits.gz", "fits"),
        ("a.b.FIT", "fits"),
        ("a.MOV", "video"),
        ("a.gz", "other"),
        ("README", "other"),
    ],
)
def test_kind_follows_from_the_suffix_in_any_case(name, kind):
    assert kind_of(name) == kind


def test_folders_are_searched_and_litter_is_passed_over(tmp_path):
    touch(
        tmp_path,
        "DCIM/100TESTA/TST_0001.DNG",
        "DCIM/100TESTA/.TST_0001.DNG.swp",
        "DCIM/100TESTA/Thumbs.db",
        ".Trashes/TST_0009.DNG",
        "System Volume Information/x.dat",
        "notes.txt",
    )
    assert names(tmp_path) == ["notes.txt", "DCIM/100TESTA/TST_0001.DNG"]


def test_the_order_does_not_depend_on_that_of_the_file_system(tmp_path, monkeypatch):
    touch(tmp_path, *(f"DCIM/{d}TESTA/TST_{n:04d}.DNG" for d in (101, 100) for n in (3, 1, 2)))
    expected = names(tmp_path)
    walk = os.walk

    def shuffled(*args, **options):
        for folder, folders, files in walk(*args, **options):
            folders.reverse()
            yield folder, folders, files[::-1]

    monkeypatch.setattr(os, "walk", shuffled)
    assert names(tmp_path) == expected
    assert expected == sorted(expected)


def test_numbers_that_roll_over_into_the_next_folder_are_in_order(tmp_path):
    touch(tmp_path, "DCIM/101TESTA/TST_0001.DNG", "DCIM/101TESTA/TST_0002.DNG")
    touch(tmp_path, "DCIM/100TESTA/TST_9998.DNG", "DCIM/100TESTA/TST_9999.DNG")
    found = find_files([tmp_path], tmp_path).files
    assert [f.path.stem[-4:] for f in found] == ["9998", "9999", "0001", "0002"]
    assert [f.sequence for f in found] == [0, 1, 2, 3]


def test_numbers_that_roll_over_within_a_folder_are_in_order(tmp_path):
    touch(tmp_path, *(f"100TESTA/TST_{n:04d}.DNG" for n in (1, 2, 3, 9997, 9998, 9999)))
    assert [n[-8:-4] for n in names(tmp_path)] == ["9997", "9998", "9999", "0001", "0002", "0003"]


@given(st.integers(1, 9999), st.integers(2, 400))
@settings(deadline=None)
def test_any_run_of_numbers_begins_where_it_was_begun(first, count):
    shot = [(first - 1 + i) % 9999 + 1 for i in range(count)]
    start = rollover_start(sorted(shot))
    wraps = shot[-1] < shot[0]
    assert sorted(shot, key=lambda n: (n - start) % 9999) == shot
    assert (start == first) if wraps else (start == 1)


def test_deleted_frames_in_the_middle_are_no_rollover():
    assert rollover_start([5, 6, 9000, 9001]) == 1


def test_dcf_numbers_are_read_from_dcf_names_only():
    assert dcf_number(Path("TST_0042.DNG")) == 42
    assert dcf_number(Path("_ST10042.DNG")) == 42
    assert dcf_number(Path("TST_0000.DNG")) is None
    assert dcf_number(Path("frame-12.DNG")) is None


def test_undcf_names_sort_as_people_count(tmp_path):
    touch(tmp_path, "shot 10.fits", "shot 9.fits", "shot 1.fits")
    assert names(tmp_path) == ["shot 1.fits", "shot 9.fits", "shot 10.fits"]


def test_raw_and_jpeg_of_one_folder_and_stem_are_a_pair(tmp_path):
    touch(tmp_path, "100TESTA/TST_0001.DNG", "100TESTA/TST_0001.JPG", "100TESTA/TST_0002.JPG")
    pairs = {f.file: f.paired_with for f in find_files([tmp_path], tmp_path).files}
    assert pairs == {
        "100TESTA/TST_0001.DNG": "100TESTA/TST_0001.JPG",
        "100TESTA/TST_0001.JPG": "100TESTA/TST_0001.DNG",
        "100TESTA/TST_0002.JPG": "",
    }


def test_files_of_one_dcf_number_are_a_pair_though_their_names_differ(tmp_path):
    # DCF marks a picture in another colour space by an underscore in front.
    touch(tmp_path, "100TESTA/TST_0001.DNG", "100TESTA/_TST0001.JPG")
    found = find_files([tmp_path], tmp_path).files
    assert {f.paired_with for f in found} == {"100TESTA/TST_0001.DNG", "100TESTA/_TST0001.JPG"}


def test_the_same_name_in_two_folders_stays_two_frames_and_no_pair(tmp_path):
    touch(tmp_path, "a/100TESTA/TST_0001.DNG", "b/100TESTA/TST_0001.DNG", "b/x/TST_0001.JPG")
    found = find_files([tmp_path / "a", tmp_path / "b"], tmp_path).files
    assert [f.file for f in found] == [
        "a/100TESTA/TST_0001.DNG",
        "b/100TESTA/TST_0001.DNG",
        "b/x/TST_0001.JPG",
    ]
    assert not any(f.paired_with for f in found)


def test_a_folder_named_twice_counts_once(tmp_path):
    touch(tmp_path, "card/DCIM/100TESTA/TST_0001.DNG")
    found = find_files([tmp_path / "card", tmp_path / "card/DCIM"], tmp_path).files
    assert len(found) == 1


def test_names_are_relative_to_the_base_even_beside_it(tmp_path):
    (tmp_path / "config").mkdir()
    touch(tmp_path, "card/a.dng")
    assert relative_name(tmp_path / "card/a.dng", tmp_path / "config") == "../card/a.dng"


def test_excluded_files_and_folders_are_left_out(tmp_path):
    touch(tmp_path, "a/keep.dng", "a/drop.dng", "old/x.dng", "old/deep/y.dng")
    assert names(tmp_path, exclude=["drop.*", "old"]) == ["a/keep.dng"]
    assert names(tmp_path, exclude=["old/**"]) == ["a/drop.dng", "a/keep.dng"]


def test_a_folder_can_be_skipped(tmp_path):
    touch(tmp_path, "a/x.dng", "workspace/y.dng")
    assert names(tmp_path, skip=lambda folder: folder.name == "workspace") == ["a/x.dng"]


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights on Windows")
def test_links_are_not_followed(tmp_path):
    touch(tmp_path, "outside/secret.dng", "card/a.dng")
    (tmp_path / "card/loop").symlink_to(tmp_path / "card", target_is_directory=True)
    (tmp_path / "card/away").symlink_to(tmp_path / "outside", target_is_directory=True)
    (tmp_path / "card/b.dng").symlink_to(tmp_path / "outside/secret.dng")
    listing = find_files([tmp_path / "card"], tmp_path)
    assert [f.file for f in listing.files] == ["card/a.dng"]
    assert sum("was not followed" in note for note in listing.notes) == 3


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such pipes")
def test_a_pipe_is_not_opened(tmp_path):
    os.mkfifo(tmp_path / "pipe.dng")
    listing = find_files([tmp_path], tmp_path)
    assert listing.files == ()
    assert "not a regular file" in listing.notes[0]


def test_a_folder_that_cannot_be_read_is_noted(tmp_path, monkeypatch):
    # Without rights in earnest, for the administrator may read everything.
    touch(tmp_path, "good/a.dng", "bad/b.dng")
    scandir = os.scandir

    def refusing(path="."):
        if str(path).endswith("bad"):
            raise PermissionError(13, "Permission denied", str(path))
        return scandir(path)

    monkeypatch.setattr(os, "scandir", refusing)
    listing = find_files([tmp_path], tmp_path)
    assert [f.file for f in listing.files] == ["good/a.dng"]
    assert "Permission denied" in listing.notes[0]


def test_checksums_are_those_of_the_whole_file(tmp_path):
    content = bytes(range(256)) * 9000
    touch(tmp_path, "a.dng", content=content)
    assert sha256(tmp_path / "a.dng") == hashlib.sha256(content).hexdigest()
    for size in (0, 1, len(content), len(content) + 1):
        part = hashlib.sha256(content[:size]).hexdigest()
        assert sha256(tmp_path / "a.dng", size) == part


def test_more_files_are_numbered_on_behind_those_of_the_card(tmp_path):
    touch(tmp_path, "a.dng", "b.dng", "more/c.fits", "more/d.fits")
    card = find_files([tmp_path / "a.dng", tmp_path / "b.dng"], tmp_path, []).files
    more = find_files([tmp_path / "more"], tmp_path, []).files
    both = with_more(card, more)
    assert [f.file for f in both] == ["a.dng", "b.dng", "more/c.fits", "more/d.fits"]
    assert [f.sequence - card[0].sequence for f in both] == [0, 1, 2, 3]
    assert [f.sequence for f in with_more([], more)] == [0, 1]
