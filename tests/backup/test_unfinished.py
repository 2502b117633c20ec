"""A bag is good when all that was meant to be in it is there, and at no time before."""

import json
import os
import shutil
import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import pytest

from limbward.backup import copy, job
from limbward.backup.intent import INCOMING, PLANS
from limbward.backup.inventory import INVENTORY
from limbward.backup.verify import verify_bag
from limbward.errors import ConfigError, LimbwardError
from tests.backup.test_backup import a_card, content, fail_to_open, library_says_valid, save
from tests.camera.files import jpeg, ratio

CARD = "data/card/DCIM/100TESTA"


def vanish_after(monkeypatch, card, count):
    """Pull the card after so many of its files."""
    genuine, begun = job.stream, []

    def stream(source, targets):
        begun.append(source)
        if len(begun) > count and card.exists():
            card.rename(card.with_name("pulled"))
        return genuine(source, targets)

    monkeypatch.setattr(job, "stream", stream)


@pytest.fixture
def cut_off(tmp_path, monkeypatch):
    """A card and a bag to which it was brought in part."""
    card, bag = a_card(tmp_path / "card", count=8), tmp_path / "bag"
    with monkeypatch.context() as patch:
        vanish_after(patch, card, 3)
        assert not save(card, bag).ok
    (tmp_path / "pulled").rename(card)
    return card, bag


def test_a_card_that_vanishes_leaves_a_bag_that_nobody_calls_good(cut_off):
    card, bag = cut_off
    verdict = verify_bag(bag)
    assert not verdict.ok
    assert len(verdict.missing) == 10 - 3
    assert any("7 of 10 planned files are not in it" in p for p in verdict.problems)
    assert not library_says_valid(bag)
    assert save(card, bag).ok
    assert verify_bag(bag).ok
    assert library_says_valid(bag)
    assert content(bag / "data/card") == content(card)


@pytest.mark.parametrize(
    "names",
    [[PLANS], [INCOMING], [INVENTORY], [PLANS, INCOMING], [PLANS, INCOMING, INVENTORY]],
    ids=" and ".join,
)
def test_without_its_marks_an_unfinished_bag_is_still_not_good(cut_off, names):
    _, bag = cut_off
    for name in names:
        path = bag / name
        shutil.rmtree(path) if path.is_dir() else path.unlink()
    if len(names) == 3:
        with pytest.raises(LimbwardError, match="not a bag"):
            verify_bag(bag)
    else:
        assert not verify_bag(bag).ok
    assert not library_says_valid(bag)


def test_a_plan_that_was_shortened_does_not_make_a_part_the_whole(cut_off):
    _, bag = cut_off
    plan = next((bag / PLANS).iterdir())
    head, *lines = plan.read_text().splitlines()
    there = [line for line in lines if (bag / json.loads(line)["path"]).exists()]
    first = json.loads(head) | {"files": len(there)}
    plan.write_text("\n".join([json.dumps(first), *there]) + "\n")
    shutil.rmtree(bag / INCOMING)
    assert not verify_bag(bag).ok


def test_the_plan_is_on_the_device_before_the_first_copy(tmp_path, monkeypatch):
    card, bag = a_card(tmp_path / "card"), tmp_path / "bag"
    genuine, seen = job.stream, []

    def stream(source, targets):
        plan = next((bag / PLANS).iterdir()).read_text().splitlines()[1:]
        seen.append({json.loads(line)["original"] for line in plan})
        return genuine(source, targets)

    monkeypatch.setattr(job, "stream", stream)
    assert save(card, bag).ok
    assert seen[0] == {p.relative_to(card).as_posix() for p in card.rglob("*") if p.is_file()}


def test_what_is_no_longer_on_the_card_is_still_lacking(cut_off):
    card, bag = cut_off
    gone = {p.name for p in sorted((card / "DCIM/100TESTA").glob("*.DNG"))[-2:]}
    for name in gone:
        (card / "DCIM/100TESTA" / name).unlink()
    outcome = save(card, bag)
    assert not outcome.ok
    assert outcome.accounts[0].lacking == sorted(f"{CARD}/{name}" for name in gone)
    assert sorted(verify_bag(bag).missing) == outcome.accounts[0].lacking


