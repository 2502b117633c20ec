"""The config of a campaign: every mistake with its line; stations from file and table."""

from pathlib import Path

import pytest

from limbward.config.stations import load_campaign, stations_of
from limbward.errors import ConfigError

OWN = """\
site: {latitude: 64.0, longitude: -22.0}
eclipse: 2026-08-12
input: {cards: [card]}
"""


def written(folder, text, **files):
    path = folder / "campaign.yaml"
    path.write_text(text)
    for name, content in files.items():
        (folder / name.replace("_", ".")).write_text(content)
    return load_campaign(path)


def mistakes(folder, text, **files):
    with pytest.raises(ConfigError) as error:
        stations_of(written(folder, text, **files))
    return str(error.value).replace(f"{folder}/", "").splitlines()


def test_every_mistake_has_its_line(tmp_path):
    found = mistakes(
        tmp_path,
        """\
eclipse: 2026-08-12
stations:
  - {name: a, cards: [x], site: {latitude: 95, longitude: 3}}
  - {name: b b, cards: [x], site: {latitude: 5, longitude: 3}}
  - {name: c, cards: [x]}
  - {config: y.yaml, cards: [x]}
settings:
  merge: {lagrest_megapixels: 3}
""",
    )
    assert [line.split(": ")[0] for line in found] == [
        f"campaign.yaml:{n}" for n in (3, 4, 5, 6, 8)
    ]
    assert "stations[0].site.latitude: should be at most 90" in found[0]
    assert "needs name, cards and site, or a config" in found[2]
    assert "has a config of its own" in found[3]
    assert "did you mean 'largest_megapixels'?" in found[4]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("eclipse: 2026-08-12\n", "stations: name the stations"),
        (
            "eclipse: 2026-08-12\ntable: t.csv\nrun: {scheduler: 'tcp://x:1'}\n",
            "run.scheduler: is for executor dask",
        ),
        (
            "eclipse: 2026-08-12\nstations:\n"
            "  - {name: a, cards: [x], site: {latitude: 5, longitude: 3}}\n"
            "  - {name: A, cards: [y], site: {latitude: 5, longitude: 3}}\n",
            "used twice",
        ),
    ],
)
def test_what_does_not_fit_together(tmp_path, text, said):
    assert said in mistakes(tmp_path, text)[0]


def test_stations_come_from_file_table_and_own_configs(tmp_path):
    (tmp_path / "north").mkdir()
    (tmp_path / "north" / "limbward.yaml").write_text(OWN)
    table = "name,cards,latitude,longitude,height\nsouth,one;two,63.5,-20,12\neast,e,64,-19,\n"
    campaign = written(
        tmp_path,
        "eclipse: 2026-08-12\ntable: t.csv\noutput: all\nstations:\n"
        "  - {config: north/limbward.yaml}\n"
        "settings: {timing: {lunar_limb: smooth}}\n",
        t_csv=table,
    )
    north, south, east = stations_of(campaign)
    assert (north.name, north.root) == ("north", tmp_path / "north" / "workspace")
    assert south.root == tmp_path / "all" / "stations" / "south"
    assert south.config.input.cards == [str(tmp_path / "one"), str(tmp_path / "two")]
    assert (south.config.site.latitude, south.config.site.height) == (63.5, 12.0)
    assert south.config.timing.lunar_limb == "smooth"
    assert north.config.timing.lunar_limb != "smooth"  # its own config says nothing of it
    assert east.config.site.height == 0.0


def test_an_ecsv_table_is_read_too(tmp_path):
    from astropy.table import Table

    Table({"name": ["k"], "cards": ["c"], "latitude": [1.5], "longitude": [2.0]}).write(
        tmp_path / "t.ecsv", format="ascii.ecsv"
    )
    (station,) = stations_of(written(tmp_path, "eclipse: 2026-08-12\ntable: t.ecsv\n"))
    assert (station.name, station.config.site.latitude) == ("k", 1.5)


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ("name,cards,latitude,longitude\na,x,north,3\n", "t.csv:2: latitude: 'north' is not a"),
        ("name,cards,latitude,longitude\na,x,5,3\nb,y,95,3\n", "t.csv:3: site.latitude: should be"),
        ("name,card\na,x\n", "t.csv:1: unknown column 'card'"),
        ("name,cards,latitude,longitude\na,x,5,3,7\n", "t.csv:2: has more cells"),
        ("name,cards,latitude,longitude\n", "has no stations"),
    ],
)
def test_a_table_s_mistakes_have_their_lines(tmp_path, table, said):
    assert said in mistakes(tmp_path, "eclipse: 2026-08-12\ntable: t.csv\n", t_csv=table)[0]


def test_a_station_with_a_bad_config_does_not_stop_the_others(tmp_path):
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "limbward.yaml").write_text(OWN.replace("64.0", "164.0"))
    (tmp_path / "b").mkdir()
    (tmp_path / "b" / "limbward.yaml").write_text(OWN.replace("2026-08-12", "2027-08-02"))
    campaign = written(
        tmp_path,
        "eclipse: 2026-08-12\nstations: [{config: a/limbward.yaml}, {config: b/limbward.yaml}]\n",
    )
    bad, other_day = stations_of(campaign)
    assert bad.config is None
    assert "limbward.yaml:1: site.latitude" in bad.fault
    assert "the campaign's is 2026-08-12" in other_day.fault


def test_cards_behind_addresses(tmp_path):
    text = (
        "eclipse: 2026-08-12\noutput: s3://b/out/\nstations:\n  - {name: a, cards: [CARDS], site: "
    )
    text += "{latitude: 5.0, longitude: 3.0}}\nsettings: {sky: {limb_profile: limb.txt}}\n"
    (a,) = stations_of(written(tmp_path, text.replace("CARDS", "'s3://b/1', 's3://b/2'")))
    assert (a.urls, a.out) == (("s3://b/1", "s3://b/2"), "s3://b/out/stations/a")
    assert a.root == tmp_path / "campaign" / "stations" / "a"
    assert a.config.sky.limb_profile == str(tmp_path / "limb.txt")  # not from where the card is put
    (said,) = mistakes(tmp_path, text.replace("CARDS", "'s3://b/1', c"))
    assert "has folders and addresses among its cards" in said
    own = "eclipse: 2026-08-12\nstations: [{config: 's3://b/limbward.yaml'}]\n"
    assert "give its cards and site instead" in mistakes(tmp_path, own)[0]


def test_the_example_is_valid():
    campaign = load_campaign(Path(__file__).parent.parent / "configs" / "campaign.yaml")
    first, second = stations_of(campaign)
    assert first.config is not None
    assert first.fault == ""
    assert "there is no such file" in second.fault


def test_results_cannot_go_to_a_web_server(tmp_path):
    path = tmp_path / "campaign.yaml"
    path.write_text("eclipse: 2026-08-12\noutput: https://host/out\ntable: t.csv\n")
    with pytest.raises(ConfigError, match="which can only be read"):
        load_campaign(path)
