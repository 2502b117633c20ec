"""The merge in bands against the merge at once."""

from dataclasses import replace
from functools import partial
from itertools import pairwise

import numpy as np
import pytest

from limbward.errors import LimbwardError
from limbward.geometry.grid import Grid
from limbward.geometry.lens import Lens
from limbward.radiance.bands import (
    BASE_BYTES,
    DECODER_BYTES,
    MOST,
    ROWS,
    Band,
    Merging,
    Sizes,
    bands_within,
    merge_in_bands,
    rows_of,
    rows_seen,
)
from limbward.radiance.calibrate import Calibration
from limbward.radiance.merge import MergeFrame, merge, moon_box
from limbward.radiance.registered import register_frames, weight_maps
from limbward.radiance.scratch import room_on_disk
from tests.radiance.scene import Scene, Shot

GIGA = 1e9


@pytest.fixture(scope="module", params=[0.0, 0.02], ids=["straight", "bent"])
def session(request):
    """Return ten frames, some of them turned, with darks, a flat, hot pixels and a satellite."""
    scene = Scene(420, 320, 60.0)
    rng = np.random.default_rng(4)
    shots = [
        Shot(t, 1.0, 210 + rng.uniform(-9, 9), 160 + rng.uniform(-9, 9), rotation_deg=turn)
        for t in (0.004, 0.03)
        for turn in (0.0, 0.0, 0.3, 4.0, -2.0)
    ]
    raws = [scene.frame(s, rng) for s in shots]
    raws[7].data[40:43, 20:400] += 1500  # a satellite's trail
    views = [scene.view(s, r) for s, r in zip(shots, raws, strict=True)]
    registered = register_frames(views, scene.grid)
    weights, predicted = weight_maps(registered, np.ones(len(views)))
    moved = [replace(v.moon, x=v.moon.x + 3 * k, y=v.moon.y + 5 - k) for k, v in enumerate(views)]
    lens = Lens.of_frame(420, 320, request.param)
    frames = [
        MergeFrame(v.affine, v.exposure_s, np.zeros(3), moon, v.noise, w, lens=lens)
        for v, w, moon in zip(views, weights, moved, strict=True)
    ]
    shape = raws[0].data.shape
    darks = [
        Calibration(
            dark=np.full(shape, level) + rng.normal(0, 0.5, shape).astype(np.float32),
            inverse_flat=rng.uniform(0.9, 1.1, shape).astype(np.float32),
            hot=rng.uniform(size=shape) < 0.01,
        )
        for level in np.float32([512.0, 514.0])
    ]
    common = scene.grid, registered.factor, predicted, lambda k, _: darks[k // 5]
    return frames, raws, common, moon_box(scene.view(shots[0], raws[0]).moon)


def merging_of(session, **more):
    frames, raws, (grid, factor, predicted, calibrations), box = session
    return Merging(frames, raws[0].height, grid, factor, predicted, box=box, **more), calibrations


@pytest.mark.parametrize("number", [1, 2, 6])
@pytest.mark.parametrize("down", [0, 170], ids=["", "moon-over-the-edge"])
def test_bands_give_what_the_merge_at_once_gives_to_the_byte(session, tmp_path, number, down):
    frames, raws, common, box = session
    moon = replace(box.moon, y=box.moon.y + down)
    box = replace(box, moon=moon, top=box.top + down)
    whole, disc = merge(frames, enumerate(raws), *common, box=box)
    merging, calibrations = merging_of((frames, raws, common, box))
    edges = np.linspace(0, merging.grid.height // ROWS, number + 1).astype(int) * ROWS
    edges[-1] = merging.grid.height
    calls = []
    parts, part_disc = merge_in_bands(
        merging, bands_of(edges), partial(rows_of, list(enumerate(raws))), calibrations,
        partial(room_on_disk, folder=tmp_path), progress=lambda: calls.append(1),
    )  # fmt: skip
    assert len(calls) == number * len(raws)
    assert np.isfinite(whole.radiance).mean() > 0.5
    assert np.isfinite(disc.radiance).any()
    for a, b in ((parts, whole), (part_disc, disc)):
        for name in ("radiance", "sigma", "count"):
            assert getattr(a, name).tobytes() == getattr(b, name).tobytes(), name
    assert not list(tmp_path.iterdir())


def bands_of(edges):
    return [Band(int(a), int(b)) for a, b in pairwise(edges)]


def test_a_frame_that_can_no_longer_be_read_is_named(session):
    frames, raws, _, _ = session
    readings = iter([LimbwardError("the card is gone"), raws[3]])

    def decode(rows):
        third = next(readings)
        return rows_of([(k, third if k == 3 else raw) for k, raw in enumerate(raws)], rows)

    merging, calibrations = merging_of(session)
    made, _ = merge_in_bands(
        merging, bands_of([0, 144, merging.grid.height]), decode, calibrations, np.empty
    )
    assert made.failed == {3: "the card is gone"}
    assert made.count[:140].max() == len(frames) - 1
    assert made.count[150:].max() == len(frames)


def test_a_band_sees_the_rows_that_its_corners_reach(session):
    frames, raws, (grid, *_), _ = session
    for band in bands_of([0, 96, 192, grid.height]):
        rows = rows_seen(frames, band, grid.width, raws[0].height)
        assert rows.start % 12 == 0
        for frame in frames:
            for x in (0, grid.width - 1):
                for y in (band.first, band.last - 1):
                    at = np.array(frame.lens.bent(*(frame.affine @ [x, y, 1.0])))
                    if 0 <= at[1] < raws[0].height:
                        assert rows.start <= max(at[1] - 3, 0)
                        assert min(at[1] + 3, raws[0].height - 1) < rows.stop


@pytest.mark.parametrize("megapixels", [24, 61, 102])
def test_there_are_no_more_bands_than_memory_demands(megapixels):
    side = int(np.sqrt(megapixels * 1e6))
    grid = Grid(side, side, 2.0, 0.0)
    pixels = side * side
    found, at_work = [], []
    for memory in np.geomspace(0.5, 64.0, 15) * GIGA:
        bands, workers = bands_within(memory, Sizes(grid, pixels, 2), 2)
        assert bands[0].first == 0
        assert bands[-1].last == side
        assert all(a.last == b.first for a, b in pairwise(bands))
        assert all(b.first % ROWS == 0 for b in bands)
        # Of frames the numbers of decoder and program; of a band sums, a batch and what is sent.
        held = BASE_BYTES + workers * (DECODER_BYTES + 2) * pixels
        held += (38 + 15 + 2 * (workers + 1)) * pixels / len(bands)
        assert held < 1.15 * memory or (len(bands), workers) == (MOST, 1)
        found.append(len(bands) / workers)
        at_work.append(workers)
    assert found == sorted(found, reverse=True)
    assert found[0] == MOST
    assert found[-1] == 0.5
    assert (at_work[0], at_work[-1]) == (1, 2)


@pytest.mark.parametrize(("megapixels", "least"), [(4, 1), (24, 3), (61, 8), (102, 11)])
def test_frames_that_are_decoded_once_are_merged_in_more_bands_than_memory_demands(
    megapixels, least
):
    side = int(np.sqrt(megapixels * 1e6))
    sizes = Sizes(Grid(side, side, 2.0, 0.0), side * side, 2)
    bands, workers = bands_within(64.0 * GIGA, sizes, 2, shelved=True)
    assert least <= len(bands) <= MOST
    assert workers == 2
    assert sizes.shared(2) / len(bands) < 0.6 * GIGA
    for memory in (1.2, 1.7, 3.0):
        tight, _ = bands_within(memory * GIGA, sizes, 2, shelved=True)
        assert len(tight) >= len(bands_within(memory * GIGA, sizes, 2)[0]) or len(tight) == MOST