def test_another_card_does_not_finish_the_first(cut_off, tmp_path):
    card, bag = cut_off
    other = a_card(tmp_path / "second", seed=100)
    for removed in ("", PLANS):  # whether or not it is known what the first one held
        if removed:
            shutil.rmtree(bag / removed)
        outcome = save(other, bag)
        assert not outcome.ok
        assert outcome.accounts[0].lacking
        assert not verify_bag(bag).ok
        assert content(bag / "data/second") == content(other)
    assert save([card, other], bag).ok
    assert verify_bag(bag).ok
    assert sorted(p.name for p in (bag / PLANS).iterdir()) == ["card.jsonl", "second.jsonl"]


def test_a_good_bag_is_not_good_while_a_second_card_is_added(tmp_path, monkeypatch):
    first, second = a_card(tmp_path / "card"), a_card(tmp_path / "second", seed=100)
    bag = tmp_path / "bag"
    assert save(first, bag).ok
    with monkeypatch.context() as patch:
        vanish_after(patch, second, 0)
        assert not save(second, bag).ok
    assert not verify_bag(bag).ok
    assert not library_says_valid(bag)
    (tmp_path / "pulled").rename(second)
    assert save(second, bag).ok
    assert verify_bag(bag).ok


def test_a_good_bag_stays_good_when_its_card_dies_later(tmp_path, monkeypatch):
    card, bag = a_card(tmp_path / "card"), tmp_path / "bag"
    assert save(card, bag).ok
    fail_to_open(monkeypatch, "no such name")
    genuine = job.read_digest

    def dead(path):
        if card in path.parents:
            raise OSError(5, "Input/output error")
        return genuine(path)

    monkeypatch.setattr(job, "read_digest", dead)
    outcome = save(card, bag)
    assert len(outcome.failed) == 6
    assert verify_bag(bag).ok


def test_a_shorter_card_takes_nothing_from_a_good_bag(tmp_path):
    card, bag = a_card(tmp_path / "card"), tmp_path / "bag"
    save(card, bag)
    whole = content(bag / "data")
    shutil.rmtree(card / "DCIM")
    assert save(card, bag).ok
    assert content(bag / "data") == whole
    assert verify_bag(bag).ok


def test_a_damaged_plan_is_made_anew_from_the_card(cut_off):
    card, bag = cut_off
    next((bag / PLANS).iterdir()).write_bytes(b'{"folder": "card"\n\xff')
    assert any("damaged" in p for p in verify_bag(bag).problems)
    assert save(card, bag).ok
    assert verify_bag(bag).ok


def test_a_card_read_in_another_zone_finishes_a_bag(cut_off):
    card, bag = cut_off
    for path in (p for p in card.rglob("*") if p.is_file()):
        os.utime(path, ns=(path.stat().st_mtime_ns + 2 * 3600 * 10**9,) * 2)
    assert save(card, bag).ok
    assert [p.name for p in (bag / "data").iterdir()] == ["card"]
    assert verify_bag(bag).ok


def test_a_card_with_a_long_name_has_a_plan(tmp_path):
    card = a_card(tmp_path / ("é" * 120))
    assert save(card, tmp_path / "bag").ok
    assert verify_bag(tmp_path / "bag").ok


needs_links = pytest.mark.skipif(sys.platform == "win32", reason="links of POSIX")


@needs_links
def test_a_card_is_not_its_own_copy_by_a_link(tmp_path):
    card = a_card(tmp_path / "card")
    for place in ("data", f"{CARD}", f"{CARD}/TST_0001.DNG"):
        bag = tmp_path / place.replace("/", "-")
        (bag / place).parent.mkdir(parents=True)
        (bag / INVENTORY).write_text("")
        (bag / place).symlink_to(card)
        with pytest.raises(LimbwardError, match="is a link; a backup needs real copies"):
            save(card, bag)


