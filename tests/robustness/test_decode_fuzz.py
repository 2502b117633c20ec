"""Short parts, of fixed seeds, of the trials with bombs, mutated configs and mutated films."""

import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import tifffile

from limbward.camera.claims import check_claim
from limbward.camera.frame import UnreadableFrame
from limbward.camera.raw import read_raw
from limbward.config.loading import load_config
from limbward.errors import ConfigError
from limbward.work import worker
from limbward.work.executors import local_pool
from tests.robustness import fuzz_clips, fuzz_configs
from tests.robustness.bombs import QUICK, blast

pytestmark = pytest.mark.statistical

CONFIG = "site: {{latitude: 65.0, longitude: -23.4}}\neclipse: {}\ninput:\n  cards: [{}]\n{}"


def test_each_bomb_is_told_and_takes_little_memory(tmp_path):
    found = list(blast(tmp_path, QUICK))
    assert sorted(b.name for b in found) == sorted(QUICK)
    for bomb in found:
        assert bomb.ok, bomb
        # Only what unpacks unasked, a strip that is larger than its picture, takes any.
        if "strip" not in bomb.note and "memory" not in bomb.note:
            assert "copy it" in bomb.note or "declares" in bomb.note or "not" in bomb.note


def take(count, room):
    """Take memory under a worker's limit."""
    with worker.limited(60.0, room):
        return int(np.ones(count, np.uint8)[::4096].sum())


@pytest.mark.skipif(sys.platform != "linux", reason="RLIMIT_DATA of Linux")
def test_a_worker_may_take_its_room_and_no_more_and_goes_on_afterwards():
    with local_pool(1) as pool:
        with pytest.raises(MemoryError):
            pool.submit(take, 400_000_000, 200_000_000).result()
        assert pool.submit(take, 100_000_000, 200_000_000).result() > 0
        assert pool.submit(take, 400_000_000, None).result() > 0  # the limit is off again


def test_a_raw_file_of_100_megapixels_has_room_enough():
    """Mosaic, LibRaw's copy of it, a plane of single precision and another in measuring."""
    pixels = 100e6
    assert worker.room_bytes(int(pixels)) >= pixels * (2 + 2 + 4 + 4)


@pytest.mark.parametrize(
    ("pixels", "width", "size", "packed", "fine"),
    [
        (100_000_000, 2, 200_000_000, False, True),
        (100_000_000, 2, 199_999_999, False, False),
        (100_000_000, 2, 60_000_000, True, True),
        (150_000_000, 2, 20_000_000, True, True),  # a night's dark, well packed
        (100_000_000, 1, 100_000, True, True),  # 8 bits of nothing
        (150_000_000, 6, 1_000_000, True, False),
        (100_000_000, 2, 100_000, True, False),
        (401_000_000, 1, 500_000_000, False, False),
    ],
)
def test_what_a_file_may_claim(tmp_path, pixels, width, size, packed, fine):
    path = tmp_path / "a.tif"
    with path.open("wb") as file:
        file.truncate(size)
    if fine:
        check_claim(path, pixels, width, packed=packed)
    else:
        with pytest.raises(UnreadableFrame, match=r"^a\.tif declares"):
            check_claim(path, pixels, width, packed=packed)


@pytest.mark.parametrize("bits", [1, 2])
@pytest.mark.parametrize("how", [{}, {"tile": (64, 64)}, {"compression": "zlib"}])
def test_sound_files_hold_what_they_claim(tmp_path, bits, how):
    data = np.random.default_rng(1).integers(0, 255, (70, 90)).astype(f"u{bits}")
    tifffile.imwrite(tmp_path / "a.tif", data, **how)
    np.testing.assert_array_equal(read_raw(tmp_path / "a.tif").data, data)


def test_an_empty_frame_that_is_well_packed_is_a_frame(tmp_path):
    tifffile.imwrite(tmp_path / "a.tif", np.zeros((3000, 4000), np.uint16), compression="zlib")
    assert read_raw(tmp_path / "a.tif").data.shape == (3000, 4000)


def test_mutated_configs_are_valid_or_told_with_a_line(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    tally = fuzz_configs.fuzz(tmp_path, 40, seed=2)
    assert (tally.tried, tally.faults) == (40, [])
    assert set(tally.ends) >= {"refused", "valid"}


@pytest.mark.parametrize(
    ("day", "card", "more", "says"),
    [
        ("0001-01-01", "card", "", r"c\.yaml:2: eclipse: .*1550 to 2650"),
        ("9999-12-31", "card", "", r"c\.yaml:2: eclipse: .*1550 to 2650"),
        ("2026-08-12", "~nosuchuser/card", "", r"c\.yaml:4: input.cards\[0\]: .*no such user"),
        ("2026-08-12", '"a\\0b"', "", r"c\.yaml:4: input.cards\[0\]: .*control character"),
        ("2026-08-12", "x" * 300, "", r"c\.yaml:4: input.cards\[0\]: .*255 bytes"),
        ("2026-08-12", "x/" * 2500, "", r"c\.yaml:4: input.cards\[0\]: .*4000 bytes"),
        ("2026-08-12", "card", 'workspace: "~nosuchuser"', r"c\.yaml:5: workspace: .*user"),
        ("2026-08-12", "card", 'clips: {files: ["a\\0"]}', r"c\.yaml:5: clips.files\[0\]: "),
        ("2026-08-12", "card", 'sky: {limb_profile: "a\\0"}', r"c\.yaml:5: sky.limb_profile: "),
        (
            "2026-08-12",
            "card",
            "timing: {references: [{file: a, utc: '0001-01-01T00:00:00+14:00'}]}",
            r"c\.yaml:5: timing.references\[0\].utc: .*beyond the years",
        ),
        (
            "2026-08-12",
            "card",
            "timing: {references: [{file: a, utc: '0500-01-01T00:00:00Z'}]}",
            r"c\.yaml:5: timing.references\[0\].utc: .*1900 to 2150",
        ),
    ],
)
def test_what_no_system_or_calendar_has_is_told_with_its_line(tmp_path, day, card, more, says):
    (tmp_path / "c.yaml").write_text(CONFIG.format(day, card, more))
    with pytest.raises(ConfigError, match=says):
        load_config(tmp_path / "c.yaml")


def test_mutated_films_give_samples_or_a_sentence():
    # In a process of its own: the largest memory of all children is asked for, and pytest has had
    # others.
    command = [sys.executable, "-m", "tests.robustness.fuzz_clips", "--clips", "12", "--seed", "2"]
    run = subprocess.run(command, capture_output=True, text=True, check=False)
    found = re.match(r"(\d+) films, (\d+) read, 0 faults", run.stdout)
    assert found, run.stdout + run.stderr
    assert int(found[1]) > 20
    assert int(found[2]) > 5
    assert "is encoded in a way that cannot be decoded here" in run.stdout
    assert "Traceback" not in run.stdout + run.stderr
    assert run.returncode == 0


@pytest.mark.parametrize(
    ("name", "rate", "says"),
    [("long.mkv", 1 / 36000, "last 200 hours"), ("quick.mp4", 2e5, r"2e\+05 frames per second")],
)
def test_films_of_impossible_length_or_rate_are_told(tmp_path: Path, name, rate, says):
    from limbward.clips.catalogue import UnreadableClip, read_clip

    with pytest.raises(UnreadableClip, match=says):
        read_clip(fuzz_clips.film(tmp_path / name, rate=rate))
