"""The report stage: from artefacts, as many as there are, to report.html."""

from __future__ import annotations

import json
import re
from datetime import datetime

import numpy as np
import pytest
from astropy.io.fits import Header
from astropy.table import Table
from PIL import Image

from limbward.config import Config
from limbward.errors import LimbwardError
from limbward.geometry.law import mean_corona
from limbward.radiance.fits import write_picture
from limbward.runs.stage import ORDER
from limbward.stages import report
from limbward.work.reporting import SilentReporter
from limbward.workspace import Workspace, read_table
from limbward.workspace.columns import masked_floats, masked_texts
from limbward.workspace.frames import assemble_frames
from limbward.workspace.reported import read_frames
from tests.report.pages import Page, clock, contacts

SIZE = (240, 320)
SUN = (160.0, 120.0, 30.0)
FILES = [
    # file, phase, exposure, UTC, used, note
    ("card/DCIM/100TESTA/TEST0001.DNG", "partial", 0.002, "2026-08-12T17:00:00.000Z", False, ""),
    ("card/DCIM/100TESTA/TEST0002.DNG", "totality", 0.002, "2026-08-12T17:46:10.000Z", True, ""),
    ("card/DCIM/100TESTA/TEST0003.DNG", "totality", 0.1, "2026-08-12T17:46:20.000Z", True, ""),
    ("card/DCIM/100TESTA/TEST0005.DNG", "totality", 2.0, "", False, "a <b>bird</b>"),
    ("card/DCIM/100TESTA/TEST0006.DNG", "unreadable", np.nan, "", False, "It is cut short."),
]


@pytest.fixture
def config() -> Config:
    return Config.model_validate(
        {
            "site": {"latitude": 65.0, "longitude": -23.4},
            "eclipse": "2026-08-12",
            "input": {"cards": ["card"]},
            "report": {"author": "A. Tester & Co"},
        }
    )


@pytest.fixture
def workspace(tmp_path) -> Workspace:
    return Workspace(tmp_path / "workspace")


def write_contacts(workspace: Workspace, kind: str = "total") -> None:
    site = {"name": "", "latitude": 65.0, "longitude": -23.4, "height": 40.0}
    more = {"site": site, "magnitude": 1.009, "obscuration": 1.0}
    workspace.write_json(Workspace.contacts, contacts(kind) | more)


def write_tables(workspace: Workspace, until: str = "merge") -> None:
    file, phase, exposure, utc, used, note = (list(c) for c in zip(*FILES, strict=True))
    n = len(FILES)
    readable = [p != "unreadable" for p in phase]
    ingest = Table({"file": file, "phase": phase, "size": [8_000_000] * n})
    ingest["camera"], ingest["serial"] = ["Testcam One"] * n, ["77"] * n
    ingest["exposure"], ingest["iso"] = masked_floats(exposure), [100] * n
    ingest["width"], ingest["height"] = [float(SIZE[1])] * n, [float(SIZE[0])] * n
    ingest["reduced"] = masked_texts(
        [f"reduced/{i}.npz" if r else "" for i, r in enumerate(readable)]
    )
    ingest["preview"] = masked_texts(
        [f"previews/{i}.jpg" if r else "" for i, r in enumerate(readable)]
    )
    ingest["note"] = masked_texts(
        [t if p == "unreadable" else "" for t, p in zip(note, phase, strict=True)]
    )
    workspace.write_table(Workspace.table("ingest"), ingest)
    workspace.path("previews").mkdir(exist_ok=True)
    workspace.path("reduced").mkdir(exist_ok=True)
    y, x = np.mgrid[: SIZE[0] : 2, : SIZE[1] : 2] + 0.5
    rho = np.hypot(x - SUN[0], y - SUN[1]) / SUN[2]
    for i, e in enumerate(exposure):
        if readable[i]:
            Image.new("RGB", (32, 24), "gray").save(workspace.path(f"previews/{i}.jpg"))
            signal = e * 1e11 * mean_corona(np.maximum(rho, 0.9))
            planes = np.where(signal < 14000, signal, np.nan).astype(np.float32)
            np.savez(workspace.path(f"reduced/{i}.npz"), planes=np.stack([planes] * 3), factor=2)
    timing = Table({"file": file, "time_utc": masked_texts(utc)})
    timing["clock_residual_s"] = masked_floats([0.4] + [np.nan] * (n - 1))
    workspace.write_table(Workspace.table("timing"), timing)
    align = Table({"file": file})
    for name, value in zip(("sun_x", "sun_y", "sun_radius"), SUN, strict=True):
        align[name] = masked_floats([value if r else np.nan for r in readable])
    workspace.write_table(Workspace.table("align"), align)
    merge = Table(
        {
            "file": file,
            "used": used,
            "relative_exposure": masked_floats([np.nan, 0.995, 1.02, np.nan, np.nan]),
            "note": masked_texts(
                [t if p == "totality" else "" for t, p in zip(note, phase, strict=True)]
            ),
        }
    )
    workspace.write_table(Workspace.table("merge"), merge)
    stages = ("ingest", "timing", "align", "merge")
    for name in stages[stages.index(until) + 1 :]:
        workspace.path(Workspace.table(name)).unlink()
    assemble_frames(workspace)


