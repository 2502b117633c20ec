import errno
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections import namedtuple
from functools import partial
from hashlib import sha256, sha512
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from limbward.backup import copy, job, plan
from limbward.backup.describe import describe
from limbward.backup.intent import INCOMING
from limbward.backup.inventory import INVENTORY, read_inventory
from limbward.backup.job import back_up
from limbward.backup.names import key, portable, printable
from limbward.backup.verify import verify_bag
from limbward.errors import ConfigError, LimbwardError
from tests.camera.files import dng, noise

FRAME = noise((24, 32))


def a_card(root, count=4, seed=0):
    """Write a card with frames, a hidden file and an empty one."""
    for number in range(1, count + 1):
        dng(root / f"DCIM/100TESTA/TST_{number:04d}.DNG", noise((24, 32), seed + number))
    (root / "DCIM/100TESTA/.hidden").write_bytes(b"kept too")
    (root / "MISC").mkdir()
    (root / "MISC/empty.txt").write_bytes(b"")
    for number, path in enumerate(sorted(p for p in root.rglob("*") if p.is_file())):
        os.utime(path, ns=(1_786_000_000_123_456_789 + number,) * 2)
    return root


def save(sources, *destinations):
    sources = sources if isinstance(sources, list) else [sources]
    return back_up(sources, destinations, describe)


def content(root):
    """Return checksum and time of every file below a folder."""
    return {
        p.relative_to(root).as_posix(): (sha256(p.read_bytes()).hexdigest(), p.stat().st_mtime_ns)
        for p in root.rglob("*")
        if p.is_file()
    }


def payload(bag):
    return content(bag / "data")


def library_says_valid(*bags):
    """Ask the command of the bagit library, in a process of its own."""
    run = subprocess.run(
        [sys.executable, "-m", "bagit", "--validate", "--quiet", *map(str, bags)],
        capture_output=True,
        check=False,
    )
    return run.returncode == 0


def test_two_bags_at_once_are_whole_and_valid_and_the_card_is_untouched(tmp_path):
    card = a_card(tmp_path / "card")
    before = content(card)
    outcome = save(card, tmp_path / "one", tmp_path / "deep/er/two")
    assert outcome.ok
    assert content(card) == before
    for bag in (tmp_path / "one", tmp_path / "deep/er/two"):
        assert payload(bag) == {f"card/{name}": value for name, value in before.items()}
        assert library_says_valid(bag)
        assert verify_bag(bag).ok
        for name, algorithm in (("sha256", sha256), ("sha512", sha512)):
            for line in (bag / f"manifest-{name}.txt").read_text().splitlines():
                digest, path = line.split("  ", 1)
                assert algorithm((bag / path).read_bytes()).hexdigest() == digest
        assert "BagIt-Version: 1.0" in (bag / "bagit.txt").read_text()  # RFC 8493, section 2.1.1
        assert not (bag / INCOMING).exists()


def test_the_label_of_a_bag_says_when_where_and_with_what(tmp_path):
    card = a_card(tmp_path / "card")
    back_up([card], [tmp_path / "bag"], partial(describe, site="A hill", date="2026-08-12"))
    info = (tmp_path / "bag/bag-info.txt").read_text()
    for line in (
        "Site: A hill\n",
        "Eclipse-Date: 2026-08-12\n",
        "Camera: Invented Model One (SN42)\n",
        "First-Frame: 2026-08-12 17:45:30",
    ):
        assert line in info
    size = sum(p.stat().st_size for p in card.rglob("*") if p.is_file())
    assert f"Payload-Oxum: {size}.6\n" in info


def test_a_second_time_everything_is_there_already(tmp_path):
    card = a_card(tmp_path / "card")
    save(card, tmp_path / "bag")
    before = content(tmp_path / "bag")
    outcome = save(card, tmp_path / "bag")
    assert (outcome.accounts[0].copied, outcome.accounts[0].already_there) == (0, 6)
    assert content(tmp_path / "bag").keys() == before.keys()
    assert payload(tmp_path / "bag") == {
        n.removeprefix("data/"): v for n, v in before.items() if n.startswith("data/")
    }


