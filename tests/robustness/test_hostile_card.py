import hashlib
import html
import os
import re
import shutil
import subprocess
import sys

import pytest

from limbward.backup.describe import describe
from limbward.backup.job import back_up
from limbward.backup.verify import verify_bag
from limbward.cli.progress import LineReporter
from limbward.config.loading import load_config
from limbward.runs.runner import run_stages
from limbward.stages.ingest import STAGE
from limbward.work.reporting import SilentReporter, visible
from limbward.workspace import Workspace
from limbward.workspace.columns import texts
from tests.camera.files import dng
from tests.ingest.cards import SITE, row_of
from tests.robustness.hostile import disc, hostile_card

pytestmark = [
    pytest.mark.card,
    pytest.mark.skipif(sys.platform != "linux", reason="names, links and pipes of Linux"),
]


def config_file(root, card="card"):
    path = root / "limbward.yaml"
    path.write_text(
        f"site: {SITE}\neclipse: 2026-08-12\ninput: {{cards: [{card}]}}\nrun: {{jobs: 2}}\n"
    )
    return path


def a_run(root, card="card"):
    path = config_file(root, card)
    workspace, reporter = Workspace(root / "workspace"), SilentReporter()
    run_stages(load_config(path), workspace, reporter, stages=[STAGE])
    return workspace, workspace.read_table(Workspace.frames), reporter


def state(card):
    return {
        p: (
            p.lstat().st_mtime_ns,
            p.lstat().st_mode,
            p.is_file() and not p.is_symlink() and digest(p),
        )
        for p in sorted(card.rglob("*"))
    }


