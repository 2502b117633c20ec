"""Saving: on the newest file only, valid only, whole or not at all."""

from __future__ import annotations

import os

import pytest

from limbward.config.loading import load_config
from limbward.errors import ConfigError
from limbward.review.frames import say
from limbward.review.session import Conflict, Session
from limbward.review.settings import changes_of, settings_of, with_settings
from tests.review.made import CONFIG

FILE = "card/DCIM/100TESTA/TEST0007.tif"


@pytest.fixture
def session(tmp_path):
    path = tmp_path / "limbward.yaml"
    path.write_text(CONFIG)
    return Session(path)


def test_two_pages_the_later_one_is_told_and_nothing_is_lost(session):
    revision = session.load().revision
    session.save({("compose", "saturation"): 2.0}, revision)
    with pytest.raises(Conflict):
        session.save({("compose", "up"): "zenith"}, revision)
    kept = load_config(session.path).compose
    assert (kept.saturation, kept.up) == (2.0, "solar_north")


def test_an_edit_by_hand_meanwhile_is_not_written_over(session):
    revision = session.load().revision
    by_hand = CONFIG.replace("0.16", "0.3")
    session.path.write_text(by_hand)
    with pytest.raises(Conflict):
        session.save({("compose", "up"): "zenith"}, revision)
    assert session.path.read_text() == by_hand


def test_what_is_not_valid_is_not_written(session):
    with pytest.raises(ConfigError, match=r"at most 0\.5"):
        session.save({("compose", "sky_lightness"): 9.0}, session.load().revision)
    assert session.path.read_text() == CONFIG


def test_a_link_stays_a_link_and_the_mode_stays(session, tmp_path):
    real = tmp_path / "elsewhere.yaml"
    real.write_text(CONFIG)
    os.chmod(real, 0o640)
    session.path.unlink()
    session.path.symlink_to(real)
    session.save({("compose", "up"): "zenith"}, session.load().revision)
    assert session.path.is_symlink()
    assert "up: zenith" in real.read_text()
    assert real.stat().st_mode & 0o777 == 0o640
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".")] == []


def test_settings_that_come_back_as_they_went_change_nothing(session):
    loaded = session.load()
    assert changes_of(loaded, settings_of(loaded.config)) == {}


def test_what_the_page_sends_is_what_the_file_then_says(session):
    loaded = session.load()
    given = settings_of(loaded.config)
    given["compose"] |= {"up": "zenith", "crop": dict(left=3.0, right=3.0, top=2.0, bottom=2.0)}
    given["enhance"][0]["steps"].append({"filter": "mgn", "k": 0.9})
    own = {"name": "soft", "compose": {"saturation": 0.5}, "enhance": given["enhance"]}
    given["variants"] = [own]
    saved = session.save(changes_of(loaded, given), loaded.revision)
    assert settings_of(load_config(session.path))["compose"] == given["compose"]
    assert settings_of(saved.config)["enhance"] == given["enhance"]
    assert saved.config.variants[0].compose.saturation == 0.5
    assert "# streamers" in saved.text
    # Null takes out what has no other value.
    given["compose"]["crop"] = None
    assert "crop" not in session.save(changes_of(saved, given), saved.revision).text


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"compose": {"saturation": 99.0}}, "compose.saturation: should be at most 4"),
        ({"enhance": []}, "at least one"),
        ({"enhance": [{"name": "a", "steps": [{"filter": "blurr"}]}]}, "unknown filter"),
        ({"compose": {"detail": "nothing"}}, "no enhancement"),
        ({"compose": 3}, "group of keys"),
    ],
)
def test_wrong_settings_are_told_in_words(session, given, words):
    with pytest.raises(ConfigError, match=words):
        with_settings(session.load().config, given)


def said(session, **what):
    loaded = session.load()
    changes = say(loaded.config, [FILE], **what)
    return session.save(changes, loaded.revision)


def test_a_frame_is_dropped_kept_and_left_as_it_was(session):
    assert "use: drop" in said(session, use="drop").text
    kept = said(session, use="keep", phase="totality").config.frames
    assert [(r.files, r.use, r.phase) for r in kept] == [([FILE], "keep", "totality")]
    assert said(session, use="auto", phase="auto").text == CONFIG


def test_what_cannot_both_be_is_not_written(session):
    """A frame of the partial phases is not kept for the merge: what was said last counts."""
    said(session, use="keep")
    assert [(r.use, r.phase) for r in said(session, phase="partial").config.frames] == [
        (None, "partial")
    ]
    assert [(r.use, r.phase) for r in said(session, use="keep").config.frames] == [("keep", None)]


def test_other_entries_and_their_comments_stay(session):
    more = "frames:\n  - files: ['*/TEST00??.tif']  # a bird\n    use: drop\n"
    session.path.write_text(CONFIG + more)
    text = said(session, use="keep").text
    assert more.removeprefix("frames:\n") in text
    # The later entry counts, so the frame's own stands behind the pattern's.
    rules = session.load().config.frames
    assert [r.use for r in rules] == ["drop", "keep"]
    with pytest.raises(ConfigError, match="by a pattern"):
        said(session, use="auto")
