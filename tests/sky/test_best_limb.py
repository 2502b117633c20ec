"""Which limb is taken where, and that it is said where the real one is not known."""

import json

import numpy as np
import pytest

from limbward.cli.app import main
from limbward.config import place_and_time
from limbward.config.loading import load_config
from limbward.report.build import build_report
from limbward.sky.best_limb import SMOOTH, best_limb, contacts_told
from limbward.sky.contacts import local_circumstances
from limbward.sky.ephemeris import Radii, Site
from limbward.sky.limb_profile import LimbProfile
from tests.report.pages import Page, material

# On the paths of totality of 2026 August 12 and, after 2050, of 2052 March 30.
SITE, LATER = Site(65.0, -23.4), Site(30.0, -85.0)


@pytest.fixture(scope="module")
def later():
    found = local_circumstances("2052-03-30", LATER)
    assert found.kind == "total"
    return found


def test_a_users_own_profile_comes_first_then_the_relief():
    found = local_circumstances("2026-08-12", SITE)
    own = LimbProfile(np.arange(0.0, 360.0, 5.0), np.full(72, 0.5))
    assert best_limb(found, SITE, own=own).profile is own
    real = best_limb(found, SITE)
    assert real.by == "the real limb"
    assert real.radii.solar_radius_km == pytest.approx(696221.3, abs=0.1)
    assert real.contacts.second != found.contacts["C2"].time
    given = best_limb(found, SITE, radii=Radii(), solar_radius_km=696000.0)
    assert given.radii.solar_radius_km == 696000.0
    london = Site(51.5, -0.1)
    assert best_limb(local_circumstances("2026-08-12", london), london) is None


@pytest.mark.filterwarnings("ignore:ERFA", "ignore:The Earth's rotation")
def test_outside_1900_to_2050_the_moon_is_smooth(later):
    found = best_limb(later, LATER)
    assert (found.by, found.profile, found.relief) == ("a smooth Moon", SMOOTH, None)
    assert found.contacts.second == later.contacts["C2"].time
    assert found.profile.height(np.array([0.0, 123.4])) == pytest.approx([0.0, 0.0])


@pytest.mark.filterwarnings("ignore:ERFA", "ignore:The Earth's rotation")
def test_outside_1900_to_2050_it_is_said_in_a_line(later, tmp_path, capsys):
    """By contacts, check, in contacts.json and in the report; and nothing where nobody asked."""
    line = "The Moon's orientation is known from 1900 to 2050 only"
    where = ["--lat", str(LATER.latitude), "--lon", str(LATER.longitude), "--date", "2052-03-30"]
    (tmp_path / "card").mkdir()
    config = tmp_path / "limbward.yaml"
    config.write_text(f"site: {{latitude: {LATER.latitude}, longitude: {LATER.longitude}}}\n"
                      "eclipse: 2052-03-30\ninput: {cards: [card]}\n")  # fmt: skip
    for call, said in ((["contacts", *where], 1), (["check", str(config)], 1),
                       (["contacts", "--smooth", *where], 0)):  # fmt: skip
        with pytest.raises(SystemExit):
            main(call)
        out = " ".join(capsys.readouterr().out.split())
        assert "C2 2052-03-30" in out
        assert out.count(line) == said
    settings = load_config(config)
    told = place_and_time.contacts_json(settings, place_and_time.eclipse(settings))
    assert told == contacts_told(later, LATER)
    assert Page(build_report(material(contacts=json.loads(json.dumps(told))))).text.count(line) == 1
    known = contacts_told(local_circumstances("2026-08-12", SITE), SITE)
    assert "limb_note" not in known
    assert line not in Page(build_report(material(contacts=known))).text