@needs_links
def test_a_card_is_not_its_own_copy_by_a_second_name(tmp_path):
    card, bag = a_card(tmp_path / "card"), tmp_path / "bag"
    (bag / CARD).mkdir(parents=True)
    (bag / INVENTORY).write_text("")
    os.link(card / "DCIM/100TESTA/TST_0002.DNG", bag / CARD / "TST_0002.DNG")
    with pytest.raises(LimbwardError, match=r"TST_0002.DNG itself under a second name"):
        save(card, bag)


@needs_links
def test_a_second_name_given_meanwhile_is_not_taken_for_a_copy(tmp_path):
    card, bag = a_card(tmp_path / "card"), tmp_path / "bag"

    def meanwhile(done, total):
        late = bag / CARD / "TST_0004.DNG"
        if not late.exists():
            late.parent.mkdir(parents=True, exist_ok=True)
            os.link(card / "DCIM/100TESTA/TST_0004.DNG", late)

    from limbward.backup.describe import describe

    outcome = job.back_up([card], [bag], describe, meanwhile)
    ids = {p.stat().st_ino for p in card.rglob("*") if p.is_file()}
    copies = [p for p in (bag / "data").rglob("TST_0004*") if p.stat().st_ino not in ids]
    assert [p.read_bytes() for p in copies] == [(card / "DCIM/100TESTA/TST_0004.DNG").read_bytes()]
    assert not outcome.ok  # the stranger is told
    assert not verify_bag(bag).ok


@pytest.mark.skipif(sys.platform != "linux", reason="mounts of Linux")
def test_a_mount_of_the_card_is_the_card(tmp_path):
    card, bag, there = a_card(tmp_path / "card"), tmp_path / "bag", tmp_path / "there"
    (bag / "data/card").mkdir(parents=True)
    (bag / INVENTORY).write_text("")
    there.mkdir()
    for what, where in ((card, bag / "data/card"), (card / "DCIM", there)):
        done = subprocess.run(["mount", "--bind", what, where], capture_output=True, check=False)
        if done.returncode:
            pytest.skip("mounting is not permitted here")
    before = content(card)
    try:
        with pytest.raises(ConfigError, match=r"the folder .*card of the card itself"):
            save(card, bag)
        with pytest.raises(ConfigError, match="lies inside the card"):
            save(card, there / "bag")
    finally:
        for where in (bag / "data/card", there):
            subprocess.run(["umount", "-l", where], check=False)
    assert content(card) == before


@pytest.mark.parametrize("stamp", [(24, 0, 0), (0, 2**32 - 1, 0), (0, 0, 2**32 - 1), (2**31, 9, 9)])
def test_a_nonsense_position_stamp_does_not_keep_a_bag_from_its_seal(tmp_path, stamp):
    card = a_card(tmp_path / "card")
    values = tuple(ratio(n, 1) for n in stamp)
    jpeg(card / "gps.jpg", {0x829A: ratio(1, 8)}, gps={7: values, 29: "2026:08:12"})
    assert save(card, tmp_path / "bag").ok
    assert verify_bag(tmp_path / "bag").ok


def test_no_fault_of_a_description_keeps_a_bag_from_its_seal(tmp_path, monkeypatch):
    def upset(path, decode):
        raise OverflowError(str(Fraction(1, 3)))

    monkeypatch.setattr("limbward.backup.describe.read_exif", upset)
    assert save(a_card(tmp_path / "card"), tmp_path / "bag").ok
    assert verify_bag(tmp_path / "bag").ok
    assert "Frames-Not-Described: data/card" in (tmp_path / "bag/bag-info.txt").read_text()


def test_a_folder_for_temporary_files_that_takes_none_is_named(tmp_path, monkeypatch):
    monkeypatch.setattr(job.tempfile, "gettempdir", lambda: str(tmp_path / "gone/at all"))

    def full(self, **_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(job.FileLock, "acquire", full)
    with pytest.raises(LimbwardError, match=r"gone/at all cannot be written to .*No space.*TMPDIR"):
        save(a_card(tmp_path / "card"), tmp_path / "bag")


def test_a_pipe_that_takes_a_files_place_is_not_waited_for(tmp_path):
    if not hasattr(os, "mkfifo"):
        pytest.skip("pipes of POSIX")
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(OSError, match="not a regular file"):
        copy.read_digest(Path(tmp_path / "pipe"))
