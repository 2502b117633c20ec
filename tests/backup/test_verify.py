import json
import os
import random
import shutil
import subprocess
import sys
from pathlib import Path

import bagit
import pytest

from limbward.backup.describe import describe
from limbward.backup.job import back_up
from limbward.backup.verify import verify_bag
from limbward.errors import LimbwardError
from tests.backup.test_backup import a_card, fail_to_open, library_says_valid

FLIPS = 100


@pytest.fixture
def bag(tmp_path):
    back_up([a_card(tmp_path / "card")], [tmp_path / "bag"], describe)
    return tmp_path / "bag"


def test_every_single_bit_flip_is_found(bag):
    rng = random.Random(7)
    files = sorted(p for p in bag.rglob("*") if p.is_file() and p.stat().st_size)
    # Half of them in the small files that describe the bag, where a check may look away.
    about = [p for p in files if "data" not in p.relative_to(bag).parts]
    found = 0
    for number in range(FLIPS):
        path = rng.choice(about if number % 2 else files)
        whole = path.read_bytes()
        flipped = bytearray(whole)
        flipped[rng.randrange(len(whole))] ^= 1 << rng.randrange(8)
        path.write_bytes(flipped)
        verdict = verify_bag(bag)
        named = [*verdict.damaged, *verdict.missing, *verdict.extra, *verdict.problems]
        found += not verdict.ok and any(path.name in name for name in named)
        path.write_bytes(whole)
    assert found == FLIPS
    assert verify_bag(bag).ok


def test_damaged_missing_and_extra_files_are_all_named(bag):
    frames = bag / "data/card/DCIM/100TESTA"
    data = bytearray((frames / "TST_0001.DNG").read_bytes())
    data[-1] ^= 1
    (frames / "TST_0001.DNG").write_bytes(data)
    (frames / "TST_0002.DNG").unlink()
    (frames / "extra.txt").write_text("")
    verdict = verify_bag(bag)
    base = "data/card/DCIM/100TESTA"
    assert verdict.damaged == [f"{base}/TST_0001.DNG"]
    assert verdict.missing == [f"{base}/TST_0002.DNG"]
    assert verdict.extra == [f"{base}/extra.txt"]
    assert verdict.problems == []


def test_bags_of_the_library_itself_pass(tmp_path):
    for number, algorithms in enumerate((["md5"], ["sha1", "sha512"], ["sha256"])):
        root = tmp_path / f"bag{number}"
        root.mkdir()
        (root / "a b.txt").write_text("one")
        (root / "é.txt").write_text("two")
        bagit.make_bag(str(root), checksums=algorithms)
        assert verify_bag(root).ok
        (root / "data/a b.txt").write_text("One")
        assert verify_bag(root).damaged == ["data/a b.txt"]


@pytest.mark.parametrize(
    "path", ["../secret", "data/../../secret", "/etc/hostname", "~/secret", "data/out/secret"]
)
def test_a_manifest_that_points_out_of_the_bag_is_not_followed(bag, path, monkeypatch):
    (bag.parent / "secret").write_text("not to be read")
    if hasattr(os, "symlink"):
        (bag / "data/out").symlink_to(bag.parent)
    with (bag / "manifest-sha256.txt").open("a") as manifest:
        manifest.write(f"{'0' * 64}  {path}\n")
    opened = []
    genuine = os.open

    def watched(path, *args, **kwargs):
        opened.append(Path(path).resolve())
        return genuine(path, *args, **kwargs)

    monkeypatch.setattr(os, "open", watched)
    verdict = verify_bag(bag)
    assert any("outside the bag" in p for p in verdict.problems)
    assert opened
    assert all(bag.resolve() in p.parents for p in opened)


@pytest.mark.parametrize(
    ("name", "old", "new", "expected"),
    [
        ("manifest-sha256.txt", "\n", "\x0b", "damaged"),
        ("manifest-sha512.txt", "  data", "  Data", "wrong kind"),
        ("tagmanifest-sha256.txt", "bag-info.txt", "bag-info.txu", "sha256.txt does not name bag-"),
        ("manifest-sha256.txt", "data/", "data/\udcff", "cannot be read"),
    ],
)
def test_damaged_manifests_are_told(bag, name, old, new, expected):
    path = bag / name
    text = path.read_bytes().replace(old.encode(), new.encode("utf-8", "surrogateescape"), 1)
    path.write_bytes(text)
    assert any(expected in p for p in verify_bag(bag).problems)


def test_a_line_given_twice_and_a_file_one_manifest_leaves_out(bag):
    path = bag / "manifest-sha256.txt"
    lines = path.read_text().splitlines(keepends=True)
    path.write_text("".join([lines[0], *lines[:-1]]))
    problems = " ".join(verify_bag(bag).problems)
    assert "twice" in problems
    assert "does not name data/" in problems


def test_what_is_no_bag_is_a_sentence(tmp_path):
    with pytest.raises(LimbwardError, match="not a bag"):
        verify_bag(tmp_path)


