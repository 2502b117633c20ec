"""What the config says of frames and bodies, on tables of ingest and of align."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.table import Table

from limbward.config import Config
from limbward.config.bodies import unmatched
from limbward.config.loading import load_config
from limbward.config.said import said_of
from limbward.errors import ConfigError
from limbward.limb.mergeable import mergeable
from limbward.limb.place import PLACES, Placing, Seen
from limbward.limb.words import Words
from limbward.stages.bodies import name_bodies
from limbward.stages.phasing import decide_phases

SMALLEST = {
    "site": {"latitude": 64.8, "longitude": -23.7},
    "eclipse": "2026-08-12",
    "input": {"cards": ["card"]},
}
FILES = [f"card/100A/A{k:04d}.DNG" for k in range(6)]


def config(**sections):
    return Config.model_validate({**SMALLEST, **sections})


def ingest(**columns):
    n = len(FILES)
    made = {
        "file": FILES,
        "kind": ["raw"] * n,
        "camera": ["Model One"] * n,
        "serial": [""] * n,
        "sequence": list(range(n)),
        "phase": ["partial", "contact", "totality", "dark", "other", "totality"],
        "looks_like": ["partial", "contact", "totality", "dark", "other", "totality"],
        "focal_length": [800.0] * n,
        "exposure": [0.001] * n,
        "iso": [100] * n,
        "f_number": [8.0] * n,
        "time_camera": [f"2026-08-12T17:45:{k:02d}" for k in range(n)],
    }
    return Table({**made, **columns})


@pytest.mark.parametrize(
    "phase", ["partial", "contact", "totality", "dark", "flat", "bias", "other"]
)
def test_a_person_has_the_last_word_on_every_frame(phase):
    found = decide_phases(config(frames=[{"files": ["100A/*"], "phase": phase}]), ingest())
    assert found.phase.tolist() == [phase] * 6
    assert all("frames[0]" in text for text in found.reason)
    late = np.full(6, 1e5)
    again = decide_phases(
        config(frames=[{"files": ["*.DNG"], "phase": phase}]), ingest(), late, late * 1e-6, (0, 9)
    )
    assert again.phase.tolist() == [phase] * 6


def test_later_rules_come_first_and_add_to_earlier_ones():
    said = said_of(
        config(
            frames=[
                {"files": ["A000?.DNG"], "phase": "contact", "use": "keep"},
                {"files": ["A0001.DNG", "card/100A/A0002.DNG"], "use": "drop"},
            ]
        ).frames,
        np.array([*FILES, "card/100A/B0001.DNG"], dtype=object),
    )
    assert said.keep.tolist() == [True, False, False, True, True, True, False]
    assert said.drop.tolist() == [False, True, True, False, False, False, False]
    assert said.phase.tolist() == ["contact"] * 6 + [""]
    assert said.key.tolist()[1:3] == ["frames[1]"] * 2
    assert said.key[6] == ""


def test_copies_and_files_that_are_no_frames_keep_what_they_are():
    table = ingest(
        kind=["raw", "jpeg", "raw", "raw", "video", "raw"],
        looks_like=["partial", "", "totality", "", "", "totality"],
        copy_of=["", "", "", "", "", FILES[2]],
        phase=["partial", "other", "totality", "unreadable", "other", "other"],
    )
    found = decide_phases(config(frames=[{"files": ["*"], "phase": "flat"}]), table)
    assert found.phase.tolist() == ["flat", "other", "flat", "unreadable", "other", "other"]


def test_calibration_frames_that_the_config_names_are_not_judged_again():
    table = ingest(stated=["dark"] * 6, looks_like=["dark"] * 6, phase=["dark"] * 6)
    assert decide_phases(config(), table).phase.tolist() == ["dark"] * 6


def test_patterns_that_fit_no_file_are_told_with_their_line(tmp_path):
    path = tmp_path / "limbward.yaml"
    path.write_text(
        "site: {latitude: 64.8, longitude: -23.7}\neclipse: 2026-08-12\ninput: {cards: [card]}\n"
        "frames:\n  - files: [A0001.DNG, Z*.DNG]\n    use: drop\n"
        "bodies:\n  - {name: long, files: ['card-9/*']}\n"
    )
    frames, bodies = unmatched(load_config(path), FILES)
    assert "limbward.yaml:5: frames[0].files[1]: no file matches 'Z*.DNG'" in frames
    assert "limbward.yaml:8: bodies[0].files[0]" in bodies


@pytest.mark.parametrize(
    ("section", "words"),
    [
        ("frames: [{files: [A*]}]", "needs use (keep or drop) or phase"),
        ("frames: [{files: [A*], use: keep, phase: dark}]", "a phase without a corona"),
        ("frames: [{files: [A*], use: kep}]", "did you mean 'keep'?"),
        ("frames: [{files: [A*], phase: total}]", "did you mean 'totality'?"),
        ("frames: [{files: []}]", "needs at least one item"),
        ("bodies: [{name: long}]", "needs files, camera or focal_length_mm"),
        ("bodies: [{name: a, files: [x]}, {name: a, files: [y]}]", "is used twice"),
    ],
)
def test_mistakes_are_told(tmp_path, section, words):
    path = tmp_path / "limbward.yaml"
    path.write_text(
        "site: {latitude: 64.8, longitude: -23.7}\neclipse: 2026-08-12\ninput: {cards: [card]}\n"
        f"{section}\n"
    )
    with pytest.raises(ConfigError, match=r"limbward\.yaml:4: ") as error:
        load_config(path)
    assert words in str(error.value)


@pytest.mark.parametrize(
    "rule",
    [
        {"files": ["A0003.DNG", "A0004.DNG", "A0005.DNG"]},
        {"focal_length_mm": 420.4},
        {"camera": "model one", "files": ["A000[345].DNG"]},
    ],
)
def test_bodies_are_named_as_the_config_says(rule):
    table = ingest(focal_length=[800.0] * 3 + [420.0] * 3)
    assert name_bodies(config(bodies=[{"name": "wide", **rule}]), table) == []
    assert list(table["camera"]) == ["Model One"] * 3 + ["wide"] * 3


def test_a_body_without_frames_is_told():
    said = name_bodies(config(bodies=[{"name": "wide", "camera": "Model Two"}]), ingest())
    assert "bodies[0]" in said[0]
    assert "'wide'" in said[0]


def placing(phase):
    n = len(phase)
    nothing = np.full(n, np.nan)
    names = ("sun_x", "sun_y", "sun_radius", "moon_x", "moon_y", "moon_radius", "sun_sigma")
    discs = {name: nothing.copy() for name in (*names, "moon_sigma")}
    time = np.zeros(n)
    found = Placing(
        None,  # type: ignore[arg-type]
        Seen(
            np.array(phase, dtype=object), np.array(phase, dtype=object), time, time, time + 0.1,
            time + 0.01, nothing, nothing, *np.zeros((3, n), bool), discs, discs,
        ),
    )  # fmt: skip
    for name in names[:6]:
        found.place[name] = np.full(n, 50.0)
    found.sun_sigma, found.relative = np.full(n, 0.1), np.full(n, 0.05)
    return found


def words(n, keep=(), drop=(), totality=()):
    masks = [np.isin(np.arange(n), rows) for rows in (keep, drop, totality)]
    return Words(*masks, np.full(n, "frames[0]", dtype=object))


def test_keep_merges_what_can_be_placed_and_drop_nothing_of_it():
    phase = ["totality", "totality", "totality", "contact", "other", "totality"]
    found = placing(phase)
    found.sun_sigma[1] = np.nan  # shaken
    found.relative[2] = 9.0
    found.sun_sigma[4] = found.relative[4] = np.nan  # no limb
    plain = mergeable(found, (-60.0, 60.0), 1.0)
    assert plain.tolist() == [True, False, False, False, False, True]
    assert all("frames" in found.note[i] for i in (2, 3))
    found = placing(phase)
    found.sun_sigma[1], found.relative[2] = np.nan, 9.0
    found.sun_sigma[4] = found.relative[4] = np.nan
    said = words(6, keep=(1, 2, 3, 4), drop=(5,))
    assert mergeable(found, (-60.0, 60.0), 1.0, said).tolist() == [True] * 4 + [False] * 2
    assert np.isfinite(found.sun_sigma[1])
    assert "says keep" in found.note[3]
    assert "could not be found" in found.note[4]
    assert "says drop" in found.note[5]


def test_totality_that_a_person_states_is_not_asked_for_its_time():
    found = placing(["totality"] * 2)
    found.seen.middle_s[:] = 500.0
    assert not placing_of(found).any()
    assert placing_of(found, words(2, totality=(1,))).tolist() == [False, True]


def placing_of(found, said=None):
    found.note[:] = ""
    return mergeable(found, (-60.0, 60.0), 1.0, said)


def test_a_moon_without_a_sun_in_a_partial_phase_is_not_told():
    discs = {name: np.array([5.0, 5.0]) for name in (*PLACES, "sun_sigma", "moon_sigma")}
    discs["sun_x"] = np.array([5.0, np.nan])
    phase, time = np.array(["partial"] * 2, dtype=object), np.zeros(2)
    seen = Seen(
        phase, phase, *[time] * 6, *np.zeros((3, 2), bool), discs, discs
    )  # fmt: skip
    place = Placing(None, seen).place  # type: ignore[arg-type]
    assert np.isfinite(place["moon_x"]).tolist() == [True, False]
    assert np.isfinite(place["sun_x"]).tolist() == [True, False]


def test_near_a_contact_a_well_exposed_limb_shows_that_no_bead_is_left():
    found = placing(["totality"] * 3)
    found.seen.middle_s[:] = [-59.9, -59.9, -75.0]
    found.seen.clipped[1] = True
    assert mergeable(found, (-60.0, 60.0), 1.0).tolist() == [True, False, False]
    assert "too near second or third contact" in found.note[1]
