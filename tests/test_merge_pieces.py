"""A merge in pieces, ahead of the stage, against the stage alone."""

import os
import pickle
import shutil
from pathlib import Path

import numpy as np
import pytest

from limbward.errors import LimbwardError
from limbward.radiance import assembly
from limbward.regular import sha256
from limbward.stages import merge, merge_one
from limbward.stages.merge_ahead import decode_part, merge_part, prepare_merge
from limbward.stages.merge_pieces import FOLDER, MergePieces
from limbward.work.reporting import SilentReporter
from limbward.workspace import Workspace
from limbward.workspace.plain import read_plain, write_plain
from tests.test_merge_bodies import make_session

pytestmark = pytest.mark.card

MADE = (
    Workspace.corona,
    Workspace.noise,
    *(Workspace.table(name) for name in ("merge", "bodies", "shares")),
)


def made(workspace):
    return {name: sha256(workspace.path(name)) for name in MADE}


def run(config, workspace):
    merge.run(config, workspace, SilentReporter())
    assert not workspace.path(FOLDER).exists()
    return made(workspace)


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """Two bodies, one of them with darks and a frame that cannot be read, merged by the stage."""
    folder = tmp_path_factory.mktemp("whole")
    config, workspace = make_session(folder, darks=2)
    (folder / "card" / "F003.fits").write_bytes(b"nothing")
    return config, run(config, workspace), folder


def do_pieces(config, workspace):
    ahead = prepare_merge(config, workspace, 3)
    for of in ahead:
        for part in range(of.decodings):
            decode_part(config, workspace, of, part)
        for band in range(of.bands):
            merge_part(workspace, of, band)
    return ahead


@pytest.fixture(scope="module")
def cut(whole, tmp_path_factory):
    """The same before the stage has run, with all pieces done."""
    config, _, folder = whole
    copy = tmp_path_factory.mktemp("cut") / "s"
    shutil.copytree(folder, copy)
    workspace = Workspace(copy / "workspace")
    for name in MADE:
        workspace.path(name).unlink()
    ahead = do_pieces(config, workspace)
    # Eight frames of each body: the Moon, the corona and what is outside are in several bands.
    assert [(of.decodings, of.bands) for of in ahead] == [(3, 3), (3, 3)]
    return copy


@pytest.fixture
def session(whole, cut, tmp_path):
    """A config, a workspace with the pieces, and what the stage makes alone."""
    shutil.copytree(cut, tmp_path / "s")
    return whole[0], Workspace(tmp_path / "s" / "workspace"), whole[1]


def test_a_merge_in_pieces_is_that_of_the_stage_to_the_byte(session, monkeypatch):
    config, workspace, alone = session

    def never(*_, **__):
        raise AssertionError("this has been done")

    monkeypatch.setattr(merge_one, "merge_pixels", never)
    monkeypatch.setattr(assembly, "compare", never)
    assert run(config, workspace) == alone


def test_bands_and_frames_that_are_there_are_not_done_again(session):
    config, workspace, _ = session
    folder = workspace.path(FOLDER)
    times = {p: p.stat().st_mtime_ns for p in folder.rglob("*") if p.is_file()}
    assert len(times) > 20
    one = next(folder.glob("*/band-1"))
    before = one.read_bytes()
    one.unlink()
    do_pieces(config, workspace)
    again = {p: p.stat().st_mtime_ns for p in folder.rglob("*") if p.is_file()}
    assert {p for p in times if times[p] != again[p]} == {one}
    assert one.read_bytes() == before


def joined(config, workspace):
    """Return what the stage finds of each body."""
    key = merge.merge_key(config, workspace)
    found = merge.asked_for(config, workspace, SilentReporter()).found
    return [
        MergePieces(workspace, key, c.frames).joined(c.frames, field, np.empty)
        for c, field in found
    ]


def test_of_a_body_with_a_piece_that_was_not_done_nothing_is_taken(session):
    config, workspace, _ = session
    next(workspace.path(FOLDER).glob("*/band-2")).unlink()
    assert [found is None for found in joined(config, workspace)] in ([True, False], [False, True])


@pytest.mark.parametrize("of", ["band-2", "plan", "maps.npy"])
def test_damaged_pieces_are_not_believed(session, of):
    config, workspace, _ = session
    for path in workspace.path(FOLDER).glob(f"*/{of}"):
        path.write_bytes(path.read_bytes()[:-200])
    assert joined(config, workspace) == [None, None]


def test_pieces_of_another_config_or_card_are_not_taken(session):
    config, workspace, _ = session
    margin = config.merge.model_copy(update={"moon_margin_px": 9.0})
    assert joined(config.model_copy(update={"merge": margin}), workspace) == [None, None]
    table = workspace.read_table(Workspace.table("align"))
    table["sun_x"][0] += 1.0
    workspace.write_table(Workspace.table("align"), table)
    assert joined(config, workspace) == [None, None]


def test_few_frames_are_not_cut(session):
    config, workspace, _ = session
    shutil.rmtree(workspace.path(FOLDER))
    assert prepare_merge(config, workspace, 8) == []
    assert not workspace.path(FOLDER).exists()


def test_a_file_of_somebody_elses_runs_no_code(tmp_path):
    class Bomb:
        def __reduce__(self):
            return os.mkdir, (str(tmp_path / "gone-off"),)

    path = tmp_path / "plan"
    path.write_bytes(pickle.dumps([Bomb()]))
    with pytest.raises(LimbwardError, match="has no place"):
        read_plain(path)
    assert not (tmp_path / "gone-off").exists()
    # Nor does a function of the package.
    path.write_bytes(b"climbward.workspace.writing\nwrite_text\n.")
    with pytest.raises(LimbwardError, match="has no place"):
        read_plain(path)


def test_what_is_written_comes_back(tmp_path):
    value = {"a": [np.arange(3.0), np.float32(2.5), None], "b": (True, "text")}
    write_plain(tmp_path / "x", value)
    back = read_plain(tmp_path / "x")
    np.testing.assert_array_equal(back["a"][0], value["a"][0])
    assert back["a"][1:] == value["a"][1:]
    assert back["b"] == value["b"]
    with pytest.raises(LimbwardError, match="cannot be read"):
        read_plain(Path(tmp_path / "none"))