def test_a_bag_whose_manifests_are_gone_is_not_finished(bag):
    for path in [*bag.glob("manifest*"), *bag.glob("tagmanifest*")]:
        path.unlink()
    verdict = verify_bag(bag)
    assert any("not finished" in p for p in verdict.problems)
    assert (verdict.files, verdict.damaged, verdict.extra) == (6, [], [])
    frame = bag / "data/card/DCIM/100TESTA/TST_0001.DNG"
    frame.write_bytes(frame.read_bytes()[:-1] + b"?")
    assert verify_bag(bag).damaged == ["data/card/DCIM/100TESTA/TST_0001.DNG"]


@pytest.mark.skipif(sys.platform == "win32", reason="pipes and links of POSIX")
@pytest.mark.parametrize(
    "name",
    [
        *("manifest-sha256.txt", "tagmanifest-sha512.txt", "bag-info.txt", "bagit.txt", "notes"),
        *("payload.jsonl", "plan/card.jsonl", "data/card/DCIM/100TESTA/TST_0001.DNG", "data/new"),
    ],
)
@pytest.mark.parametrize("odd", ["pipe", "link", "device"])
def test_pipes_and_links_in_a_bag_are_named_and_not_waited_for(bag, name, odd):
    (bag / name).unlink(missing_ok=True)
    if odd == "pipe":
        os.mkfifo(bag / name)
    else:
        (bag / name).symlink_to("/dev/zero" if odd == "device" else bag.parent / "card")
    done = subprocess.run(
        [sys.executable, "-c", VERIFY, str(bag)], capture_output=True, text=True, timeout=60
    )
    assert done.stdout.startswith("False"), done.stderr
    assert f"{name!r} is a link or a device" in done.stdout


VERIFY = """
import sys
from pathlib import Path
from limbward.backup.verify import verify_bag
verdict = verify_bag(Path(sys.argv[1]))
print(verdict.ok, verdict.problems)
"""


def test_a_file_that_cannot_be_read_is_named_once(bag, monkeypatch):
    fail_to_open(monkeypatch, "TST_0002.DNG")
    verdict = verify_bag(bag)
    faults = [*verdict.problems, *verdict.damaged, *verdict.missing, *verdict.extra]
    assert len(faults) == 1
    assert "TST_0002.DNG cannot be read (Input/output error)" in faults[0]


def test_a_manifest_made_to_fit_a_smaller_payload_contradicts_the_plan(bag):
    (bag / "data/card/DCIM/100TESTA/TST_0003.DNG").unlink()
    remake_manifests(bag)
    assert library_says_valid(bag)
    verdict = verify_bag(bag)
    assert verdict.missing == ["data/card/DCIM/100TESTA/TST_0003.DNG"]


def test_a_manifest_made_to_fit_another_content_contradicts_the_inventory(bag):
    path = bag / "data/card/DCIM/100TESTA/TST_0003.DNG"
    path.write_bytes(path.read_bytes()[:-1] + b"?")
    remake_manifests(bag)
    assert library_says_valid(bag)
    assert any("TST_0003.DNG: the manifests and" in p for p in verify_bag(bag).problems)


@pytest.mark.parametrize("name", ["plan/card.jsonl", "payload.jsonl"])
def test_a_sealed_bag_without_its_plan_is_not_good_though_its_manifests_fit(bag, name):
    (bag / name).unlink()
    remake_manifests(bag)
    assert library_says_valid(bag)
    assert not verify_bag(bag).ok


def remake_manifests(bag):
    """Write manifests that fit whatever is in a bag, as the library does."""
    for path in [*bag.glob("manifest*"), *bag.glob("tagmanifest*")]:
        lines = path.read_text().splitlines(keepends=True)
        kept = [line for line in lines if (bag / line.split(None, 1)[1].strip()).exists()]
        path.write_text("".join(kept))
    bagit.Bag(str(bag)).save(manifests=True)


def command(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "limbward", *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
    )


def test_the_commands(tmp_path):
    card = a_card(tmp_path / "card")
    made = command("backup", card, tmp_path / "bag", "--also", tmp_path / "bag2", "--json")
    assert made.returncode == 0, made.stderr
    found = json.loads(made.stdout)
    assert found["ok"]
    assert [d["copied"] for d in found["destinations"]] == [6, 6]
    assert library_says_valid(tmp_path / "bag", tmp_path / "bag2")
    checked = command("verify", tmp_path / "bag")
    assert checked.returncode == 0
    assert "all unchanged" in checked.stdout
    (tmp_path / "bag/data/card/DCIM/100TESTA/TST_0001.DNG").unlink()
    checked = command("verify", tmp_path / "bag", "--json")
    assert checked.returncode == 1
    assert json.loads(checked.stdout)["missing"] == ["data/card/DCIM/100TESTA/TST_0001.DNG"]
    assert "missing: data/card" in checked.stderr
    assert "Traceback" not in checked.stderr
    inside = command("backup", card, card / "bag")
    assert inside.returncode == 2
    assert "inside the card" in inside.stderr


def test_a_copy_of_a_bag_is_a_bag(bag, tmp_path):
    shutil.copytree(bag, tmp_path / "elsewhere")
    assert verify_bag(tmp_path / "elsewhere").ok