def write_corona(workspace: Workspace) -> None:
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    rho = np.hypot(x - SUN[0], y - SUN[1]) / SUN[2]
    plane = (1e11 * mean_corona(np.maximum(rho, 0.9))).astype(np.float32)
    header = Header()
    header["CRPIX1"], header["CRPIX2"] = SUN[0] + 1, SIZE[0] - SUN[1]
    header["CDELT1"], header["UPPA"], header["RSUN_OBS"] = 30.0, 0.0, 30.0 * SUN[2]
    header["MOONX"], header["MOONY"], header["MOONR"] = SUN[0] + 1, SIZE[0] - SUN[1], 31.0
    header["NFRAMES"], header["EXPTOTAL"] = 2, 0.102
    header["GAIN1"] = (5.0, "electrons per ADU at ISO 100, measured")
    header["READ1"] = (1.5, "read noise, ADU, at ISO 100, measured")
    stack = np.stack([plane] * 3)
    extensions = {"SIGMA": 0.01 * stack, "COUNT": np.full(stack.shape, 2, np.int16)}
    sentence = "Weights from the radiance that is predicted, and from the noise of the " * 2
    write_picture(workspace.path(Workspace.corona), stack, header, extensions, [sentence + "end."])


def write_variants(workspace: Workspace) -> None:
    tone = {
        "curve": "L = floor + (ceiling - floor) asinh((Y - dark) / soft)",
        "inverse": "Y = dark + soft sinh((L - floor))",
        "dark": 5.0,
        "bright": 1e5,
        "soft": 100.0,
        "floor": 0.05,
        "ceiling": 0.95,
    }
    workspace.write_json(Workspace.tone, tone)
    for name in (Workspace.annotated, Workspace.side_by_side, Workspace.polar):
        Image.new("RGB", (64, 48)).save(workspace.path(name))


def made(config: Config, workspace: Workspace) -> Page:
    reporter = SilentReporter()
    report.run(config, workspace, reporter)
    return Page(workspace.path(Workspace.report).read_text(encoding="utf-8"))


def test_whole_run(config, workspace):
    write_contacts(workspace)
    write_tables(workspace)
    write_corona(workspace)
    workspace.write_json(Workspace.clock, {"cameras": [clock().entry]})
    pointing = {
        "camera": "Testcam One",
        "serial": "77",
        "pixel_scale_arcsec": 30.0,
        "up_position_angle": 12.5,
        "field_rotation_deg_per_hour": 0.0,
    }
    workspace.write_json(Workspace.pointing, {"cameras": [pointing]})
    Image.new("RGB", (64, 48)).save(workspace.path(Workspace.composite_png))
    picture = workspace.path(Workspace.enhanced("nrgf")[2])
    picture.parent.mkdir()
    Image.new("RGB", (64, 48)).save(picture)
    model = {
        "iso": 100.0,
        "gain_electrons_per_adu": 5.0,
        "read_noise_adu": 1.5,
        "read_noise_electrons": 7.5,
        "pixel_spread": 0.0,
        "origin": "measured on pairs of flats and darks",
        "linear_up_to": [0.9, 0.92, 0.9],
    }
    workspace.write_json(
        Workspace.noise,
        {"camera": "Example One", "serial": "12", "models": [model], "sky": [10.0, 20.0, 30.5]},
    )
    write_variants(workspace)
    strip = {
        "name": "strip",
        "title": "The contacts",
        "caption": "Beads at C2.",
        "alt": "Five beads.",
        "picture": "sequences/strip.png",
        "numbers": {"position angle": "84.25", "beads": "5"},
        "warnings": ["A bead was left out."],
        "files": ["sequences/strip.tif"],
    }
    film = {**strip, "name": "film", "title": "A film", "picture": None}
    for product in (strip, film):
        workspace.write_json(f"sequences/{product['name']}.json", product)
    Image.new("RGB", (64, 48)).save(workspace.path("sequences/strip.png"))

    page = made(config, workspace)
    text = page.text
    assert page.texts["h1"] == ["Total eclipse of the Sun, 12 August 2026"]
    assert "A. Tester & Co" in text
    assert "5 files, 40 MB; 1 could not be read" in text
    assert "1 partial, 3 totality, 1 unreadable" in text
    assert "58.30 ± 0.10 s slow" in text
    assert "Made of 2 frames. Solar north is up." in text
    assert "lies at position angle 12.50°" in text
    assert "a <b>bird</b>" in text
    assert not page.all("b")
    assert "skip card/DCIM/TEST 0004" in text
    assert "made by the filter nrgf" in text
    # The corona is the published law itself, so nothing but the rings' width is left.
    assert float(re.search(r"\(Baumbach 1937\) within (\d+) %", text)[1]) <= 3
    sentence = "Weights from the radiance that is predicted, and from the noise of the "
    assert sentence * 2 + "end." in text  # a FITS header breaks it into lines of 72
    # composite, enhanced, its three other forms, the strip, four previews
    assert len(page.all("img")) == 10
    # 2 timelines, residuals, 2 of the Sun's place, coverage, 3 of the merge, light, tone
    assert len(page.all("svg")) == 11
    assert (
        "5 electrons per ADU and 7.5 electrons of read noise (1.5 ADU), measured on pairs" in text
    )
    assert "up to 90, 92 and 90 % (red, green, blue) of the range" in text
    assert "A sky of 10, 20, 30.5 ADU/s (red, green, blue) was subtracted" in text
    assert "brightness is off by −0.5 to +2.0 % from" in text
    assert "Y = dark + soft sinh" in text
    assert "The contacts: Beads at C2." in " ".join(text.split())
    assert "position angle: 84.25; beads: 5" in text
    assert "Files: sequences/strip.tif" in text
    assert "Warning: A bead was left out." in text
    assert "A film" in text
    for chart in page.elements:
        if "data-chart" in chart[1]:
            drawn = json.loads(chart[1]["data-chart"])
            assert drawn["at"] == sorted(drawn["at"])
            assert all(len(line["y"]) == len(drawn["at"]) for line in drawn["series"])
            assert len(drawn["texts"]) == len(drawn["at"])
    assert "certified solar filter" in text


