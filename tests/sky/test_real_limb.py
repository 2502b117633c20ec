"""C2, C3 and the beads by the relief, against what was seen and published."""

import json

import numpy as np
import pytest
from astropy.time import Time, TimeDelta

from limbward.cli.app import main
from limbward.sky.caution import near_edge
from limbward.sky.contacts import local_circumstances
from limbward.sky.ephemeris import Radii, Site, view
from limbward.sky.limb_profile import circumstances_json
from limbward.sky.real_limb import MEASURED_SUN_KM, RealLimb, real_limb, real_limb_json
from tests.sky.test_libration import central_site

# A video of 2001 June 21, near the edge of the path.
VIDEO = Site(-(16 + 2.969 / 60), 28 + 51.308 / 60, 400.0)


@pytest.fixture(scope="module")
def video():
    return local_circumstances("2001-06-21", VIDEO)


def limbward(call: list[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(call)
    assert not ended.value.code


def test_the_measured_sun_is_959_95_arcsec_at_one_astronomical_unit():
    """Quaglia et al. (2021); 1 au is 149 597 870.7 km (IAU 2012, resolution B2)."""
    angle = np.degrees(np.arcsin(MEASURED_SUN_KM / 149597870.7)) * 3600
    assert angle == pytest.approx(959.95, abs=1e-6)


def test_a_video_near_the_edge_of_a_path(video):
    """Its observer read C2 13:11:18 and C3 13:12:15 UT, to a second; the smooth Moon is 18 and 6 s
    off.
    """
    found = real_limb(video, VIDEO).contacts
    for time, read in ((found.second, "13:11:18"), (found.third, "13:12:15")):
        assert abs((time - Time(f"2001-06-21T{read}")).to_value("s")) < 2.0
    for name, read in (("C2", "13:11:18"), ("C3", "13:12:15")):
        off = (video.contacts[name].time - Time(f"2001-06-21T{read}")).to_value("s")
        assert abs(off) > 6.0


# F. Espenak and J. Anderson, NASA/TP-2001-209990, table 6, on the central line: the correction of
# the duration by charts of 1963, seconds, the Moon's semidiameter, arcsec, and its motion over the
# Sun, arcsec a second.
LINE_2002 = [
    ("2002-12-04T06:00", (-14, 18), -0.2, 988.5, 0.518),
    ("2002-12-04T06:30", (-26, 35), -0.6, 994.4, 0.437),
    ("2002-12-04T07:00", (-34, 47), -1.1, 996.8, 0.399),
]


@pytest.mark.parametrize(("instant", "near", "correction", "radius", "speed"), LINE_2002)
def test_corrections_of_a_central_line_by_older_charts(instant, near, correction, radius, speed):
    """A correction is what a limb's duration has more than a smooth Moon's, so it depends on which
    smooth Moon. The table's is k = 0.272281, which stands for the bottoms of the valleys, with a
    Sun of 696 000 km; found are -0.21, -0.27 and -0.76 s. From the mean limb, k = 0.2725076, the
    same limb is shorter by what the larger radius takes at either end, 3.2 to 4.2 s.
    """
    site = central_site(Time(instant), near)
    valleys = local_circumstances("2002-12-04", site, radii=Radii(k_umbra=0.272281))
    found = real_limb(valleys, site, solar_radius_km=696000.0).contacts
    duration = (found.third - found.second).to_value("s")
    assert duration - valleys.duration_s == pytest.approx(correction, abs=0.5)
    mean = local_circumstances("2002-12-04", site)
    larger = radius * (0.2725076 / 0.272281 - 1.0)
    assert mean.duration_s - valleys.duration_s == pytest.approx(2.0 * larger / speed, rel=0.01)
    assert duration - mean.duration_s < correction - 3.0
    # The limb itself does not depend on where heights are counted from.
    other = real_limb(mean, site, solar_radius_km=696000.0).contacts
    assert (other.third - other.second).to_value("s") == pytest.approx(duration, abs=0.01)


def outside(found: RealLimb, time: Time) -> np.ndarray:
    """Return how far the ground is outside the Sun's disc, arcsec on the sky, all around."""
    radii = Radii(solar_radius_km=MEASURED_SUN_KM)
    sky = view(time, VIDEO, radii=radii)
    theta = np.radians(found.limb.position_angle)
    rim = sky.moon_radius_arcsec + found.limb.profile(radii).height_arcsec
    east = sky.moon_east_arcsec + rim * np.sin(theta)
    north = sky.moon_north_arcsec + rim * np.cos(theta)
    return np.hypot(east, north) - sky.sun_radius_arcsec


def test_at_the_contacts_the_suns_limb_is_in_the_deepest_valley(video):
    """All ground is outside the Sun's disc then, and one place touches."""
    found = real_limb(video, VIDEO)
    for time, bead in ((found.contacts.second, "C2"), (found.contacts.third, "C3")):
        apart = outside(found, time)
        assert apart.min() == pytest.approx(0.0, abs=0.003)
        beads = [b for b in found.contacts.beads if b.contact == bead]
        last = beads[-1] if bead == "C2" else beads[0]
        place = found.limb.position_angle[np.argmin(apart)]
        assert last.position_angle == pytest.approx(place, abs=0.11)


def test_beads_are_few_and_stand_alone(video):
    found = real_limb(video, VIDEO)
    told = real_limb_json(found)
    for name in ("C2", "C3"):
        beads = [b for b in told["beads"] if b["contact"] == name]
        assert 1 <= len(beads) <= 8
        for bead in beads:
            assert bead["utc"] == bead["end" if name == "C2" else "start"]
            if bead["start"] and bead["end"]:
                alone = (Time(bead["end"][:-1]) - Time(bead["start"][:-1])).to_value("s")
                assert alone > 0.99
            # A bead lies on the limb: 90 degrees from the middle, but for the relief's reach.
            lon, b = np.radians([bead["selenographic_longitude"], bead["selenographic_latitude"]])
            place = [np.cos(b) * np.cos(lon), np.cos(b) * np.sin(lon), np.sin(b)]
            assert abs(np.degrees(np.arcsin(place @ found.moon.towards[0]))) < 6.3
    utc = [bead["utc"] for bead in told["beads"]]
    assert utc == sorted(utc)


def test_beads_stand_alone_between_the_times_that_are_told(video):
    """A tenth of a second before, light joins it to another one; after, to none."""
    found = real_limb(video, VIDEO)
    for bead in found.contacts.beads:
        if bead.parted is None:
            continue
        others = {round(10 * b.position_angle) for b in found.contacts.beads
                  if b.contact == bead.contact and b is not bead}  # fmt: skip
        sign = 1.0 if bead.contact == "C2" else -1.0
        for seconds, joined in ((-0.1, True), (0.1, False)):
            time = bead.parted + TimeDelta(sign * seconds, format="sec")
            lit = outside(found, time) < 0
            k = round(10 * bead.position_angle)
            left = next(i for i in range(3600) if not lit[k - i])
            right = next(i for i in range(3600) if not lit[(k + i) % 3600])
            assert bool(others & set(range(k - left, k + right))) is joined


def test_json_keeps_the_smooth_contacts_and_adds_the_real_ones(video):
    told = circumstances_json(video, real_limb=real_limb_json(real_limb(video, VIDEO)))
    assert told["contacts"] == video.to_json_dict()["contacts"]
    real = told["real_limb"]
    assert {"C2", "C3", "duration_s", "beads"} <= set(real)
    between = (Time(real["C3"]["utc"][:-1]) - Time(real["C2"]["utc"][:-1])).to_value("s")
    assert real["duration_s"] == pytest.approx(between, abs=0.02)
    assert real["C2"]["altitude"] == pytest.approx(told["contacts"]["C2"]["altitude"], abs=0.2)


def test_where_valleys_leave_no_totality_it_is_said_and_the_filter_stays_on(capsys):
    """Towards the edge a smooth Moon covers the Sun for some seconds longer than the real one."""
    edge = _edge()
    found = local_circumstances("2001-06-21", edge)
    assert found.kind == "total"
    told = circumstances_json(found, real_limb=real_limb_json(real_limb(found, edge)))
    assert told["real_limb"]["duration_s"] == 0.0
    assert "C2" not in told["real_limb"]
    assert near_edge(told)
    call = ["contacts", "--lat", str(edge.latitude), "--lon", str(edge.longitude),
            "--height", "400", "--date", "2001-06-21"]  # fmt: skip
    limbward(call)
    out = capsys.readouterr().out
    assert "totality 0 min 0 s by the real limb" in out
    assert "the photosphere never vanishes" in out


def _edge() -> Site:
    """Return the place, by bisection, where a smooth Moon covers the Sun for the last moment."""
    inside, outside = VIDEO.latitude, VIDEO.latitude
    for step in (0.3, -0.3):
        if local_circumstances("2001-06-21", Site(inside + step, VIDEO.longitude)).kind != "total":
            outside = inside + step
            break
    for _ in range(14):
        middle = 0.5 * (inside + outside)
        kind = local_circumstances("2001-06-21", Site(middle, VIDEO.longitude, 400.0)).kind
        inside, outside = (middle, outside) if kind == "total" else (inside, middle)
    return Site(inside, VIDEO.longitude, 400.0)


@pytest.mark.parametrize(
    ("more", "has"),
    [([], True), (["--smooth"], False), (["--k-umbra", "0.272281"], True)],
)
def test_contacts_has_the_real_limb_unless_asked_not_to(more, has, capsys):
    call = ["contacts", "--lat", "65", "--lon", "-23.4", "--date", "2026-08-12", "--json"]
    limbward([*call, *more])
    told = json.loads(capsys.readouterr().out)
    assert ("real_limb" in told) is has
    if has:
        assert told["real_limb"]["solar_radius_km"] == pytest.approx(696221.3, abs=0.1)
    # Whatever the relief, these are the smooth Moon's.
    radii = Radii(k_umbra=float(more[1])) if "--k-umbra" in more else Radii()
    smooth = local_circumstances("2026-08-12", Site(65.0, -23.4), radii=radii)
    assert told["contacts"] == smooth.to_json_dict()["contacts"]


def test_of_partial_eclipses_and_where_the_orientation_is_not_known_there_is_none(monkeypatch):
    london = Site(51.5, -0.1)
    assert real_limb(local_circumstances("2026-08-12", london), london) is None
    place = Site(65.0, -23.4)
    found = local_circumstances("2026-08-12", place)
    monkeypatch.setattr("limbward.sky.real_limb.orientation_known", lambda _: False)
    assert real_limb(found, place) is None
