"""Nothing of the user's is lost through a workspace, and no record is believed beyond its proof."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from limbward.camera.same import read_same
from limbward.config import Config
from limbward.config.inputs import _is_workspace
from limbward.errors import ConfigError, LimbwardError
from limbward.radiance.fits import open_picture, read_extension, read_picture, write_picture
from limbward.runs.place import place_fault, require_own_place
from limbward.runs.runner import run_stages
from limbward.runs.stage import Stage
from limbward.stages.ingest import _remove_stale
from limbward.work.reporting import SilentReporter
from limbward.workspace import Workspace, is_workspace, owner_of
from limbward.workspace.earlier import keep_better
from limbward.workspace.outside import writing_to
from tests.camera.files import dng, noise


@pytest.fixture
def workspace(tmp_path):
    made = Workspace(tmp_path / "workspace")
    made.claim()
    return made


def config(base: Path, **sections) -> Config:
    found = Config.model_validate(
        {
            "site": {"latitude": 65.0, "longitude": -23.4},
            "eclipse": "2026-08-12",
            "input": {"cards": ["card"]},
        }
        | sections
    )
    found._base_dir = base  # as the loader sets it
    return found


# A folder of somebody else's.


@pytest.mark.parametrize("name", ["thesis.txt", "state/lock", "state/merge.json", "previews/a.jpg"])
def test_a_folder_with_other_things_in_it_is_refused_and_stays_as_it_is(tmp_path, name):
    (tmp_path / name).parent.mkdir(exist_ok=True)
    (tmp_path / name).write_text("mine")
    (tmp_path / ".writing-0123abcd-novel.txt").write_text("chapter one")
    before = sorted(tmp_path.rglob("*"))
    space = Workspace(tmp_path)
    with pytest.raises(ConfigError, match=r"is not empty .*`workspace:`.*--workspace"):
        space.write_text("frames.ecsv", "x")
    with pytest.raises(ConfigError, match="is not empty"), space.locked():
        pass
    assert sorted(tmp_path.rglob("*")) == before
    assert not is_workspace(tmp_path)


OTHER = json.dumps({"kind": "another program's", "id": "0" * 32})


@pytest.mark.parametrize("marker", [OTHER, "", "[]", '{"kind": "limbward workspace"}', "\xff"])
def test_only_a_true_marker_makes_a_workspace(tmp_path, marker):
    (tmp_path / "state").mkdir()
    (tmp_path / "state/workspace.json").write_text(marker, encoding="latin-1")
    (tmp_path / "mine").write_text("")
    assert not is_workspace(tmp_path)
    with pytest.raises(ConfigError):
        Workspace(tmp_path).claim()


def test_an_empty_folder_and_one_a_killed_run_has_begun_are_taken(tmp_path):
    (tmp_path / "a").mkdir()
    (tmp_path / "b/state").mkdir(parents=True)
    (tmp_path / "b/state/lock").write_text("")
    for name in ("a", "b", "new/deep"):
        Workspace(tmp_path / name).claim()
        assert is_workspace(tmp_path / name)
    assert owner_of(tmp_path / "a/enhanced/x.png") == tmp_path / "a"
    assert owner_of(tmp_path / "x.png") is None


# Places.


@pytest.mark.parametrize(
    ("place", "sections"),
    [
        (".", {}),
        ("card", {}),
        ("card/results", {}),
        ("link", {}),
        ("calib", {"input": {"cards": ["card"], "darks": ["calib/darks/*.dng"]}}),
        ("calib/darks", {"input": {"cards": ["card"], "darks": ["calib/darks/*.dng"]}}),
        ("calib/flats/w", {"input": {"cards": ["card"], "flats": ["calib/flats"]}}),
        ("calib/flats/w", {"input": {"cards": ["card"], "flats": ["calib/f*"]}}),
        ("films", {"clips": {"files": ["films/*.mp4"]}}),
    ],
)
def test_a_workspace_among_what_is_read_is_refused(tmp_path, place, sections):
    for folder in ("card/DCIM", "calib/darks", "calib/flats", "films"):
        (tmp_path / folder).mkdir(parents=True)
    (tmp_path / "link").symlink_to(tmp_path / "card/DCIM")
    settings = config(tmp_path, workspace=place, **sections)
    with pytest.raises(ConfigError, match=r"(is|holds|lies in) .*`workspace:`.*--workspace"):
        require_own_place(settings, tmp_path / place)
    assert place_fault(settings, tmp_path / "workspace") == ""


def test_a_workspace_beside_single_files_of_a_pattern_is_fine(tmp_path):
    (tmp_path / "card").mkdir()
    (tmp_path / "dark1.dng").write_text("")
    settings = config(tmp_path, input={"cards": ["card"], "darks": ["dark*.dng"]})
    assert place_fault(settings, tmp_path / "workspace") == ""


def test_only_a_marked_folder_among_the_photographs_is_passed_over(tmp_path):
    skip = _is_workspace(config(tmp_path))
    (tmp_path / "card/state").mkdir(parents=True)
    (tmp_path / "card/state/lock").write_text("")
    assert not skip(tmp_path / "card")
    Workspace(tmp_path / "old").claim()
    assert skip(tmp_path / "old")


# Paths.


@pytest.mark.parametrize("name", ["../victim.txt", "/etc/passwd", "a/../../b", "a\0b", "out/x"])
def test_no_name_leads_out_of_the_workspace(workspace, tmp_path, name):
    (tmp_path / "elsewhere").mkdir()
    (workspace.root / "out").symlink_to(tmp_path / "elsewhere")
    for touch in (workspace.path, workspace.remove, lambda n: workspace.write_text(n, "x")):
        with pytest.raises(LimbwardError, match="leads out of the workspace"):
            touch(name)
    assert list((tmp_path / "elsewhere").iterdir()) == []


# What is deleted and replaced.


def test_only_what_was_written_and_is_unchanged_is_deleted(workspace):
    for name in ("previews/old.jpg", "previews/edited.jpg"):
        workspace.write_text(name, "made")
    workspace.path("previews/edited.jpg").write_text("made better")
    workspace.path("previews/wedding.jpg").write_text("mine")
    _remove_stale(workspace, [])
    left = {p.name: p.read_text() for p in workspace.path("previews").iterdir()}
    assert left == {"wedding.jpg": "mine", "edited.kept-1.jpg": "made better"}


def test_what_was_edited_is_kept_when_it_is_made_again(workspace):
    workspace.write_text("composite.png", "made")
    workspace.write_text("composite.png", "made again")
    assert workspace.take_kept() == []
    for number in (1, 2):
        workspace.path("composite.png").write_text(f"by hand {number}")
        Workspace(workspace.root).write_text("composite.png", "made")
        (said,) = workspace.take_kept()
        assert f"kept as composite.kept-{number}.png" in said
    assert workspace.path("composite.kept-1.png").read_text() == "by hand 1"
    assert workspace.path("composite.kept-2.png").read_text() == "by hand 2"
    assert workspace.path("composite.png").read_text() == "made"


def test_a_file_that_was_there_unlisted_is_kept_and_a_link_is_not_followed(workspace, tmp_path):
    workspace.path("frames.ecsv").write_text("mine")
    workspace.write_text("frames.ecsv", "made")
    assert workspace.path("frames.kept-1.ecsv").read_text() == "mine"
    workspace.path("mine.txt").write_text("mine")
    workspace.path("report.html").symlink_to("mine.txt")
    workspace.write_text("report.html", "made")
    assert workspace.path("mine.txt").read_text() == "mine"
    assert workspace.path("report.kept-1.html").is_symlink()


def test_a_list_that_is_cut_or_nonsense_proves_nothing(workspace):
    workspace.write_text("a.txt", "made")
    listed = workspace.path("state/written.jsonl")
    for damage in (listed.read_bytes()[:-20], b'[]\n{"file": 1}\n{"file": "a.txt"}\n\xff\n', b""):
        listed.write_bytes(damage)
        fresh = Workspace(workspace.root)
        assert not fresh.proves("a.txt")
        fresh.remove("a.txt")
        assert fresh.path("a.txt").read_text() == "made"
    workspace.write_text("b.txt", "made")  # after a line that was cut off
    assert workspace.proves("b.txt")


def test_what_a_killed_writer_left_is_removed_and_nothing_like_it(workspace):
    mine = [".writing-novel.txt", ".writing-0123abc-x", "tables/.writing-0123abcd-x"]
    for name in mine:
        path = workspace.root / name
        path.parent.mkdir(exist_ok=True)
        path.write_text("x")
    listed = workspace.path("state/written.jsonl")
    for name in ("tables/.writing-novel", mine[0], "../.writing-0123abcd-x"):  # tampered
        listed.write_text(json.dumps({"file": name, "begun": True}) + "\n")
    killed = workspace.writing("tables/a.ecsv")
    half = killed.__enter__()  # and never left
    half.write_text("x")
    with workspace.locked():
        assert [(workspace.root / n).exists() for n in mine] == [True] * 3
        assert not half.exists()


def test_a_journal_that_grew_is_still_known(workspace):
    workspace.write_text("tables/ingest.jsonl", '{"begun": "x"}\n', grows=True)
    with workspace.path("tables/ingest.jsonl").open("a") as file:
        file.write("more\n")
    assert workspace.proves("tables/ingest.jsonl")
    workspace.path("tables/ingest.jsonl").write_text('{"begun": "y"}\nmore\n')
    assert not workspace.proves("tables/ingest.jsonl")


def test_enhance_replaces_only_what_a_workspace_lists(workspace, tmp_path):
    inside, outside, reporter = workspace.path("a.png"), tmp_path / "a.png", SilentReporter()
    for path in (inside, outside):
        path.write_text("mine")
        for text in ("one", "two"):
            with writing_to(path, reporter.warn) as part:
                part.write_text(text)
        assert path.read_text() == "two"
        assert path.with_name("a.kept-1.png").read_text() == "mine"
    assert not workspace.path("a.kept-2.png").exists()  # what was there was known as ours
    assert tmp_path.joinpath("a.kept-2.png").read_text() == "one"
    assert len(reporter.warnings) == 3


# Records.


def stage(write: bool = True) -> Stage:
    def run(settings: Config, space: Workspace, reporter: SilentReporter) -> None:
        if write:
            space.write_text("corona.fits", "made")

    return Stage("merge", run, writes=("corona.fits",))


@pytest.mark.parametrize(
    "writes", [{"../victim.txt": ""}, {"mine.txt": "0" * 64}, {"mine.txt": ""}, ["mine.txt"], 3]
)
@pytest.mark.parametrize("key", ["causes", "none"])
def test_a_record_that_names_other_files_deletes_none(workspace, tmp_path, writes, key):
    run_stages(config(tmp_path), workspace, SilentReporter(), stages=[stage()])
    (tmp_path / "victim.txt").write_text("mine")
    workspace.path("mine.txt").write_text("mine")
    record = workspace.path("state/merge.json")
    told = json.loads(record.read_text())
    record.write_text(json.dumps({key: told["causes"], "writes": writes, "seconds": 1.0}))
    run_stages(config(tmp_path), workspace, SilentReporter(), stages=[stage(write=False)])
    assert (tmp_path / "victim.txt").read_text() == "mine"
    assert workspace.path("mine.txt").read_text() == "mine"


def test_an_edited_artefact_that_no_longer_applies_is_kept(workspace, tmp_path):
    run_stages(config(tmp_path), workspace, SilentReporter(), stages=[stage()])
    workspace.path("corona.fits").write_text("by hand")
    reporter = SilentReporter()
    settings = config(tmp_path)
    run_stages(settings, workspace, reporter, stages=[stage(write=False)], force=True)
    assert not workspace.path("corona.fits").exists()
    assert workspace.path("corona.kept-1.fits").read_text() == "by hand"
    assert any("corona.kept-1.fits" in said for said in reporter.warnings)


def test_a_changed_input_is_told_and_blamed_where_it_upsets_the_code(workspace, tmp_path):
    def use(settings: Config, space: Workspace, reporter: SilentReporter) -> None:
        if space.path("corona.fits").read_text() != "made":
            raise KeyError("CDELT1")
        if settings.merge.size == 64:
            raise KeyError("a fault of the program")

    enhance = Stage("enhance", use, reads=("corona.fits",))
    stages, settings = [stage(), enhance], config(tmp_path)
    run_stages(settings, workspace, SilentReporter(), stages=stages)
    small = config(tmp_path, merge={"size": 64})
    with pytest.raises(KeyError, match="a fault"):  # which is not put on the files
        run_stages(small, workspace, SilentReporter(), stages=stages, first="enhance")
    workspace.path("corona.fits").write_text("cut")
    reporter = SilentReporter()
    with pytest.raises(LimbwardError, match=r"cannot use corona\.fits.*KeyError.*limbward run"):
        run_stages(settings, workspace, reporter, stages=stages, first="enhance")
    assert "corona.fits has changed since the run that made it." in reporter.warnings


def test_later_stages_need_no_card(workspace, tmp_path):
    def gone(settings: Config) -> str:
        if not (tmp_path / "card").exists():
            raise ConfigError("there is no folder card")
        return ""

    first = Stage("ingest", stage().run, writes=("corona.fits",), fingerprint=gone)
    ran: list[int] = []
    last = Stage("enhance", lambda *_: ran.append(1), reads=("corona.fits",))
    (tmp_path / "card").mkdir()
    run_stages(config(tmp_path), workspace, SilentReporter(), stages=[first, last])
    (tmp_path / "card").rmdir()
    reporter = SilentReporter()
    stages = [first, last]
    run_stages(config(tmp_path), workspace, reporter, stages=stages, first="enhance")
    assert len(ran) == 2
    assert "It is not known whether ingest is up to date" in reporter.warnings[0]


# Fewer frames than before.


@pytest.mark.parametrize(("before", "now", "kept"), [(17, 4, True), (17, 0, True), (17, 13, False)])
def test_a_corona_of_clearly_more_frames_is_kept(workspace, before, now, kept):
    header = fits.Header({"NFRAMES": before})
    with workspace.writing(Workspace.corona) as part:
        write_picture(part, np.ones((3, 4, 4), np.float32), header)
    whole, reporter = workspace.path(Workspace.corona).read_bytes(), SilentReporter()
    keep_better(workspace, now, reporter.warn)
    there = workspace.path("corona.kept-1.fits")
    assert there.exists() == bool(reporter.warnings) == kept
    assert workspace.path(Workspace.corona).exists() != kept
    if kept:
        assert there.read_bytes() == whole
        assert f"made from {before}" in reporter.warnings[0]


# Checksums.


@pytest.mark.parametrize("hdu", [0, 1])
def test_a_flipped_bit_of_a_corona_is_found(tmp_path, hdu):
    path = tmp_path / "corona.fits"
    rng = np.random.default_rng(1)
    image = rng.normal(size=(3, 40, 50)).astype(np.float32)
    write_picture(path, image, fits.Header({"NFRAMES": 3}), {"SIGMA": image})
    np.testing.assert_array_equal(read_picture(path, ["SIGMA"])[0], image)
    whole = path.read_bytes()
    with fits.open(path) as hdus:
        info = hdus[hdu].fileinfo()
    for place in rng.integers(info["datLoc"], info["datLoc"] + image.nbytes, 20):
        damaged = bytearray(whole)
        damaged[place] ^= 1 << int(rng.integers(8))
        path.write_bytes(damaged)
        with pytest.raises(LimbwardError, match="checksum of its HDU"):
            read_picture(path, ["SIGMA"])
        if hdu == 1:
            read_picture(path)  # what is not asked for is not read
            with pytest.raises(LimbwardError, match="checksum of its HDU SIGMA"):
                read_extension(path, "SIGMA")
    path.write_bytes(whole[: info["datLoc"] + 100])
    with pytest.raises(LimbwardError):
        read_picture(path, ["SIGMA"])


def test_a_checksum_that_astropy_wrote_holds(tmp_path):
    path = tmp_path / "other.fits"
    data = np.arange(7 * 5, dtype=np.int16).reshape(7, 5)
    fits.PrimaryHDU(data).writeto(path, checksum=True)
    with open_picture(path) as hdus:
        assert "CHECKSUM" in hdus[0].header
        np.testing.assert_array_equal(hdus[0].data, data)


def test_a_frame_that_was_swapped_is_not_decoded(tmp_path):
    path, other = dng(tmp_path / "a.dng", noise((48, 64))), tmp_path / "b.dng"
    from limbward.regular import sha256

    digest = sha256(path)
    np.testing.assert_array_equal(read_same(path, digest).data, read_same(path, "").data)
    shutil.copy(path, other)
    swapped = bytearray(path.read_bytes())
    swapped[-5] ^= 1
    times = path.stat()
    path.write_bytes(swapped)
    os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))
    with pytest.raises(LimbwardError, match=r"a\.dng is not the file that was measured"):
        read_same(path, digest)