def test_what_is_there_is_not_trusted(tmp_path):
    card = a_card(tmp_path / "card")
    save(card, tmp_path / "bag")
    whole = payload(tmp_path / "bag")
    stored = tmp_path / "bag/data/card/DCIM/100TESTA"
    damaged = bytearray((stored / "TST_0002.DNG").read_bytes())
    damaged[100] ^= 4
    (stored / "TST_0002.DNG").write_bytes(damaged)
    cut = (stored / "TST_0003.DNG").read_bytes()[:500]
    (stored / "TST_0003.DNG").write_bytes(cut)
    (stored / "TST_0004.DNG").unlink()
    outcome = save(card, tmp_path / "bag")
    assert outcome.ok
    assert payload(tmp_path / "bag") == whole
    assert sorted(Path(p).name for p in outcome.accounts[0].mended) == [
        "TST_0002.DNG",
        "TST_0003.DNG",
        "TST_0004.DNG",
    ]
    assert library_says_valid(tmp_path / "bag")


@pytest.mark.parametrize("together", [True, False])
def test_two_cards_with_the_same_names_are_both_kept(tmp_path, together):
    first, second = a_card(tmp_path / "a/card"), a_card(tmp_path / "b/card", seed=100)
    for path in sorted(p for p in second.rglob("*") if p.is_file()):  # taken minutes later
        os.utime(path, ns=(path.stat().st_mtime_ns + 100_000_000_000,) * 2)
    bag = tmp_path / "bag"
    for sources in [[first, second]] if together else [[first], [second], [second], [first]]:
        assert save(sources, bag).ok
    expected = {f"card/{n}": v for n, v in content(first).items()}
    expected |= {f"card-2/{n}": v for n, v in content(second).items()}
    assert payload(bag) == expected
    assert library_says_valid(bag)


def test_a_frame_that_looks_like_one_of_another_card_but_differs_is_kept_beside_it(tmp_path):
    card, bag = a_card(tmp_path / "card"), tmp_path / "bag"
    save(card, bag)
    path = card / "DCIM/100TESTA/TST_0001.DNG"
    time_ns, old = path.stat().st_mtime_ns, path.read_bytes()
    new = old[:-1] + bytes([old[-1] ^ 1])
    path.write_bytes(new)
    os.utime(path, ns=(time_ns, time_ns))
    for _ in range(2):  # the second time it is found where it was put
        outcome = save(card, bag)
        assert outcome.ok
        stored = sorted((bag / "data/card/DCIM/100TESTA").glob("TST_0001*"))
        assert sorted(p.read_bytes() for p in stored) == sorted([old, new])
    assert (outcome.accounts[0].copied, outcome.accounts[0].already_there) == (0, 6)
    assert library_says_valid(bag)


def test_one_card_dumped_twice_is_found_and_kept_twice(tmp_path):
    card = a_card(tmp_path / "dump/card", count=2)
    shutil.copytree(card, tmp_path / "dump/card copy")
    outcome = save(tmp_path / "dump", tmp_path / "bag")
    assert len(payload(tmp_path / "bag")) == 8
    frame = "DCIM/100TESTA/TST_0001.DNG"
    assert [f"data/dump/card copy/{frame}", f"data/dump/card/{frame}"] in outcome.duplicates
    assert len(outcome.duplicates) == 3  # empty files have no content to be alike in


def test_destinations_inside_the_card_and_the_other_way_round_are_refused(tmp_path):
    card = a_card(tmp_path / "card")
    before = content(tmp_path)
    (tmp_path / "link").symlink_to(card)
    for destination in (card, card / "bag", tmp_path, tmp_path / "link/bag"):
        with pytest.raises(ConfigError, match="inside"):
            save(card, destination)
    with pytest.raises(ConfigError, match="overlap"):
        save(card, tmp_path / "bag", tmp_path / "bag/inner")
    with pytest.raises(ConfigError, match="no folder"):
        save(tmp_path / "nothing", tmp_path / "bag")
    assert content(tmp_path) == before
    assert not (tmp_path / "bag").exists()


def test_a_folder_of_something_else_is_left_alone(tmp_path):
    card = a_card(tmp_path / "card")
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine/letter.txt").write_text("to be kept")
    with pytest.raises(LimbwardError, match="something other"):
        save(card, tmp_path / "mine")
    assert os.listdir(tmp_path / "mine") == ["letter.txt"]
    with pytest.raises(LimbwardError, match="not a folder"):
        save(card, tmp_path / "mine/letter.txt")


def test_too_little_room_is_told_before_anything_is_written(tmp_path, monkeypatch):
    card = a_card(tmp_path / "card")
    usage = namedtuple("usage", "total used free")
    monkeypatch.setattr(plan.shutil, "disk_usage", lambda _: usage(1e6, 1e6, 1000))
    with pytest.raises(LimbwardError, match=r"are needed; nothing was written"):
        save(card, tmp_path / "bag")
    assert not (tmp_path / "bag").exists()


