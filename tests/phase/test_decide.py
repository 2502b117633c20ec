"""Phases decided from all frames together: invariants, and cases told by physics."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from limbward.phase.decide import NEVER, Timed, decide
from limbward.phase.evidence import BARE_SUN, PHASES, Evidence, behind_filter, usual_light
from limbward.phase.small import with_small_suns

LOOKS = (*PHASES, "bias", "unreadable", "")
SAID = ("", "", "", *PHASES, "bias")
NAMED = ("", "dark", "bias", "flat")
STRANGE = np.array([0, 1, -1, 0.5, 1e-45, 1e-9, 1e9, 1e38, np.nan, np.inf, -np.inf])
LIGHT = ("peak", "middle", "limb_peak", "limb_level", "limb_faintest")


def senseless(seed):
    """Evidence of a few frames without any sense, and times as senseless, or none."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(0, 13))
    told = (rng.choice(np.array(c, dtype=object), n) for c in (LOOKS, SAID, NAMED))
    numbers = [
        np.where(
            rng.random(n) < 0.3, rng.choice(STRANGE, n), rng.random(n) * 10.0 ** rng.integers(-6, 6)
        )
        for _ in range(11)
    ]
    evidence = Evidence(*told, *numbers[:9], rng.random(n) < 0.5)
    return evidence, Timed(*numbers[9:], (-60.0, 60.0)) if rng.random() < 0.5 else None


@settings(max_examples=300)
@given(st.integers(0, 2**32 - 1))
def test_every_frame_gets_a_phase_and_what_a_person_says_is_believed(seed):
    evidence, timed = senseless(seed)
    found = decide(evidence, timed)
    assert found.phase.shape == evidence.looks.shape
    assert set(found.phase) <= {*PHASES, "bias"}
    assert np.isfinite(found.probability).all()
    assert ((found.probability >= 0) & (found.probability <= 1 + 1e-9)).all()
    said = evidence.said != ""
    assert (found.phase[said] == evidence.said[said]).all()
    assert (found.reason[said] == "").all()


# A camera with a full-range exposure of 1/640 s at f/8 and ISO 100 behind a filter of 1e-5 for
# half of its range (common practice), and the corona beside the limb at 1e-6 of the disc with a
# prominence eight times as bright (Allen's Astrophysical Quantities, 4th ed., section 14.8).
FILTERED = 0.5 * 640 / 100 * 64
CORONA, PROMINENCE = 0.1 * FILTERED, 0.8 * FILTERED
ORDINARY = 1 / 1000


def session(**changes):
    """Sixty frames: crescents, beads, brackets of the corona, beads, crescents, darks, by truth."""
    bracket = (1 / 1000, 1 / 250, 1 / 60, 1 / 15, 1 / 4, 1.0)
    shots = [("partial", 420.0 * k - 3400.0, ORDINARY) for k in range(8)]
    shots += [("contact", -64.0 + k, 1 / 2000) for k in range(4)]
    shots += [("totality", -56.0 + 4.5 * k, bracket[k % 6]) for k in range(25)]
    shots += [("contact", 61.0 + k, 1 / 2000) for k in range(4)]
    shots += [("partial", 460.0 + 420.0 * k, ORDINARY) for k in range(8)]
    shots += [("dark", 4200.0 + 2 * k, bracket[k % 6]) for k in range(12)]
    phase, at, exposure = (np.array(c) for c in zip(*shots, strict=True))
    phase = phase.astype(object)
    gathered = exposure * 100 / 64
    n = phase.size
    columns = {name: np.full(n, np.nan) for name in LIGHT}
    columns["peak"] = np.full(n, 2e-4)
    columns["middle"] = np.full(n, 1e-5)
    is_sun, is_bead, is_dark = (phase == p for p in ("partial", "contact", "totality"))
    columns["peak"][is_sun] = np.minimum(1.0, FILTERED * gathered[is_sun])
    for k in np.flatnonzero(is_bead | is_dark):
        bright = 1e5 * FILTERED if is_bead[k] else PROMINENCE
        columns["limb_peak"][k] = columns["peak"][k] = min(1.0, bright * gathered[k])
        columns["limb_level"][k] = min(1.0, CORONA * gathered[k])
        columns["limb_faintest"][k] = min(1.0, 0.4 * CORONA * gathered[k])
        columns["middle"][k] = min(1.0, 0.2 * gathered[k])
    made = {
        "looks": phase.copy(),
        "said": np.full(n, "", dtype=object),
        "named": np.full(n, "", dtype=object),
        "reading_s": at + 36.0,
        "exposure_s": exposure,
        "iso": np.full(n, 100.0),
        "f_number": np.full(n, 8.0),
        **columns,
    }
    for name, (rows, values) in changes.items():
        made[name][rows] = values
    return phase, at, Evidence(**made)


