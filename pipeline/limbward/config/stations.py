"""The stations of a campaign as configs of runs, from its file, from tables, from their own."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from limbward.config.base import is_url
from limbward.config.bound import bind
from limbward.config.campaign import STATION_NAME, CampaignConfig, StationConfig
from limbward.config.loading import load_config, sentences_of, validated
from limbward.config.root import Config
from limbward.config.site import InputConfig
from limbward.config.yaml_source import Location, key_path, read_text
from limbward.errors import ConfigError

NUMBERS = ("latitude", "longitude", "height")
COLUMNS = frozenset(("name", "cards", "config", *NUMBERS))
SEPARATOR = ";"  # between folders in a cell


@dataclass(frozen=True)
class Station:
    """A station that is to be run.

    Attributes
    ----------
    name : str
    config : Config or None
        None if there is none that could be used.
    root : Path
        Its workspace; of one whose results are sent away, the copy that stations are joined from.
    fault : str
        Why there is no config; empty if there is one.
    urls : tuple of str
        Addresses of its cards, if they are not folders.
    out : str
        Address that its results are sent to; empty if they stay in ``root``.
    """

    name: str
    config: Config | None
    root: Path
    fault: str = ""
    urls: tuple[str, ...] = ()
    out: str = ""

    @property
    def is_far(self) -> bool:
        """Whether something has to be fetched or sent."""
        return bool(self.urls or self.out)


def load_campaign(path: str | Path) -> CampaignConfig:
    """Read and validate the config of a campaign.

    Raises
    ------
    ConfigError
        With one line for each mistake: ``file:line: key.path: sentence``.
    """
    name = str(path)
    path = Path(path).expanduser()
    campaign, places = validated(
        read_text(path, name), name, CampaignConfig, "eclipse and stations"
    )
    return bind(campaign, path.parent.absolute(), places)


def stations_of(campaign: CampaignConfig) -> list[Station]:
    """Return all stations, those of the table after those of the file.

    A station whose own config is wrong is there with the reason: it must not stop the others.

    Raises
    ------
    ConfigError
        If the table cannot be read or has mistakes, or two stations have one name.
    """
    entries = list(campaign.stations)
    where = [campaign.where("stations", i) for i in range(len(entries))]
    if campaign.table is not None:
        for place, entry in _rows(campaign):
            entries.append(entry)
            where.append(place)
    found = [_station(campaign, entry) for entry in entries]
    seen: dict[str, str] = {}
    wrong = []
    for station, place in zip(found, where, strict=True):
        # Some file systems do not tell a/ from A/.
        first = seen.setdefault(station.name.lower(), place)
        if first != place:
            wrong.append(f"{place}: the name {station.name!r} is used twice (first at {first}).")
    if wrong:
        raise ConfigError("\n".join(wrong))
    if not found:
        raise ConfigError(f"{campaign.where('table')}: has no stations.")
    return found


def _station(campaign: CampaignConfig, entry: StationConfig) -> Station:
    if entry.config is not None:
        path = campaign.resolve(entry.config)
        name = entry.name or re.sub(r"[^A-Za-z0-9_-]", "-", path.parent.name) or "station"
        try:
            own = load_config(path)
        except ConfigError as error:
            return Station(name, None, path.parent, str(error))
        if own.eclipse != campaign.eclipse:
            fault = (
                f"{own.where('eclipse')}: is {own.eclipse}, and the campaign's is "
                f"{campaign.eclipse}."
            )
            return Station(name, None, path.parent, fault)
        return Station(name, own, own.resolve(own.workspace).absolute())
    root = folder_of(campaign) / "stations" / entry.name
    shared = {
        name: getattr(campaign.settings, name) for name in type(campaign.settings).model_fields
    }
    sky = campaign.settings.sky
    if sky.limb_profile is not None:
        profile = str(campaign.resolve(sky.limb_profile))
        shared["sky"] = sky.model_copy(update={"limb_profile": profile})
    assert entry.site is not None  # checked by its model
    urls = tuple(card for card in entry.cards if is_url(card))
    cards = list(urls) or [str(campaign.resolve(card)) for card in entry.cards]
    try:
        config = Config(
            site=entry.site,
            eclipse=campaign.eclipse,
            input=InputConfig(cards=cards),
            workspace=str(root),
            **shared,
        )
    except ValidationError as error:
        said = "; ".join(
            f"{key_path(location)}: {told}"
            for location, told in sentences_of(error.errors(), Config)
        )
        return Station(entry.name, None, root, f"{campaign.where('settings')}: {said}")
    out = f"{campaign.output.rstrip('/')}/stations/{entry.name}" if is_url(campaign.output) else ""
    return Station(entry.name, bind(config, campaign.resolve("."), {}), root, urls=urls, out=out)


def folder_of(campaign: CampaignConfig) -> Path:
    """Return the folder that the campaign's own results are made in, also if they are sent away."""
    return campaign.resolve("campaign" if is_url(campaign.output) else campaign.output)


