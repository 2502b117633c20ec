"""Which places see the eclipse of 12 August 2026: over Greenland, Iceland and Spain in the evening.

Espenak's path of NASA's Five Millennium Canon: total at 65 N 25 W at 17:46 UT, at sunset in Spain.
"""

import pytest

from limbward.sky.contacts import local_circumstances
from limbward.sky.ephemeris import Site
from limbward.sky.seen import only_partial, totality_of, why_not_seen

DATE = "2026-08-12"


@pytest.mark.parametrize(
    ("site", "date", "words"),
    [
        (Site(65.0, -25.0), DATE, ""),
        (Site(51.5, 0.0), DATE, ""),
        (Site(-33.9, 151.2), DATE, "no solar eclipse|Sun is down"),
        (Site(40.0, 116.0), DATE, "no solar eclipse|Sun is down"),
        (Site(65.0, -25.0), "2026-08-20", "but there is one on 2026-08-12|no solar eclipse"),
    ],
)
def test_it_is_said_why_no_eclipse_is_seen(site, date, words):
    said = why_not_seen(local_circumstances(date, site), date, site)
    assert (said == "") is (words == "")
    if words:
        assert any(word in said for word in words.split("|"))
        assert f"latitude {site.latitude:g}, longitude {site.longitude:g}" in said


def test_totality_is_where_it_was_predicted_and_nowhere_else():
    total = local_circumstances(DATE, Site(65.0, -25.0))
    assert only_partial(total) == ""
    vanishes, returns = totality_of(total)
    assert 100.0 < (returns - vanishes).to_value("s") < 145.0  # 2 min 18 s at the greatest
    partial = local_circumstances(DATE, Site(51.5, 0.0))
    assert "is partial at the site" in only_partial(partial)
    assert totality_of(partial) is None
