"""`check`: what is wrong with a config, and where."""

from __future__ import annotations

import pytest

from tests.cli.conftest import CONFIG


def test_check(limbward, config):
    status, out, _ = limbward("check", config)
    assert status == 0
    assert f"{config}: valid." in out
    assert "Total eclipse of 2026-08-12" in out


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("2026-08-12", "2026-08-22", "2: eclipse: there is no solar eclipse on 2026-08-22"),
        ("2026-08-12", "2026-08-13", "2: eclipse: there is no solar eclipse on 2026-08-13, but"),
        ("65.0", "-65.0", "2: eclipse: there is no solar eclipse on 2026-08-12"),
        ("-23.4", "100", "2: eclipse: the Sun is down during the eclipse"),
        ("2026-08-12", "1715-05-03", "2: eclipse: The date lies outside the ephemeris"),
        ("[card]", "[card, crad]", "3: input.cards[1]: there is no folder"),
        ("site", "sight", "1: sight: unknown key; did you mean 'site'?"),
    ],
)
@pytest.mark.parametrize("command", ["check", "run"])
def test_check_and_run_say_what_is_wrong_and_where(limbward, config, command, old, new, expected):
    config.write_text(CONFIG.replace(old, new))
    status, out, err = limbward(command, config)
    assert status == 2
    assert out == ""
    assert f"{config}:{expected}" in err
    if "ephemeris" in expected:
        assert "which covers 1899-07-29 to 2053-10-09" in err  # JPL IOM 343R-08-003, DE421
        assert "pip install 'limbward[de440]'" in err


def test_check_says_everything_that_is_wrong_at_once(limbward, config):
    config.write_text(CONFIG.replace("65.0", "-65.0").replace("[card]", "[one, two]"))
    _, _, err = limbward("check", config)
    assert [line.split(": ")[1] for line in err.splitlines()] == [
        "eclipse",
        "input.cards[0]",
        "input.cards[1]",
    ]


def test_check_warns_where_the_eclipse_is_only_partial(limbward, config):
    config.write_text(CONFIG.replace("-23.4", "23.4"))  # the sign of a longitude
    status, out, err = limbward("check", config)
    assert status == 0
    assert "Partial eclipse of 2026-08-12" in out
    assert "valid." in out
    assert err.startswith("warning: The eclipse is partial at the site")
    assert "check the site's coordinates" in err


def test_check_takes_a_single_file_for_a_card(limbward, config):
    (config.parent / "one.dng").touch()
    config.write_text(CONFIG.replace("[card]", "[one.dng]"))
    assert limbward("check", config)[0] == 0
