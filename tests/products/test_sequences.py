"""What the commands make of a finished card, against what the simulation knows."""

import math
import re
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import pytest
import tifffile
from astropy.time import Time
from PIL import Image

from limbward.config import place_and_time
from limbward.errors import LimbwardError
from limbward.limb.measure import measure
from limbward.products import film, sheet, strip
from limbward.render.space import SRGB
from limbward.sequences.sheet import centre_of
from limbward.simulate.scene import DARKENING_MEAN, LIMB_DARKENING
from limbward.sky.caution import TIMES, TOTAL
from limbward.sky.real_limb import real_limb
from limbward.work.reporting import SilentReporter
from limbward.workspace import Workspace
from tests.products.conftest import SEED
from tests.products.truth import lit_arcs

pytestmark = pytest.mark.card


def with_section(config, name, **keys):
    section = getattr(config, name).model_copy(update=keys)
    return config.model_copy(update={name: section})


def made(finished, name, run, **keys):
    run(with_section(finished.config, name, **keys), finished.workspace, SilentReporter())
    return finished.workspace.read_json(f"sequences/{name}.json")


def frame_of(finished, utc):
    """Return the simulated frame whose exposure has its middle nearest to a time."""
    middle = np.datetime64(utc.rstrip("Z"))

    def off(frame):
        start = np.datetime64(frame.shot.start) - middle
        return abs(start / np.timedelta64(1, "s") + frame.shot.exposure_s / 2)

    return min(finished.frames, key=off)


@pytest.fixture(scope="module")
def grid_sheet(finished):
    told = made(finished, "sheet", sheet.run, layout="grid", cell_px=240, count=8)
    data = tifffile.imread(finished.workspace.path("sequences/sheet.tif"))
    return told["details"], np.moveaxis(data, -1, 0).astype(np.float32) / np.float32(65535.0)


def crescents(sheet_):
    """Yield each crescent's entry and its square of the sheet, linear, without the label."""
    details, picture = sheet_
    for row in details["frames"]:
        half = 86  # the disc has 79 px; the time stands below
        x0, y0 = math.ceil(row["x"]) - half, math.ceil(row["y"]) - half
        cell = picture[1, y0 : y0 + 2 * half, x0 : x0 + 2 * half]
        yield row, SRGB.decode(cell) * np.float32(10000.0), (row["x"] - x0, row["y"] - y0)


def test_crescents_are_registered_on_the_sheet(grid_sheet):
    """To 0.2 px of the sheet; the limb is measured again there, by its known radius."""
    off = []
    for row, cell, (x, y) in crescents(grid_sheet):
        found = measure(cell, np.zeros(cell.shape, bool), radius_ratio=1.039)
        assert found.sun is not None
        at = centre_of(found.sun_limb, (found.sun.x, found.sun.y), row["sun_radius_px"])
        off.append(math.hypot(at[0] - x, at[1] - y))
    assert len(off) == 8
    assert max(off) < 0.2


def test_cusps_point_where_the_ephemeris_puts_them(finished, grid_sheet):
    """After turning, the line of centres on the sheet lies within 0.1 degrees of the truth's."""
    checked = 0
    for row, cell, _ in crescents(grid_sheet):
        found = measure(cell, np.zeros(cell.shape, bool), radius_ratio=1.039)
        place = frame_of(finished, row["utc"]).place
        offset = place.to_sky @ [place.moon_x - place.sun_x, place.moon_y - place.sun_y]
        separation = np.hypot(*offset)
        if not 500 < separation < 1500:  # a thin crescent's measure on the sheet is worse than it
            continue
        # Solar north is up, celestial east to the left of celestial north.
        dx, dy = found.moon.x - found.sun.x, found.moon.y - found.sun.y
        measured = math.degrees(math.atan2(-dx, -dy)) + place.sun_axis_position_angle
        true = math.degrees(math.atan2(*offset))
        half = math.degrees(
            math.acos(
                (separation**2 + place.sun_radius_arcsec**2 - place.moon_radius_arcsec**2)
                / (2 * separation * place.sun_radius_arcsec)
            )
        )
        assert abs((measured - true + 180) % 360 - 180) < 0.1
        for told, side in zip(row["cusp_position_angles"], (-1, 1), strict=True):
            assert abs((told - true - side * half + 180) % 360 - 180) < 0.1
        checked += 1
    assert checked >= 4


