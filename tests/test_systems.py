"""Branches for systems that the tests do not run on, with those systems' answers made up.

Microsoft's documentation of ReplaceFile and MoveFileEx: a file that another process has open
without FILE_SHARE_DELETE cannot be replaced, ERROR_ACCESS_DENIED or ERROR_SHARING_VIOLATION, both
of which Python raises as PermissionError. Apple's manual of fsync(2): the drive may keep what it
was sent in its own memory; F_FULLFSYNC asks it to write that out.
"""

import io
import json
import os
import socket
import sys
import types

import pytest

from limbward import regular
from limbward.cli import messages
from limbward.cli.printing import print_json
from limbward.errors import ConfigError, LimbwardError
from limbward.review import server
from limbward.work import executors, worker
from limbward.workspace import writing


@pytest.fixture
def windows(monkeypatch):
    """Pretend to be Windows to this package; how long a file is waited for is shorter."""
    monkeypatch.setattr(regular.sys, "platform", "win32")
    monkeypatch.setattr(regular, "HELD_S", 0.2)
    monkeypatch.setattr(regular, "ASK_AGAIN_S", 0.01)


@pytest.fixture
def held(monkeypatch):
    """Have a number of replacements refused, as while another program reads the file."""
    left = {"times": 0}
    genuine = os.replace

    def replace(part, target):
        if left["times"]:
            left["times"] -= 1
            raise PermissionError(13, "Access is denied", str(part))
        genuine(part, target)

    monkeypatch.setattr(os, "replace", replace)
    return left


def test_a_file_that_is_being_read_is_replaced_when_it_is_let_go(tmp_path, windows, held):
    target = tmp_path / "composite.png"
    target.write_bytes(b"old")
    held["times"] = 3
    with writing.atomic_path(target) as part:
        part.write_bytes(b"new")
    assert target.read_bytes() == b"new"
    assert list(tmp_path.iterdir()) == [target]


def test_a_file_that_stays_open_is_told_and_kept(tmp_path, windows, held):
    target = tmp_path / "composite.png"
    target.write_bytes(b"old")
    held["times"] = 10**6
    with (
        pytest.raises(LimbwardError, match="another program has it open"),
        writing.atomic_path(target) as part,
    ):
        part.write_bytes(b"new")
    assert target.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [target]


def test_elsewhere_a_refusal_is_final(tmp_path, held, monkeypatch):
    monkeypatch.setattr(regular.time, "sleep", lambda seconds: pytest.fail("it waits"))
    held["times"] = 1
    with pytest.raises(LimbwardError), writing.atomic_path(tmp_path / "a.txt") as part:
        part.write_bytes(b"new")


@pytest.mark.parametrize("refused", [False, True])
def test_a_disk_of_macos_is_asked_to_write_out_what_it_holds(tmp_path, monkeypatch, refused):
    asked = []

    def fcntl(number, command):
        asked.append(command)
        if refused:  # network volumes
            raise OSError(45, "Operation not supported")

    made_up = types.SimpleNamespace(F_FULLFSYNC=51, fcntl=fcntl)
    monkeypatch.setitem(sys.modules, "fcntl", made_up)
    monkeypatch.setattr(regular.sys, "platform", "darwin")
    monkeypatch.setattr(os, "fsync", lambda number: asked.append("fsync"))
    with (tmp_path / "a").open("wb") as file:
        regular.flush_to_device(file.fileno())
    assert asked == ([51, "fsync"] if refused else [51])


@pytest.mark.parametrize("system", ["win32", "darwin"])
def test_processes_begin_afresh_where_they_cannot_be_forked(monkeypatch, system):
    monkeypatch.setattr(executors.sys, "platform", system)
    assert executors.beginning.__wrapped__().get_start_method() == "spawn"


def test_cores_where_no_affinity_is_told(monkeypatch):
    monkeypatch.delattr(os, "sched_getaffinity", raising=False)
    monkeypatch.setattr(os, "cpu_count", lambda: 6)
    assert executors.cores() == 6


def test_no_timer_of_processor_time_and_no_limit_of_memory(monkeypatch):
    """Windows has neither; a file that takes for ever is then ended by the clock."""
    monkeypatch.delattr(worker.signal, "setitimer")
    monkeypatch.setattr(worker, "_data_bytes", lambda: None)
    monkeypatch.setattr(worker.multiprocessing, "parent_process", lambda: object())
    timers = []
    monkeypatch.setattr(
        worker.faulthandler, "dump_traceback_later", lambda left, **how: timers.append(left)
    )
    monkeypatch.setattr(
        worker.faulthandler, "cancel_dump_traceback_later", lambda: timers.append(None)
    )
    with worker.limited(50.0, room=1):
        pass
    assert timers[0] == pytest.approx(50.0, abs=1.0)
    assert timers[-1] is None


def test_a_port_is_not_shared_with_another_program_on_windows(monkeypatch):
    """There SO_REUSEADDR gives the port to whoever asks; SO_EXCLUSIVEADDRUSE is -5 in Winsock."""
    options = []

    class Socket:
        def __init__(self, *kind):
            pass

        def setsockopt(self, level, option, value):
            options.append((option, value))

        def bind(self, address):
            raise OSError(10048, "Only one usage of each socket address is normally permitted")

        def close(self):
            pass

    monkeypatch.setattr(socket, "SO_EXCLUSIVEADDRUSE", -5, raising=False)
    monkeypatch.setattr(socket, "socket", Socket)
    with pytest.raises(ConfigError, match="give another --port"):
        server._listening(8000)
    assert options == [(-5, 1)]


@pytest.mark.parametrize(
    ("encoding", "shown"),
    [
        ("ascii", b"58.3 +/- 0.2 s slow, P 40 deg, -1 R_sun ?"),
        ("cp1252", b"58.3 \xb1 0.2 s slow, P 40\xb0, -1 R_sun ?"),
        ("utf-8", "58.3 ± 0.2 s slow, P 40°, −1 R_☉ 日".encode()),
    ],
)
def test_a_message_is_shown_whatever_the_encoding_of_the_output(monkeypatch, encoding, shown):
    raw = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(raw, encoding))
    messages.show_what_can_be_shown()
    print("58.3 ± 0.2 s slow, P 40°, −1 R_☉ 日", end="", flush=True)
    assert raw.getvalue() == shown


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "utf-8"])
def test_json_is_the_same_in_every_encoding(monkeypatch, encoding):
    raw = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(raw, encoding))
    messages.show_what_can_be_shown()
    value = {"caution": "−0.2 ± 0.3 s, 日食"}
    print_json(value)
    sys.stdout.flush()
    assert json.loads(raw.getvalue().decode(encoding)) == value
