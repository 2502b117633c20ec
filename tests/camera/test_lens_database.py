"""Distortion by a lens's name, against where Lensfun's own library draws places.

The lenses and cameras are invented; the library reads them from text, as it does its own files.
"""

import sys

import numpy as np
import pytest

from limbward.camera.lens_database import SPREAD, UnknownLens, growth_in_database
from limbward.geometry.lens import Growth, Lens

LENS = """<lens><maker>Aurelia</maker><model>{model}</model><mount>A</mount>
<cropfactor>{crop}</cropfactor>{type}<calibration>{terms}</calibration></lens>"""
POLY3 = '<distortion model="poly3" focal="{}" k1="{}"/>'
PTLENS = '<distortion model="ptlens" focal="300" a="0.002" b="-0.012" c="0.004"/>'
LENSES = (
    ("Aurelia T 400mm f/5.6", 1.0, "", POLY3.format(400, 0.004)),
    ("Aurelia T 400mm f/5.6 II", 1.0, "", POLY3.format(400, -0.01)),
    ("Aurelia Z 100-300mm", 1.5, "", POLY3.format(100, -0.01) + POLY3.format(300, 0.006)),
    ("Aurelia P 300mm", 1.0, "", PTLENS),
    ("Aurelia F 8mm", 1.0, "<type>fisheye</type>", POLY3.format(8, 0.01)),
)
SIZE, PITCH = (6000.0, 4000.0), 6.0  # a sensor of 36 by 24 mm
HALF = (SIZE[0] / 2, SIZE[1] / 2)


@pytest.fixture(scope="module")
def database():
    lensfunpy = pytest.importorskip("lensfunpy", reason="not installed", exc_type=ImportError)
    entries = [LENS.format(model=m, crop=c, type=t, terms=x) for m, c, t, x in LENSES]
    camera = "<camera><maker>Aurelia</maker><model>L8</model><mount>A</mount>"
    entries.append(camera + "<cropfactor>1.5</cropfactor></camera>")
    xml = f'<lensdatabase version="1">{"".join(entries)}</lensdatabase>'
    return lensfunpy.Database(xml=xml, load_common=False, load_bundled=False)


def drawn(database, model, crop, focal, size):
    """Places of a straight frame of a quarter of the size, and where the library draws them."""
    import lensfunpy

    lens = next(x for x in database.lenses if x.model == model)
    width, height = (int(n) // 4 for n in size)
    modifier = lensfunpy.Modifier(lens, crop, width, height)
    modifier.initialize(focal, 8.0, 1000.0, flags=lensfunpy.ModifyFlags.DISTORTION)
    there = np.asarray(modifier.apply_geometry_distortion(), float)[::25, ::25].reshape(-1, 2)
    y, x = np.mgrid[:height:25, :width:25].astype(float)
    return np.column_stack([x.ravel(), y.ravel()]), there, (width, height)


@pytest.mark.parametrize(
    ("model", "crop", "focal", "pitch", "worst"),
    [
        ("Aurelia T 400mm f/5.6", 1.0, 400.0, PITCH, 0.1),
        ("Aurelia Z 100-300mm", 1.5, 300.0, PITCH / 1.5, 0.1),
        ("Aurelia Z 100-300mm", 1.5, 170.0, PITCH / 1.5, 0.1),
        ("Aurelia P 300mm", 1.0, 300.0, PITCH, 1.0),  # has terms that one cannot follow
    ],
)
def test_places_are_those_of_the_library(database, model, crop, focal, pitch, worst):
    """In pixels of a frame of 1500 by 1000, but for scale and shift, which a card has of its own.

    The library takes a frame to be a pixel smaller, a thousandth here: 0.02 px at the corner.
    """
    growth = growth_in_database(model, focal, SIZE, pitch, database=database)
    straight, there, size = drawn(database, model, crop, focal, SIZE)
    lens = Lens.of_frame(*size, growth.value)
    middle = np.array([lens.x, lens.y])
    ours = np.column_stack(lens.bent(*straight.T)) - middle
    theirs = there - there.mean(axis=0)
    ours -= ours.mean(axis=0)
    scale = np.sum(ours * theirs) / np.sum(ours**2)
    off = np.hypot(*(scale * ours - theirs).T).max()
    assert off < worst
    # What one term leaves is in the stated error.
    assert growth.sigma**2 >= SPREAD**2 + (0.3 * off / lens.corner) ** 2


def test_the_growth_is_that_of_the_formula(database):
    """Of ``r (1 - k + k r**2)`` in half heights: k times 3.25 at the corner, over 1 - k."""
    growth = growth_in_database("Aurelia T 400mm f/5.6", 400.0, SIZE, PITCH, database=database)
    assert growth.value == pytest.approx(0.004 * 3.25 / (1 - 0.004), rel=0.01)
    small = growth_in_database("Aurelia T 400mm f/5.6", 400.0, SIZE, PITCH / 1.5, database=database)
    assert small.value == pytest.approx(growth.value / 1.5**2, rel=0.01)


def test_names_may_be_written_otherwise_but_mean_one_lens(database):
    wanted = growth_in_database("Aurelia T 400mm f/5.6", 400.0, SIZE, PITCH, database=database)
    for name in ("T400mm F/5.6", "AURELIA  T 400MM F5.6", "t 400mm f/5.6"):
        assert growth_in_database(name, 400.0, SIZE, PITCH, database=database) == wanted
    second = growth_in_database("T 400mm f/5.6 II", 400.0, SIZE, PITCH, database=database)
    assert second.value < 0 < wanted.value
    # The sensor of a camera that the database knows; the focal length of a lens that has one.
    by_camera = growth_in_database(
        "T 400mm f/5.6", None, SIZE, None, "Aurelia L8", database=database
    )
    assert by_camera.value == pytest.approx(wanted.value / 1.5**2, rel=0.01)


@pytest.mark.parametrize(
    ("name", "focal", "pitch", "why"),
    [
        ("T 500mm f/5.6", 400.0, PITCH, "has no lens"),
        ("T 400mm f/5.6", 560.0, PITCH, "at 560 mm"),  # a converter behind it
        ("Z 100-300mm", 300.0, PITCH, "on such a sensor"),  # calibrated on a smaller one
        ("Z 100-300mm", None, PITCH / 1.5, "has no distortion"),  # of a zoom at no focal length
        ("F 8mm", 8.0, PITCH, "has no distortion"),  # bends as fisheyes do
        ("T 400mm f/5.6", 400.0, None, "how large the camera's sensor is"),
    ],
)
def test_what_the_database_does_not_tell_is_said(database, name, focal, pitch, why):
    with pytest.raises(UnknownLens, match=why):
        growth_in_database(name, focal, SIZE, pitch, database=database)


def test_without_the_package_it_says_how_to_get_it(monkeypatch):
    monkeypatch.setitem(sys.modules, "lensfunpy", None)
    with pytest.raises(UnknownLens, match=r"limbward\[lensdb\]"):
        growth_in_database("T 400mm f/5.6", 400.0, SIZE, PITCH)


def test_a_measurement_outweighs_what_was_looked_up():
    before = Growth(0.012, SPREAD, "lens database", looked_up=True)
    after = before.measured(Growth(0.004, SPREAD / 30, "discs"))
    assert after.value == pytest.approx(0.004, abs=2e-5)
    assert after.sigma < SPREAD / 30
    assert after.shows
    assert before.shows
    assert before.measured(Growth()) == before
    measured = Growth(0.004, 0.001, "discs")
    assert Growth().measured(measured) == measured
