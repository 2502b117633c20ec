"""Cards of files that are not linear, or may not be: brackets tell, and light comes back right.

The corona is made up: its light is known at every pixel, and what is read back is compared with it.
"""

import json
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from limbward.camera.same import read_same
from limbward.config.loading import load_config
from limbward.stages import ingest
from limbward.work import executors
from limbward.work.reporting import SilentReporter
from limbward.workspace import Workspace
from limbward.workspace.columns import flags, texts
from limbward.workspace.responses import read_responses
from tests.apart import files
from tests.camera.files import dng

SHAPE = (300, 400)
MOON = (201.3, 148.6, 40.0)
EXPOSURES = [1 / 512, 1 / 256, 1 / 128, 1 / 64, 1 / 32, 1 / 16, 1 / 8, 1 / 4]
KINDS = {"gamma": (16, True), "linear": (16, False), "8 bits": (8, True)}


@pytest.fixture(autouse=True)
def _in_threads(monkeypatch):
    monkeypatch.setattr(executors, "local_pool", ThreadPoolExecutor)


def light_of(exposure):
    """Return (H, W) of white: a black Moon before light that falls by the fourth power."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    rho = np.hypot(x - MOON[0], y - MOON[1]) / MOON[2]
    return 200 * exposure * np.maximum(rho, 1) ** -4 / (1 + np.exp((1 - rho) * MOON[2] / 0.6))


def tags(k, exposure):
    return files.Tags(
        "Invented", "One", "SN1", f"2026:08:12 17:45:{10 + 2 * k:02d}", None, None, exposure, 100,
        8.0, 600.0,
    )  # fmt: skip


def card(folder, kind):
    folder.mkdir()
    rng = np.random.default_rng(5)
    for k, exposure in enumerate(EXPOSURES):
        seen = light_of(exposure)
        seen = seen + np.sqrt(seen / 40_000) * rng.standard_normal(SHAPE)
        colours = np.clip(np.repeat(seen[..., None], 3, axis=-1), 0, 1)
        if kind == "jpeg":
            files.jpeg(folder / f"IMG_{k + 1:04d}.JPG", colours, tags(k, exposure))
        else:
            name = folder / f"IMG_{k + 1:04d}.TIF"
            files.tiff(name, colours, tags(k, exposure), *KINDS[kind])


def run(root):
    site = "{latitude: 65.0, longitude: -23.4, height: 40}"
    path = root / "limbward.yaml"
    path.write_text(f"site: {site}\neclipse: 2026-08-12\ninput: {{cards: [card]}}\n")
    workspace, reporter = Workspace(root / "workspace"), SilentReporter()
    ingest.run(load_config(path), workspace, reporter)
    return workspace, workspace.read_table(Workspace.table("ingest")), reporter


@pytest.mark.parametrize("kind", [*KINDS, "jpeg"])
def test_pixels_come_out_in_proportion_to_light(tmp_path, kind):
    card(tmp_path / "card", kind)
    workspace, table, reporter = run(tmp_path)
    assert set(texts(table, "phase")) == {"totality"}
    assert set(flags(table, "linear")) == {kind == "linear"}
    told = json.loads(workspace.path(Workspace.responses).read_text())["files"]
    assert [entry["linear"] for entry in told] == [kind == "linear"]
    curves = read_responses(workspace)
    names = texts(table, "response")
    if kind == "gamma":  # declared by nothing
        assert set(names) == set(curves)
        assert any("not linear" in warning for warning in reporter.warnings)
    else:
        assert set(names) == {""}
        assert not curves
    ratios = []
    for k, exposure in enumerate(EXPOSURES):
        path = tmp_path / str(table["file"][k])
        frame = read_same(path, str(table["sha256"][k]), curves.get(names[k]))
        true = light_of(exposure)
        middle = (true > 0.05) & (true < 0.8)
        if np.count_nonzero(middle) > 50:
            ratios.append(np.median((frame.data[1] / frame.white)[middle] / true[middle]))
    # Shutters are believed to 5 % each, and a curve has one scale of its own.
    assert len(ratios) >= 5
    assert np.ptp(np.log(ratios)) < 0.05


def test_a_jpeg_stands_in_for_a_raw_frame_that_cannot_be_decoded(tmp_path):
    card(tmp_path / "card", "jpeg")
    rng = np.random.default_rng(1)
    mosaic = np.repeat((light_of(1 / 32) * 14000)[..., None], 1, axis=-1)[..., 0]
    mosaic = np.clip(mosaic + rng.normal(512, 4, SHAPE), 0, 15800).astype(np.uint16)
    for name in ("IMG_0001.DNG", "IMG_0002.DNG"):
        dng(tmp_path / "card" / name, mosaic)
    whole = (tmp_path / "card/IMG_0002.DNG").read_bytes()
    (tmp_path / "card/IMG_0002.DNG").write_bytes(whole[:3000])
    _, table, _ = run(tmp_path)
    phase = dict(zip([str(f)[5:] for f in table["file"]], texts(table, "phase"), strict=True))
    note = dict(zip([str(f)[5:] for f in table["file"]], texts(table, "note"), strict=True))
    assert phase["IMG_0002.DNG"] == "unreadable"
    assert phase["IMG_0002.JPG"] == "totality"
    assert "instead of card/IMG_0002.DNG" in note["IMG_0002.JPG"]
    assert phase["IMG_0001.JPG"] == "other"
    assert "card/IMG_0001.DNG is used" in note["IMG_0001.JPG"]


def test_an_interrupted_and_an_enlarged_card_come_out_as_one_run_would(tmp_path):
    card(tmp_path / "card", "gamma")
    held_back = tmp_path / "IMG_0008.TIF"
    (tmp_path / "card/IMG_0008.TIF").rename(held_back)
    workspace, first, _ = run(tmp_path)
    journal = workspace.path(ingest.JOURNAL)
    lines = journal.read_text().splitlines(keepends=True)
    assert len(lines) == 2 * 7 + 1  # each was measured twice
    journal.write_text("".join(lines[:10]))  # killed in the second round
    _, again, _ = run(tmp_path)
    assert list(again["response"]) == list(first["response"])
    assert list(again["measured_moon_x"]) == list(first["measured_moon_x"])
    held_back.rename(tmp_path / "card/IMG_0008.TIF")
    workspace, enlarged, _ = run(tmp_path)
    assert len(enlarged) == 8
    assert set(enlarged["response"]) == set(read_responses(workspace))
    kept = {str(name) for name in enlarged["reduced"]}
    assert kept == {f"reduced/{p.name}" for p in workspace.path("reduced/").iterdir()}
