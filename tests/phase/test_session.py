"""Frames of several cameras together: each camera is decided as if it were alone."""

import numpy as np

from limbward.phase.decide import Timed, decide
from limbward.phase.evidence import Evidence
from limbward.phase.session import Taken, decide_session
from tests.phase.test_decide import senseless


def both(seed):
    """Two cameras' evidence, shuffled together; rows of each, in the order of taking."""
    rng = np.random.default_rng(seed)
    parts = [senseless(2 * seed + k)[0] for k in range(2)]
    counts = [part.looks.size for part in parts]
    place = rng.permutation(sum(counts))
    rows = [np.sort(place[: counts[0]]), np.sort(place[counts[0] :])]
    whole = {}
    for name in Evidence.__dataclass_fields__:
        column = np.empty(sum(counts), getattr(parts[0], name).dtype)
        for part, at in zip(parts, rows, strict=True):
            column[at] = getattr(part, name)
        whole[name] = column
    camera = np.full(sum(counts), "B", dtype=object)
    camera[rows[0]] = "A"
    return Evidence(**whole), camera, rows, rng


def test_a_camera_is_decided_as_if_it_were_alone():
    for seed in range(60):
        evidence, camera, rows, rng = both(seed)
        n = camera.size
        none = np.full(n, "", dtype=object)
        taken = Taken(camera, none, np.arange(n, dtype=float), np.ones(n, bool))
        timed = Timed(rng.uniform(-200, 200, n), rng.uniform(0.1, 5, n), (-60.0, 60.0))
        found = decide_session(evidence, taken, none, none, none, timed)
        for at in rows:
            alone = decide(evidence.of(at), timed.of(at))
            assert found.phase[at].tolist() == alone.phase.tolist()
            assert (found.reason[at] != "").tolist() == (alone.reason != "").tolist()


def test_what_a_person_says_is_true_of_pictures_and_of_nothing_else():
    for seed in range(60):
        evidence, camera, _, rng = both(seed)
        n = camera.size
        none = np.full(n, "", dtype=object)
        before = np.full(n, "unreadable", dtype=object)
        pictures = rng.random(n) < 0.7
        stated = np.where(rng.random(n) < 0.3, "totality", "").astype(object)
        by = np.full(n, "frames[3]", dtype=object)
        taken = Taken(camera, none, np.arange(n, dtype=float), pictures)
        found = decide_session(evidence, taken, before, stated, by)
        assert (found.phase[~pictures] == "unreadable").all()
        assert (found.phase[pictures & (stated != "")] == "totality").all()
        assert all("frames[3]" in reason for reason in found.reason[pictures & (stated != "")])
        assert (before == "unreadable").all()