def digest(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    """A run over the hostile card."""
    root = tmp_path_factory.mktemp("hostile")
    broken = hostile_card(root / "card")
    before = state(root / "card")
    found = a_run(root)
    return root, broken, before, *found


def test_every_broken_frame_has_a_row_with_its_reason(hostile):
    _, broken, _, _, table, _ = hostile
    for name in broken:
        row = row_of(table, f"card/{name}")
        assert row["phase"] == "unreadable", name
        assert len(str(row["note"])) > 20, name
        # A crash of the decoder is survived, but for none of these should it come to that.
        assert "crashed" not in row["note"], name
        assert "could not be measured" not in row["note"], name


def test_sound_frames_are_measured_all_the_same(hostile):
    table = hostile[4]
    for name in ("good", "name with spaces", "שלום", "DEEP0001", "mischief"):
        assert row_of(table, f"{name}.DNG")["phase"] == "partial"
    for name in ("nan.FITS", "all-nan.FITS"):
        assert row_of(table, name)["phase"] in ("other", "flat", "dark")


def test_what_the_camera_could_not_mean_is_masked_with_a_reason(hostile):
    table = hostile[4]
    assert table["time_camera"].mask[list(table["file"]).index("card/zero-date.JPG")]
    for name in ("exposure-0.JPG", "exposure-inf.JPG"):
        assert table["exposure"].mask[list(table["file"]).index(f"card/{name}")]


def test_names_that_a_table_cannot_hold_are_told(hostile):
    table, reporter = hostile[4], hostile[5]
    odd = [str(f) for f in table["file"] if "\\" in str(f)]
    assert sorted(odd) == [
        "card/end .DNG\\x20",
        "card/line\\u2028end.DNG",
        "card/new\\nline.DNG",
        "card/no-utf8-\\udcff.DNG",
    ]
    for name in odd:
        assert "rename" in row_of(table, name)["note"]
    assert len(table) == len(set(table["file"]))
    assert reporter.warnings


def test_links_pipes_and_sockets_are_passed_over_with_a_sentence(hostile):
    table, reporter = hostile[4], hostile[5]
    said = "\n".join(reporter.warnings)
    for name in ("dangling", "loop-link", "endless", "pipe", "socket"):
        assert f"{name}.DNG" in said
        assert not any(name in str(f) for f in table["file"])


def test_text_from_the_camera_is_on_one_line_and_steers_nothing(hostile):
    row = row_of(hostile[4], "mischief.DNG")
    assert row["camera"] == "<script>alert(1)</script> [2J[/x]"
    for column in ("camera", "note", "file"):
        assert all(t.isprintable() or "\xa0" in t for t in texts(hostile[4], column))


def test_the_card_is_as_it_was(hostile):
    root, _, before, *_ = hostile
    assert state(root / "card") == before


def test_all_of_it_can_be_backed_up_and_the_bag_is_a_card(hostile, tmp_path):
    root, *_ = hostile
    before = state(root / "card")
    outcome = back_up([root / "card"], [tmp_path / "bag"], describe)
    assert outcome.ok
    assert state(root / "card") == before
    assert verify_bag(tmp_path / "bag").ok
    files = [p for p in (root / "card").rglob("*") if p.is_file() and not p.is_symlink()]
    assert len(outcome.accounts[0].place.records) == len(files)


def test_a_bag_is_a_card(tmp_path):
    dng(tmp_path / "card/DCIM/100TESTA/TST_0001.DNG", disc(1))
    back_up([tmp_path / "card"], [tmp_path / "bag"], describe)
    _, table, _ = a_run(tmp_path, "bag")
    assert list(table["file"]) == ["bag/data/card/DCIM/100TESTA/TST_0001.DNG"]
    assert verify_bag(tmp_path / "bag").ok


def test_a_script_in_the_exif_does_not_run_in_the_report(hostile):
    workspace = hostile[3]
    page = report_of(workspace)
    assert "alert(1)" in page  # shown, as text
    assert "<script>alert" not in page
    assert "<b>Make" not in page
    meta = r'http-equiv="Content-Security-Policy"\s+content="([^"]+)"'
    policy = html.unescape(re.search(meta, page)[1])
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert not re.search(r"""(?:src|href)\s*=\s*["']?(?:https?:)?//""", page)


def report_of(workspace):
    """Return the report of whatever the workspace holds."""
    from limbward.stages import report  # its plots take a second to import

    config = load_config(workspace.root.parent / "limbward.yaml")
    run_stages(config, workspace, SilentReporter())
    assert report.STAGE.outputs(config) == (Workspace.report,)
    return workspace.path(Workspace.report).read_text(encoding="utf-8")


# Root may read everything, unless it gives that up.
AS_ANYONE = ["setpriv", "--bounding-set=-dac_override,-dac_read_search"]


@pytest.fixture(scope="module")
def shut(tmp_path_factory):
    """A card with a file that may not be read, and with folders that may not be listed or entered.

    Returned with what begins the command line of someone to whom this applies.
    """
    root = tmp_path_factory.mktemp("shut")
    dng(root / "card/good.DNG", disc(1))
    dng(root / "card/shut.DNG", disc(2)).chmod(0)
    for name, mode in (("not-listed", 0o100), ("not-entered", 0o400), ("neither", 0)):
        dng(root / f"card/{name}/in.DNG", disc(3)).parent.chmod(mode)
    anyone = []
    if os.access(root / "card/shut.DNG", os.R_OK):
        anyone = AS_ANYONE
        if shutil.which("setpriv") is None:
            pytest.skip("this user may read everything, and there is no setpriv to give that up")
        tried = subprocess.run([*anyone, "cat", root / "card/shut.DNG"], capture_output=True)
        if b"Permission denied" not in tried.stderr:
            pytest.skip("this user may read everything, and may not give that up")
    config_file(root)
    yield root, anyone
    for folder in (root / "card").iterdir():
        folder.chmod(0o700)  # else nobody could remove it


def as_anyone(shut, *arguments):
    root, anyone = shut
    program = [*anyone, sys.executable, "-m", "limbward"]
    return subprocess.run(
        [*program, *arguments], cwd=root, capture_output=True, text=True, check=False
    )


def test_what_may_not_be_read_is_told_and_the_run_goes_on(shut):
    root, _ = shut
    done = as_anyone(shut, "run", "limbward.yaml", "--until", "ingest", "--jobs", "1")
    assert done.returncode == 0, done.stderr
    for name in ("not-listed", "not-entered", "neither"):
        assert f"folder {root / 'card' / name} cannot be read (Permission denied)" in done.stderr
    table = Workspace(root / "workspace").read_table(Workspace.frames)
    assert sorted(table["file"]) == ["card/good.DNG", "card/shut.DNG"]
    assert row_of(table, "shut.DNG")["phase"] == "unreadable"
    assert "cannot be read (Permission denied)" in row_of(table, "shut.DNG")["note"]
    assert row_of(table, "good.DNG")["phase"] == "partial"


def test_a_backup_names_what_may_not_be_read_and_is_not_complete(shut):
    root, _ = shut
    done = as_anyone(shut, "backup", "card", "bag")
    assert done.returncode == 1
    for name in ("not-listed", "not-entered/in.DNG", "neither", "shut.DNG"):
        assert f"{name} was not copied: Permission denied" in done.stderr
    assert [p.name for p in (root / "bag/data").rglob("*.DNG")] == ["good.DNG"]
    checked = as_anyone(shut, "verify", "bag")
    assert checked.returncode == 1
    assert "not finished: 1 of 2 planned files are not in it" in checked.stderr
    assert "3 folders of the card could not be listed" in checked.stderr


def test_progress_on_a_terminal_is_not_steered_by_names(tmp_path):
    with (tmp_path / "log").open("w+") as stream:
        LineReporter(stream).warn("a\x1b[2J\u202eb")
        stream.seek(0)
        assert stream.read() == "  warning: a\\x1b[2J\\u202eb\n"
    assert visible("héllo, שלום\nnext") == "héllo, שלום\nnext"


def test_a_message_with_a_hostile_path_is_printed(tmp_path):
    run = subprocess.run(
        [sys.executable, "-m", "limbward", "verify", f"{tmp_path}/\x1b[2J"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 1
    assert "\x1b" not in run.stderr