def timed(at, sigma=0.3):
    return Timed(at, np.full(at.size, sigma), (-60.0, 60.0))


def test_frames_that_look_like_what_they_are_stay_it():
    phase, at, evidence = session()
    for found in (decide(evidence), decide(evidence, timed(at))):
        assert found.phase.tolist() == phase.tolist()
        assert set(found.reason) == {""}


def test_a_sun_too_small_for_a_limb_is_told_by_its_light():
    """Nothing but a bright spot: no frame without filter has a limb, nor has half of the others."""
    phase, at, plain = session()
    rows = np.flatnonzero(np.isin(phase, ("contact", "totality")) | (np.arange(phase.size) % 2 < 1))
    rows = rows[phase[rows] != "dark"]
    small = np.zeros(phase.size, bool)
    small[rows] = True
    # A prominence is lost in pixels as large; how the rest falls on them changes with the frame.
    flicker = np.random.default_rng(6).uniform(0.7, 1.4, phase.size)
    bright = np.where(phase == "totality", 1.5 * CORONA * plain.gathered, plain.peak)
    peak = np.minimum(bright * flicker, 1.0)
    unseen = {f"limb_{name}": (rows, np.nan) for name in ("peak", "level", "faintest")}
    _, _, evidence = session(looks=(rows, "other"), peak=(rows, peak[rows]), **unseen)
    # What the scattered light of a disc of five pixels leaves of the sky in totality.
    dark = replace(evidence, middle=np.where(phase == "dark", 1e-5, 0.03 * evidence.gathered))
    assert (decide(replace(dark, small=small)).phase == phase).all()
    assert (decide(replace(dark, small=small), timed(at)).phase == phase).all()
    # Frames of one exposure tell no corona from a Sun behind its filter: nothing is made up.
    one = np.flatnonzero(phase == "partial")
    alone = replace(dark.of(one), small=small[one])
    assert not np.isin(decide(alone).phase, ("totality", "contact")).any()
    assert (with_small_suns(alone).looks == alone.looks).all()


def test_thin_crescents_are_no_totality_however_they_look():
    """A crescent's concave limb is dark inside, bright outside on one side, black elsewhere."""
    phase, at, plain = session()
    thin = np.array([7, 41])
    evidence = session(
        looks=(thin, "totality"),
        limb_peak=(thin, plain.peak[thin]),
        limb_level=(thin, 0.0),
        limb_faintest=(thin, 0.0),
    )[2]
    for found in (decide(evidence), decide(evidence, timed(at))):
        assert found.phase.tolist() == phase.tolist()
        assert all("taken" not in text for text in found.reason)
        assert (found.reason[thin] != "").all()


def test_rings_of_an_annular_eclipse_are_filtered_and_no_contacts():
    """The Sun shines around the Moon then; on a simulated card a 35th of the peak in the median."""
    at = np.concatenate([np.arange(-3000.0, -200.0, 400.0), np.arange(-130.0, 131.0, 10.0)])
    at = np.sort(np.concatenate([at, -at[at < -200.0]]))
    ring, n = np.abs(at) < 150.0, at.size
    exposure = np.where(ring, np.resize([ORDINARY, 2 * ORDINARY, 4 * ORDINARY], n), ORDINARY)
    light = np.minimum(1.0, 0.3 * FILTERED * exposure * 100 / 64)
    nothing = np.full(n, "", dtype=object)
    evidence = Evidence(
        looks=np.full(n, "partial", dtype=object),
        said=nothing,
        named=nothing,
        reading_s=at,
        exposure_s=exposure,
        iso=np.full(n, 100.0),
        f_number=np.full(n, 8.0),
        peak=light,
        middle=np.full(n, 1e-5),
        limb_peak=np.where(ring, light, np.nan),
        limb_level=np.where(ring, light / 35.0, np.nan),
        limb_faintest=np.where(ring, light / 200.0, np.nan),
    )
    found = decide(evidence, Timed(at, np.full(n, 0.3), NEVER))
    assert set(found.phase) == {"partial"}


def test_beads_that_were_taken_for_corona_are_contact():
    phase, at, evidence = session(looks=(np.array([10, 11, 37]), "totality"))
    for found in (decide(evidence), decide(evidence, timed(at))):
        assert found.phase.tolist() == phase.tolist()


