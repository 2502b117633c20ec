"""Bodies and lenses that model and serial number do not tell apart."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from limbward.camera.bodies import Shots, split_bodies


def shots(rows):
    file, camera, serial, focal, reading, radius = zip(*rows, strict=True)
    return Shots(
        *(np.array(c, dtype=object) for c in (file, camera, serial)),
        *(np.array(c, float) for c in (focal, reading, radius)),
    )


def session(folder, focal, radius, begin=0.0, n=30, serial=""):
    """A frame in ten shows no limb."""
    return [
        (
            f"{folder}/A{k:04d}.DNG", "Model One", serial, focal, begin + 20.0 * k,
            np.nan if k % 10 == 9 else radius * (1 + 0.002 * np.sin(k)),
        )
        for k in range(n)
    ]  # fmt: skip


def test_one_body_stays_one():
    names, said = split_bodies(shots(session("card/100A", 800, 200.0)))
    assert set(names) == {"Model One"}
    assert said == []


def test_discs_of_two_sizes_are_two_lenses_whatever_the_tags_say():
    """Also on one body with a serial number, which has one clock but two scales."""
    for focal, serial in (((800, 420), ""), ((50, 50), ""), ((800, 420), "X1")):
        one = session("card/100A", focal[0], 200.0, serial=serial)
        two = session("card/101A", focal[1], 105.0, begin=700.0, serial=serial)
        names, said = split_bodies(shots(one + two))
        assert len(set(names[:30])) == len(set(names[30:])) == 1
        assert names[0] != names[30]
        assert "bodies" in said[0]
        if focal[0] != focal[1]:
            assert (names[0], names[30]) == ("Model One (800 mm)", "Model One (420 mm)")


def test_small_discs_that_blur_and_glare_have_changed_are_one_lens():
    """Of 5 pixels, a corona's steep fall and a clipped limb make 4 and 7."""
    rows = session("card/100A", 51, 4.1) + session("card/100A", 51, 5.0, begin=700.0)
    names, said = split_bodies(shots(rows + session("card/100A", 51, 7.0, begin=900.0, n=12)))
    assert set(names) == {"Model One"}
    assert said == []
    rows = session("card/100A", 51, 5.0) + session("card/101A", 120, 11.8, begin=700.0)
    assert len(set(split_bodies(shots(rows))[0])) == 2


def test_folders_filled_in_turns_are_two_bodies_of_one_lens():
    rows = session("card-1/100A", 800, 200.0) + session("card-2/100A", 800, 200.5, begin=7.0)
    names, _ = split_bodies(shots(rows))
    assert set(names[:30]) == {"Model One (card-1)"}
    assert set(names[30:]) == {"Model One (card-2)"}


def test_a_card_that_follows_another_is_of_the_same_body_and_so_is_one_with_a_serial_number():
    after = session("card-1/100A", 800, 200.0) + session("card-2/100A", 800, 200.5, begin=900.0)
    turns = [
        row
        for card in (1, 2)
        for row in session(f"card-{card}/100A", 800, 200.0, begin=7.0 * card, serial="X1")
    ]
    for rows in (after, turns):
        assert set(split_bodies(shots(rows))[0]) == {"Model One"}


def test_a_few_false_discs_are_no_lens():
    rows = session("card/100A", 800, 200.0)
    rows[3] = (*rows[3][:5], 90.0)
    rows[17] = (*rows[17][:5], 91.0)
    assert set(split_bodies(shots(rows))[0]) == {"Model One"}


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["a/1.DNG", "b/c/2.DNG", "b/3.DNG", "4.DNG"]),
            st.sampled_from(["Model One", "Model Two"]),
            st.sampled_from(["", "X1"]),
            *[st.one_of(st.just(float("nan")), st.floats(-10, 1e6))] * 3,
        ),
        min_size=1,
        max_size=30,
    )
)
def test_every_frame_keeps_the_name_of_its_model(rows):
    given_shots = shots(rows)
    names, _ = split_bodies(given_shots)
    assert all(n.startswith(c) for n, c in zip(names, given_shots.camera, strict=True))
