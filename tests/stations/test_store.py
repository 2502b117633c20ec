"""Folders behind addresses: copied whole or not at all."""

import hashlib

import pytest

from limbward.errors import LimbwardError
from limbward.stations import store
from limbward.stations.store import Item, fetch, listing, read_text, remove, send

fsspec = pytest.importorskip("fsspec")


@pytest.fixture
def memory():
    there = fsspec.filesystem("memory")
    there.pipe({"/bucket/card/a/1.dng": b"one", "/bucket/card/2.dng": b"second"})
    yield there
    there.rm("/bucket", recursive=True)


def test_there_and_back(memory, tmp_path):
    items = listing("memory://bucket/card")
    assert [(i.name, i.size) for i in items] == [("2.dng", 6), ("a/1.dng", 3)]
    fetch("memory://bucket/card", items, tmp_path / "card")
    assert (tmp_path / "card" / "a" / "1.dng").read_bytes() == b"one"
    send(tmp_path / "card", ["a/1.dng"], "memory://bucket/out")
    assert read_text("memory://bucket/out/a/1.dng") == "one"
    remove("memory://bucket/out", ["a/1.dng"])
    assert read_text("memory://bucket/out/a/1.dng") == ""


def test_a_file_that_changes_has_another_tag(memory):
    (before,) = (i for i in listing("memory://bucket/card") if i.name == "2.dng")
    memory.pipe("/bucket/card/2.dng", b"other!")
    (after,) = (i for i in listing("memory://bucket/card") if i.name == "2.dng")
    assert (before.size, before.tag != after.tag) == (after.size, True)


@pytest.mark.parametrize(
    "wrong", [Item("2.dng", 7, ""), Item("2.dng", 6, "", hashlib.md5(b"other!").hexdigest())]
)
def test_what_comes_through_damaged_is_not_kept(memory, tmp_path, wrong):
    with pytest.raises(LimbwardError, match=r"2\.dng came through damaged 3 times"):
        fetch("memory://bucket/card", [wrong], tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_a_copy_that_is_cut_off_once_is_made_again(memory, tmp_path, monkeypatch):
    tries = []

    def get_file(self, path, target, **_):
        tries.append(path)
        with open(target, "wb") as file:
            file.write(self.cat_file(path)[: 3 * len(tries)])

    monkeypatch.setattr(type(memory), "get_file", get_file)
    fetch("memory://bucket/card", [Item("2.dng", 6, "")], tmp_path)
    assert (tmp_path / "2.dng").read_bytes() == b"second"


def test_what_is_not_there_is_said(memory):
    with pytest.raises(LimbwardError, match="There are no files in memory://bucket/none"):
        listing("memory://bucket/none")
    with pytest.raises(LimbwardError, match="nowhere://x cannot be opened"):
        listing("nowhere://x")


def test_a_name_that_leads_out_of_its_folder_is_refused():
    with pytest.raises(LimbwardError, match="leads out of its folder"):
        store._item("card/../../x", {"size": 1}, "card")


@pytest.mark.parametrize(("tag", "md5"), [(f'"{"a" * 32}"', "a" * 32), (f'"{"a" * 32}-3"', "")])
def test_the_tag_of_a_file_sent_in_parts_is_no_checksum(tag, md5):
    assert store._item("card/x", {"size": 1, "ETag": tag}, "card").md5 == md5


@pytest.mark.parametrize("name", ["../other/a.dng", "/a.dng", "a/../../b"])
def test_nothing_outside_the_folder_is_deleted(memory, name):
    with pytest.raises(LimbwardError, match="leads out of its folder"):
        remove("memory://bucket/out", [name])