def test_an_overexposed_corona_is_not_lost():
    """No limb, a white disc, or white all over below the white level that the file declares."""
    rows = np.array([17, 23, 29, 35])
    phase, at, _ = session()
    for looks in ("other", "flat", "partial"):
        evidence = session(
            looks=(rows, looks), peak=(rows, 0.93), middle=(rows, 0.92),
            limb_peak=(rows, np.nan), limb_level=(rows, np.nan), limb_faintest=(rows, np.nan),
        )[2]  # fmt: skip
        for found in (decide(evidence), decide(evidence, timed(at))):
            assert found.phase.tolist() == phase.tolist()


def test_black_frames_amid_totality_are_no_darks_unless_called_so():
    rows = np.arange(14, 24)
    dim = {name: (rows, np.nan) for name in ("limb_peak", "limb_level", "limb_faintest")}
    black = {"looks": (rows, "dark"), "peak": (rows, 2e-4), "middle": (rows, 1e-5), **dim}
    phase, at, evidence = session(**black)
    for found in (decide(evidence), decide(evidence, timed(at))):
        assert found.phase.tolist() == phase.tolist()
        assert all("not used as a dark" in text for text in found.reason[rows])
    named = session(**black, named=(rows, "dark"))[2]
    assert set(decide(named).phase[rows]) == {"dark"}


def test_darks_before_and_after_stay_darks_with_or_without_a_clock():
    """Among them the shortest, which alone would be taken for biases: 1/1000 s was used."""
    short = np.flatnonzero((session()[0] == "dark") & (session()[2].exposure_s < 2e-3))
    phase, at, evidence = session(looks=(short, "bias"))
    for found in (decide(evidence), decide(evidence, timed(at))):
        assert found.phase.tolist() == phase.tolist()


def test_a_clock_that_most_frames_contradict_is_not_believed():
    phase, at, evidence = session()
    found = decide(evidence, timed(at + 900.0))
    assert found.contradicted
    assert found.phase.tolist() == phase.tolist()


def test_totality_around_a_step_of_the_clock_is_not_lost():
    """Half of its frames get times 80 s late, with a small sigma."""
    _, at, evidence = session()
    wrong = at.copy()
    wrong[25:37] += 80.0
    found = decide(evidence, timed(wrong))
    assert (found.phase[12:37] == "totality").all()


def test_a_picture_of_the_landscape_in_totality_is_something_else():
    """By day the sky is a hundred times as bright as the dusk of totality at the least."""
    row = np.array([24])
    evidence = session(
        looks=(row, "other"), exposure_s=(row, 1 / 125), peak=(row, 0.3), middle=(row, 0.22),
        limb_peak=(row, np.nan), limb_level=(row, np.nan), limb_faintest=(row, np.nan),
    )[2]  # fmt: skip
    assert decide(evidence).phase[row] == "other"


def test_a_corona_dimmed_by_a_filter_is_known_and_one_dimmed_by_cloud_is_none():
    rows = np.arange(12, 26)
    _, _, plain = session()
    for left, dimmed in ((1e-5, True), (3e-4, True), (0.2, False)):
        changed = {
            name: (rows, getattr(plain, name)[rows] * left)
            for name in ("peak", "limb_peak", "limb_level", "limb_faintest")
        }
        evidence = session(**changed)[2]
        found = behind_filter(evidence)
        assert found[rows].all() == found[rows].any() == dimmed
        assert not np.delete(found, rows).any()


@pytest.mark.parametrize("unknown", ["iso", "f_number", "exposure_s", "reading_s"])
def test_what_is_not_told_is_done_without(unknown):
    phase = session()[0]
    nothing = {unknown: (slice(None), np.nan)}
    evidence = session(**nothing)[2]
    assert decide(evidence).phase.tolist() == phase.tolist()


def test_the_bare_sun_follows_from_the_definition_of_speed():
    """ISO 12232: 78 / S lx s saturate; 1.6e9 cd/m2 through 0.65 L / N^2 (ISO 2720)."""
    assert pytest.approx(0.65 * 1.6e9 / 78, rel=0.05) == BARE_SUN


def test_usual_light_is_told_by_the_frames():
    usual = usual_light(session()[2])
    assert usual.filtered == pytest.approx(FILTERED)
    assert usual.corona == pytest.approx(CORONA)
    assert np.exp(usual.contrast) == pytest.approx(PROMINENCE / CORONA)