def test_a_disk_that_gives_back_other_bytes_is_found_out(tmp_path, monkeypatch):
    card = a_card(tmp_path / "card")
    genuine = copy._write_all

    def bad_disk(writer, chunk):
        if "bad" in str(writer.name):
            chunk = chunk[:-1] + bytes([chunk[-1] ^ 16])
        genuine(writer, chunk)

    monkeypatch.setattr(copy, "_write_all", bad_disk)
    outcome = save(card, tmp_path / "good", tmp_path / "bad")
    good, bad = outcome.accounts
    assert "other bytes" in bad.problem
    assert not good.problem  # the other disk's backup is complete
    assert library_says_valid(tmp_path / "good")
    verdict = verify_bag(tmp_path / "bad")
    assert any("not finished" in p for p in verdict.problems)


def fail_to_open(monkeypatch, name, error=errno.EIO):
    """Make a file of this name unreadable; returns a list of the paths refused."""
    genuine, refused = os.open, []

    def failing(path, *args, **kwargs):
        if Path(os.fspath(path)).name == name:
            refused.append(path)
            raise OSError(error, os.strerror(error), str(path))
        return genuine(path, *args, **kwargs)

    monkeypatch.setattr(os, "open", failing)
    return refused


def test_a_file_that_cannot_be_read_is_named_and_the_others_are_saved(tmp_path, monkeypatch):
    card = a_card(tmp_path / "card")
    with monkeypatch.context() as patch:
        fail_to_open(patch, "TST_0002.DNG")
        outcome = save(card, tmp_path / "bag")
    assert not outcome.ok
    assert [(Path(f).name, why) for f, why in outcome.failed] == [
        ("TST_0002.DNG", "Input/output error")
    ]
    assert len(payload(tmp_path / "bag")) == 5
    verdict = verify_bag(tmp_path / "bag")
    assert verdict.missing == ["data/card/DCIM/100TESTA/TST_0002.DNG"]
    assert not library_says_valid(tmp_path / "bag")
    assert save(card, tmp_path / "bag").ok
    assert verify_bag(tmp_path / "bag").ok
    assert library_says_valid(tmp_path / "bag")


@pytest.mark.skipif(sys.platform == "win32", reason="links and pipes of POSIX")
def test_links_and_pipes_are_named_and_not_opened(tmp_path):
    card = a_card(tmp_path / "card")
    (card / "link").symlink_to("/etc")
    (card / "loop").symlink_to("loop")
    os.mkfifo(card / "pipe")
    outcome = save(card, tmp_path / "bag")
    assert outcome.ok
    notes = " ".join(outcome.cards[0].notes)
    assert all(f"{name} was" in notes or f"{name} is" in notes for name in ("link", "loop", "pipe"))
    assert len(payload(tmp_path / "bag")) == 6


HARD = [
    b"new\nline.dng",
    b"no-utf8-\xff.dng",
    "שלום-\u202edng.exe".encode(),
    "line\u2028separator.dng".encode(),
    b"%0A.dng",
    b" blank ends ",
    "e\u0301.dng".encode(),
    "é.dng".encode(),
    b"UPPER.dng",
    b"upper.DNG",
    b"a*b?.dng",
]


@pytest.mark.skipif(sys.platform != "linux", reason="other systems refuse some of the names")
def test_names_that_manifests_or_disks_do_not_take_are_kept_in_the_inventory(tmp_path):
    (tmp_path / "card").mkdir()
    for number, name in enumerate(HARD):
        with open(os.fsencode(tmp_path / "card") + b"/" + name, "wb") as file:
            file.write(b"content %d" % number)
    assert save(tmp_path / "card", tmp_path / "bag").ok
    assert library_says_valid(tmp_path / "bag")
    assert verify_bag(tmp_path / "bag").ok
    records = read_inventory(tmp_path / "bag").values()
    assert len(records) == len(HARD)
    stored = {r.original: (tmp_path / "bag" / r.path).read_bytes() for r in records}
    for number, name in enumerate(HARD):
        assert stored[printable(os.fsdecode(name))] == b"content %d" % number
    assert save(tmp_path / "card", tmp_path / "bag").accounts[0].copied == 0


@given(st.text(st.characters(exclude_characters="/\0"), min_size=1, max_size=30))
def test_portable_names_are_fixed_points_and_stay_in_their_folder(name):
    safe = portable(name)
    assert portable(safe) == safe
    assert len(safe) == len(name)
    assert "/" not in safe
    assert safe not in (".", "..")
    assert f"x  data/{safe}\n".splitlines()[0].split(None, 1)[1] == f"data/{safe}"
    assert key(key(name)) == key(name)