def _rows(campaign: CampaignConfig) -> Iterator[tuple[str, StationConfig]]:
    """Yield the stations of the table, each with ``file:line``."""
    assert campaign.table is not None
    path = campaign.resolve(campaign.table)
    wrong: list[str] = []
    for place, row in _csv_rows(path) if path.suffix.lower() != ".ecsv" else _ecsv_rows(path):
        try:
            yield place, _entry(row)
        except ValidationError as error:
            wrong += [
                f"{place}: {key_path(location) or row.get('name', '')}: {told}"
                for location, told in _told(error)
            ]
        except ValueError as error:
            wrong.append(f"{place}: {error}")
    if wrong:
        raise ConfigError("\n".join(wrong))


def _told(error: ValidationError) -> Iterator[tuple[Location, str]]:
    yield from sentences_of(error.errors(), StationConfig)


def _entry(row: dict[str, Any]) -> StationConfig:
    """Return a row of a table as a station; empty cells count as not given."""
    given = {k: v for k, v in row.items() if v is not None and str(v).strip() not in ("", "--")}
    out: dict[str, Any] = {"name": str(given.get("name", "")).strip()}
    if not re.match(STATION_NAME, out["name"]) and "config" not in given:
        raise ValueError("name: should be letters, digits, '-' and '_' only.")
    if "config" in given:
        out["config"] = str(given["config"]).strip()
    if "cards" in given:
        out["cards"] = [c.strip() for c in str(given["cards"]).split(SEPARATOR) if c.strip()]
    site: dict[str, Any] = {}
    for key in NUMBERS:
        if key in given:
            try:
                site[key] = float(given[key])
            except ValueError:
                raise ValueError(f"{key}: {given[key]!r} is not a number.") from None
    if site:
        out["site"] = site
    return StationConfig.model_validate(out)


def _csv_rows(path: Path) -> Iterator[tuple[str, dict[str, Any]]]:
    text = read_text(path, str(path))
    reader = csv.DictReader(text.splitlines(), skipinitialspace=True)
    _require_columns(path, reader.fieldnames or ())
    for row in reader:
        if None in row:
            raise ConfigError(
                f"{path}:{reader.line_num}: has more cells than the first line has names; put "
                "quotes around a cell that holds a comma."
            )
        yield f"{path}:{reader.line_num}", row


def _ecsv_rows(path: Path) -> Iterator[tuple[str, dict[str, Any]]]:
    from astropy.table import Table

    read_text(path, str(path))  # what is wrong with the file is told as of all configs
    try:
        table = Table.read(path, format="ascii.ecsv")
    except Exception as error:  # astropy's readers raise all kinds for a damaged file
        raise ConfigError(f"{path}: is not an ECSV table ({error}).") from error
    _require_columns(path, table.colnames)
    for number, row in enumerate(table, start=1):
        cells = {
            name: None if getattr(row[name], "mask", False) is True else str(row[name])
            for name in table.colnames
        }
        yield f"{path}: row {number}", {k: v for k, v in cells.items() if v != "--"}


def _require_columns(path: Path, names: Any) -> None:
    unknown = sorted(set(names) - COLUMNS)
    if unknown or not names:
        raise ConfigError(
            f"{path}:1: unknown column {', '.join(map(repr, unknown)) or '(none at all)'}; there "
            f"are {', '.join(sorted(COLUMNS))}."
        )
