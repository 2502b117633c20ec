"""The merge at screen size, and the copy of it that is kept."""

from __future__ import annotations

import os

import numpy as np
import pytest

from limbward.picture.resampling import shrink
from limbward.radiance.fits import read_picture
from limbward.review import screen
from limbward.review.screen import COPY, read_screen
from limbward.workspace import Workspace
from tests.review.made import write_merge


def alike(one, other):
    for name in ("image", "sigma"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))
    np.testing.assert_array_equal(one.surface[0], other.surface[0])
    assert one.surface[1:] == other.surface[1:]
    assert (one.factor, one.blur_px) == (other.factor, other.blur_px)
    assert one.header.tostring() == other.header.tostring()


@pytest.fixture
def workspace(own, monkeypatch):
    monkeypatch.setattr(screen, "SCREEN_PX", 150)  # of 300: a factor of two
    return Workspace(own.parent / "workspace")


def test_the_copy_is_what_was_read(workspace, monkeypatch):
    first = read_screen(workspace)
    assert first.factor == 2
    assert first.blur_px == pytest.approx(0.9)  # of all limbs in the table
    whole, _, found = read_picture(workspace.path(Workspace.corona), ["SIGMA"])
    np.testing.assert_allclose(first.image, shrink(whole, factor=2)[0], rtol=1e-5)
    noise = np.sqrt(shrink(np.square(found["SIGMA"]), factor=2)[0]) / 2
    np.testing.assert_allclose(first.sigma, noise, rtol=1e-5)
    monkeypatch.setattr(screen, "_read", None)  # only the copy is left to read
    alike(read_screen(workspace), first)


@pytest.mark.parametrize("change", ["merge", "table", "damaged copy", "code"])
def test_another_merge_is_read_anew(workspace, monkeypatch, change):
    before = read_screen(workspace)
    copy = workspace.path(COPY)
    if change == "merge":
        path = workspace.path(Workspace.corona)
        path.unlink()
        write_merge(path, 240, 160)
    elif change == "table":
        os.utime(workspace.path(Workspace.table("merge")), (1, 1))
    elif change == "damaged copy":
        data = copy.read_bytes()
        copy.write_bytes(data[: len(data) // 2])
    else:
        monkeypatch.setattr(screen, "stamp", lambda file: b"another text")
    read = []
    monkeypatch.setattr(
        screen, "_read", lambda given, own=screen._read: read.append(own(given)) or read[0]
    )
    after = read_screen(workspace)
    assert len(read) == 1
    assert after.image.shape == ((3, 80, 120) if change == "merge" else before.image.shape)
    alike(read_screen(workspace), after)
    assert len(read) == 1  # the new copy serves


def test_without_a_copy_the_merge_is_shown_all_the_same(workspace):
    workspace.path(COPY).mkdir()  # nothing can be written there
    assert read_screen(workspace).image.shape == (3, 100, 150)


def test_the_half_has_its_moon_at_the_same_place(workspace):
    """Of a disc that is its own place: every cell holds the mean of its places."""
    whole = read_screen(workspace)
    disc, top, left = whole.surface
    y, x = np.indices(disc.shape[1:], dtype=np.float32)
    marked = np.stack([x + left, y + top, x * 0]).astype(np.float32)
    half = screen.Screen(
        whole.image, whole.sigma, whole.header, 2, (marked, top, left), 0.9
    ).halved()
    assert half.factor == 4
    small, row, column = half.surface
    high, wide = small.shape[1:]
    yy, xx = np.indices((high, wide))
    np.testing.assert_allclose(small[0], 2 * (xx + column) + 0.5)
    np.testing.assert_allclose(small[1], 2 * (yy + row) + 0.5)