BACKUP = """
import sys
from pathlib import Path
from limbward.backup import copy
from limbward.backup.describe import describe
from limbward.backup.job import back_up
copy.CHUNK = 256  # so that a kill falls into the middle of a file as well
print("go", flush=True)
back_up([Path(sys.argv[1])], [Path(sys.argv[2])], describe)
"""


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no such signal on Windows")
def test_a_backup_killed_anywhere_goes_on_and_loses_nothing(tmp_path):
    card = a_card(tmp_path / "card", count=25)
    right = {f"card/{name}": value for name, value in content(card).items()}
    rng = random.Random(4)
    begun = time.monotonic()
    save(card, tmp_path / "measure")
    takes_s = time.monotonic() - begun
    killed = 0
    for number in range(6):
        bag = tmp_path / f"bag{number}"
        process = subprocess.Popen(
            [sys.executable, "-c", BACKUP, str(card), str(bag)], stdout=subprocess.PIPE
        )
        process.stdout.read(3)
        time.sleep(rng.random() * takes_s)
        process.kill()
        killed += process.wait() != 0
        process.stdout.close()
        for name, value in payload(bag).items() if (bag / "data").exists() else ():
            assert right[name] == value  # whole or absent
        assert save(card, bag).ok
        assert payload(bag) == right
        assert verify_bag(bag).ok
    assert killed
    assert library_says_valid(*tmp_path.glob("bag*"))


def test_a_backup_cut_off_before_its_plan_is_known_by_its_empty_folder(tmp_path):
    card = a_card(tmp_path / "card")
    (tmp_path / "bag" / INCOMING).mkdir(parents=True)
    assert save(card, tmp_path / "bag").ok
    mine = tmp_path / "other" / INCOMING / "diary.txt"
    mine.parent.mkdir(parents=True)
    mine.write_text("not a backup")
    with pytest.raises(LimbwardError, match="something other than a backup"):
        save(card, tmp_path / "other")
    assert mine.read_text() == "not a backup"


def test_the_inventory_survives_a_line_cut_off(tmp_path):
    card = a_card(tmp_path / "card")
    save(card, tmp_path / "bag")
    (tmp_path / "bag" / INVENTORY).open("ab").write(b'{"path": "data/card/DC')
    outcome = save(card, tmp_path / "bag")
    assert outcome.ok
    assert outcome.accounts[0].copied == 0
    for line in (tmp_path / "bag" / INVENTORY).read_text().splitlines():
        json.loads(line)
    assert verify_bag(tmp_path / "bag").ok


def test_another_backup_to_the_same_place_waits_its_turn(tmp_path):
    card = a_card(tmp_path / "card")
    raised = []

    def meanwhile(done, total):
        if not raised:
            with pytest.raises(LimbwardError, match="is running") as caught:
                save(card, tmp_path / "bag")
            raised.append(caught)

    assert back_up([card], [tmp_path / "bag"], describe, meanwhile).ok
    assert raised


def test_a_stranger_in_the_way_is_not_overwritten(tmp_path):
    card, bag = a_card(tmp_path / "card"), tmp_path / "bag"
    save(card, bag)
    stranger = bag / "data/card/DCIM/100TESTA/TST_0009.DNG"
    stranger.write_bytes(b"put here by hand")
    dng(card / "DCIM/100TESTA/TST_0009.DNG", FRAME)
    outcome = save(card, bag)
    assert stranger.read_bytes() == b"put here by hand"
    frames = [p.read_bytes() for p in stranger.parent.glob("TST_0009*")]
    assert (card / "DCIM/100TESTA/TST_0009.DNG").read_bytes() in frames
    assert "TST_0009.DNG" in outcome.accounts[0].problem  # and it is told


def test_an_empty_card_is_a_sentence(tmp_path):
    (tmp_path / "card").mkdir()
    with pytest.raises(LimbwardError, match="no files"):
        save(tmp_path / "card", tmp_path / "bag")


def test_a_source_that_changes_while_it_is_copied_is_not_taken_for_good(tmp_path, monkeypatch):
    card = a_card(tmp_path / "card")
    genuine = copy._write_all

    def growing(writer, chunk):
        genuine(writer, chunk)
        with (card / "DCIM/100TESTA/TST_0001.DNG").open("ab") as file:
            file.write(b"more")

    monkeypatch.setattr(copy, "_write_all", growing)
    outcome = save(card, tmp_path / "bag")
    assert [Path(f).name for f, _ in outcome.failed][:1] == ["TST_0001.DNG"]
    assert not (tmp_path / "bag/data/card/DCIM/100TESTA/TST_0001.DNG").exists()
    assert job.Outcome.ok.fget(outcome) is False
