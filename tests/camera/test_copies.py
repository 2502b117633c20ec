"""Copies among files of which it is known what was made of what."""

from dataclasses import replace
from itertools import permutations

from limbward.camera.copies import Pictured, find_copies

RAW = Pictured(
    "card/TEST0012.DNG",
    "raw",
    sha256="a",
    pixels_sha256="p",
    camera="Testcam",
    serial="7",
    time="2026-08-12T17:45:30",
    exposure_s=0.5,
    measured=True,
)
BACKUP = replace(RAW, file="backup/TEST0012.DNG")
EDITED = replace(RAW, file="card/TEST0012-edited.DNG", sha256="b")  # its Exif: the pixels are same
EXPORT = replace(RAW, file="card/TEST0012.TIF", kind="tiff", sha256="c", pixels_sha256="q")
OTHER = replace(RAW, file="card/TEST0013.DNG", sha256="d", pixels_sha256="r", exposure_s=0.25)


def test_of_one_picture_one_file_is_left_in_any_order():
    for files in permutations([RAW, BACKUP, EDITED, EXPORT, OTHER]):
        copies = find_copies(files)
        left = [files[i] for i in range(len(files)) if i not in copies]
        assert len(left) == 2
        assert OTHER in left
        assert EXPORT not in left
        names = {picture.file for picture in left}
        of = {files[i].file: copy.of for i, copy in copies.items()}
        for file in of:
            while file in of:  # a copy may be of a copy
                file = of[file]
            assert file in names


def test_frames_of_which_time_or_exposure_is_not_known_are_no_exports():
    for unknown in ({"time": ""}, {"exposure_s": None}, {"camera": ""}, {"measured": False}):
        assert not find_copies([RAW, replace(EXPORT, **unknown)])


def test_two_bodies_released_together_took_two_pictures():
    assert not find_copies([RAW, replace(EXPORT, serial="8")])
    assert find_copies([RAW, replace(EXPORT, serial="")])