def test_frames_carry_what_the_tables_know(config, workspace):
    write_tables(workspace)
    first, *_, last = read_frames(workspace)
    assert first.time == datetime(2026, 8, 12, 17, 0, 0)
    assert first.camera == "Testcam One (77)"
    assert first.clock_residual_s == pytest.approx(0.4)
    assert (first.sun_x, first.number, first.roll) == (SUN[0], 1, "card/DCIM/TEST")
    assert last.time is None
    assert last.preview is None
    assert np.isnan([last.exposure_s, last.sun_x]).all()


def test_partial_eclipse(config, workspace):
    write_contacts(workspace, "partial")
    write_tables(workspace, until="align")
    page = made(config, workspace)
    assert page.texts["h1"] == ["Partial eclipse of the Sun, 12 August 2026"]
    assert "merged corona" not in page.text
    assert "look like totality, yet the eclipse was partial" in page.text


def test_only_the_clocks_were_audited(config, workspace):
    write_contacts(workspace)
    write_tables(workspace, until="timing")
    workspace.write_json(Workspace.clock, {"cameras": [clock().entry]})
    page = made(config, workspace)
    assert "subtract 3 h, then add 58.3 s" in page.text
    assert "Neither Sun nor Moon was located" in page.text
    assert "none was merged" in page.text


def test_nothing_was_made_yet(config, workspace):
    page = made(config, workspace)
    assert "There are no frames." in page.text
    assert not page.all("svg")


def test_sources_of_the_report_are_declared(config):
    assert report.STAGE.name == ORDER[-1]
    assert report.STAGE.outputs(config) == (Workspace.report,)
    reads = report.STAGE.inputs(config)
    assert {Workspace.frames, Workspace.corona, "enhanced/nrgf.png"} <= set(reads)
    assert Workspace.provenance not in reads  # it is written after the report, at the run's end


def test_a_damaged_file_of_a_sequence_is_named(config, workspace):
    workspace.write_json("sequences/sheet.json", {"title": "no more"})
    with pytest.raises(
        LimbwardError, match=r"sheet\.json is damaged; delete it and run `limbward sheet`"
    ):
        made(config, workspace)


def test_nothing_but_the_report_is_written(config, workspace):
    write_contacts(workspace)
    write_tables(workspace)
    listed = workspace.path("state")  # where it is noted what was written
    before = {p: p.stat().st_mtime_ns for p in workspace.root.rglob("*") if p.is_file()}
    made(config, workspace)
    after = {p: p.stat().st_mtime_ns for p in workspace.root.rglob("*") if p.is_file()}
    assert set(after) - set(before) == {workspace.path(Workspace.report)}
    assert all(after[p] == before[p] for p in before if p.parent != listed)
    assert len(read_table(workspace.path(Workspace.frames))) == len(FILES)