@pytest.mark.parametrize("layout", ["line", "arc"])
def test_totality_stands_in_the_middle(finished, layout):
    told = made(finished, "sheet", sheet.run, layout=layout, cell_px=90, count=6, up="zenith")
    with Image.open(finished.workspace.path("sequences/sheet.png")) as image:
        width, height = image.size
        middle = np.asarray(image)[:, width // 2 - 60 : width // 2 + 60]
    x = [row["x"] for row in told["details"]["frames"]]
    assert x == sorted(x)
    assert np.mean(x) == pytest.approx(width / 2, abs=2)
    assert middle.max() > 150  # the corona
    assert height >= 180
    assert finished.workspace.path("sequences/sheet.pdf").read_bytes().startswith(b"%PDF")
    numbers = told["numbers"]["discs measured again on the sheet"]
    assert re.match(r"\d+, off by at most", numbers)


def test_beads_are_where_the_photosphere_shines(finished):
    told = made(finished, "strip", strip.run, cell_px=120)
    wrong, singles = [], 0
    for row in told["details"]["frames"]:
        if not row["beads"]:
            continue
        frame = frame_of(finished, row["utc"])
        arcs = lit_arcs(finished.scenario, frame, SEED)
        for place, light, width in arcs:
            alone = all(abs((place - o + 180) % 360 - 180) > 8 for o, _, _ in arcs if o != place)
            if alone and width < 6 and light > 0.05:
                near = [(b["position_angle"] - place + 180) % 360 - 180 for b in row["beads"]]
                wrong.append(min(map(abs, near)))
                singles += 1
        for bead in row["beads"]:  # none where there is no photosphere
            near = [
                abs((bead["position_angle"] - p + 180) % 360 - 180) < 2 + w / 2 for p, _, w in arcs
            ]
            assert any(near)
    assert singles >= 2
    assert max(wrong) < 0.5


def test_the_strip_counts_from_the_real_limbs_contacts_and_says_what_it_makes(finished):
    told = made(finished, "strip", strip.run, cell_px=120)
    details = told["details"]
    site = place_and_time.site(finished.config)
    real = real_limb(place_and_time.eclipse(finished.config), site).contacts
    assert details["contacts_by"] == "the real limb"
    assert "by the real limb" in told["caption"]
    for name, time in (("C2", real.second), ("C3", real.third)):
        shown = Time(details["contacts"][name].rstrip("Z"))
        assert abs((shown - time).to_value("s")) < 0.06
    for row in details["frames"]:
        at = {"C2": real.second, "C3": real.third}[row["contact"]]
        since = (Time(row["utc"].rstrip("Z")) - at).to_value("s")
        assert row["seconds_from_contact"] == pytest.approx(since, abs=0.02)
        # Between the contacts none is due; by the limb's own light, some are outside.
        inside = since > 0 if row["contact"] == "C2" else since < 0
        assert bool(row["expected_beads"]) is not inside
        for bead in row["beads"] or []:
            due = bead["expected_position_angle"]
            assert due is None or abs((due - bead["position_angle"] + 180) % 360 - 180) <= 1.0
    assert [b["position_angle"] for b in details["beads"]] == [
        round(b.position_angle, 1) for b in real.beads
    ]
    assert TOTAL in details["caution"]
    assert f"{TOTAL} {TIMES}" in finished.workspace.path("sequences/strip.png").read_bytes().decode(
        "utf-8", "replace"
    )


def test_times_on_the_strip_are_corrected(finished):
    told = made(finished, "strip", strip.run, cell_px=120)
    for row in told["details"]["frames"]:
        frame = frame_of(finished, row["utc"])
        true = np.datetime64(frame.shot.start) + np.timedelta64(
            round(frame.shot.exposure_s / 2 * 1e6), "us"
        )
        late = (np.datetime64(row["utc"].rstrip("Z")) - true) / np.timedelta64(1, "s")
        assert abs(late) < 4 * row["utc_sigma_s"] + 0.05


@pytest.fixture(scope="module")
def small_film(finished):
    told = made(finished, "film", film.run, size_px=240, rate=8.0, dissolve=3, field_radii=1.6)
    pictures = {}
    for kind in ("mp4", "webm"):
        reader = imageio_ffmpeg.read_frames(str(finished.workspace.path(f"sequences/film.{kind}")))
        about = next(reader)
        width, height = about["size"]
        frames = [np.frombuffer(b, np.uint8).reshape(height, width, 3) for b in reader]
        pictures[kind] = (about, np.array(frames))
    return told["details"], pictures


@pytest.mark.parametrize("kind", ["mp4", "webm"])
def test_another_decoder_finds_the_film_that_was_asked_for(finished, small_film, kind):
    details, pictures = small_film
    about, frames = pictures[kind]
    count, seconds = imageio_ffmpeg.count_frames_and_secs(
        str(finished.workspace.path(f"sequences/film.{kind}"))
    )
    assert about["codec"] == {"mp4": "h264", "webm": "vp9"}[kind]
    assert about["size"] == (240, 240)
    assert about["fps"] == 8.0
    assert count == len(frames) == details["pictures"]
    # Twice over from behind to before the filter there are three pictures of a dissolve.
    assert count == len(details["frames"]) + 6
    assert seconds == pytest.approx(count / 8.0, abs=0.07)


def shown(finished, small_film, kind):
    """Yield time, Sun-centred radii, free disc and linear light of the film's filtered pictures."""
    details, pictures = small_film
    radius = 120 / 1.6
    c = np.arange(240) - 119.5
    r = np.hypot(c[:, None], c) / radius
    for row in details["frames"]:
        if not row["filter"]:
            continue
        place = frame_of(finished, row["utc"]).place
        offset = place.to_sky @ [place.moon_x - place.sun_x, place.moon_y - place.sun_y]
        turn = math.radians(place.sun_axis_position_angle)
        east = offset[0] * math.cos(turn) - offset[1] * math.sin(turn)
        north = offset[0] * math.sin(turn) + offset[1] * math.cos(turn)
        unit = radius / place.sun_radius_arcsec
        moon = np.hypot(c + east * unit, c[:, None] + north * unit)
        free = moon > place.moon_radius_arcsec * unit + 4
        light = SRGB.decode(pictures[kind][1][row["first_picture"], :, :, 1] / np.float32(255.0))
        yield r, free, light


def darkening(r):
    mu = np.sqrt(1.0 - np.minimum(r, 1.0) ** 2)
    return (LIMB_DARKENING[0] + mu * (LIMB_DARKENING[1] + mu * LIMB_DARKENING[2])) / DARKENING_MEAN


def test_deflicker_keeps_the_disc_steady_and_its_limb_dark(finished, small_film):
    """In the decoded film: under 1 % from frame to frame, and the Sun's true darkening."""
    details, _ = small_film
    assert details["flicker_before"] > 0.05  # the clouds
    assert details["flicker_after"] < 0.01
    middles, edges = [], []
    for r, free, light in shown(finished, small_film, "mp4"):
        inner, outer = free & (r < 0.35), free & (r > 0.75) & (r < 0.85)
        if np.count_nonzero(inner) > 300:
            middles.append(np.mean(light[inner]))
            edges.append(np.mean(light[outer]) / middles[-1])
    assert len(middles) >= 5
    steps = np.diff(middles) / np.mean(middles)
    assert np.sqrt(np.mean(steps**2)) < 0.01
    r = np.linspace(0.75, 0.85, 50)
    true = np.average(darkening(r), weights=r) / np.mean(darkening(np.sqrt(np.linspace(0, 0.1225))))
    assert np.mean(edges) == pytest.approx(true, abs=0.015)


def test_thin_crescents_are_not_brightened(finished, small_film):
    """The mean light of what is left of the disc falls as the law of darkening says."""
    ratio = []
    for r, free, light in shown(finished, small_film, "mp4"):
        seen = free & (r < 0.93)
        if np.count_nonzero(seen) > 100:
            ratio.append(np.mean(light[seen]) / np.mean(darkening(r[seen])))
    assert len(ratio) >= 8
    assert np.std(ratio) / np.mean(ratio) < 0.015


def test_a_film_may_hold_blend_show_the_time_and_keep_the_clouds(finished):
    details = made(
        finished, "film", film.run, deflicker=False,
        size_px=96, formats=["webm"], dissolve=2, between=1, hold=3, time=True,
    )["details"]  # fmt: skip
    n = len(details["frames"])
    assert details["pictures"] == 3 * n + 2 * 2 + (n - 1 - 2)
    assert details["flicker_after"] == pytest.approx(details["flicker_before"], rel=0.1)


@pytest.mark.parametrize(
    ("run", "says"),
    [
        (sheet.run, "no frames of the partial"),
        (strip.run, "no contacts"),
        (film.run, "at least two"),
    ],
)
def test_a_card_without_such_frames_gets_a_sentence_and_no_file(finished, tmp_path, run, says):
    empty = Workspace(tmp_path / "workspace")
    for name in ("ingest", "timing", "align"):
        table = finished.workspace.read_table(Workspace.table(name))
        if name == "timing":
            table["phase"] = "other"
        empty.write_table(Workspace.table(name), table)
    with pytest.raises(LimbwardError, match=says):
        run(finished.config, empty, SilentReporter())
    assert not list(Path(tmp_path).rglob("sequences/*"))


def test_a_workspace_without_a_run_gets_a_sentence(finished, tmp_path):
    with pytest.raises(LimbwardError, match="limbward run"):
        sheet.run(finished.config, Workspace(tmp_path), SilentReporter())


def test_a_frame_gone_from_the_card_is_named(finished):
    config = finished.config
    away = (
        config.base_dir
        / made(finished, "sheet", sheet.run, cell_px=90)["details"]["frames"][2]["file"]
    )
    hidden = away.rename(away.with_suffix(".away"))
    try:
        reporter = SilentReporter()
        sheet.run(with_section(config, "sheet", cell_px=90), finished.workspace, reporter)
    finally:
        hidden.rename(away)
    assert any(away.name in warning for warning in reporter.warnings)


def test_bracket_frames_do_not_flash(finished, small_film):
    """Without the filter, one exposure is shown in totality."""
    bare = [frame_of(finished, r["utc"]) for r in small_film[0]["frames"] if not r["filter"]]
    assert len({f.shot.nominal_s for f in bare if f.shot.kind == "totality"}) == 1
