"""A simulated card to show the pipeline, or to rehearse with."""

from __future__ import annotations

import json
from collections.abc import Iterable
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal, get_args

from limbward.errors import ConfigError, LimbwardError
from limbward.simulate import scenario as scenarios
from limbward.simulate.card import simulate_card
from limbward.simulate.conditions import CONDITIONS, EFFECTS, under
from limbward.simulate.scenario import Scenario
from limbward.sky.ephemeris import Site
from limbward.sky.limb_profile import LimbProfile, read_profile
from limbward.work.executors import cores, local_pool
from limbward.work.reporting import Advance, Reporter

SCENARIOS = {
    "telescope": scenarios.demo_scenario,
    "tripod": scenarios.tripod_scenario,
    "altazimuth": scenarios.altazimuth_scenario,
    "two-cameras": scenarios.two_camera_scenario,
    "partial": scenarios.partial_scenario,
    "annular": scenarios.annular_scenario,
}
TRUTH = "truth.json"
Invented = Literal["real", "invented", "smooth"]
Limb = Invented | LimbProfile
LIMBS: tuple[Invented, ...] = get_args(Invented)


def choose_scenario(
    name: str,
    *,
    megapixels: float,
    latitude: float | None = None,
    longitude: float | None = None,
    height: float | None = None,
    date: str | None = None,
    conditions: str = "calm",
    effects: tuple[str, ...] = (),
    limb: str = "real",
) -> Scenario:
    """Return a scenario under some conditions, moved to another place and day if these are given.

    Parameters
    ----------
    name : str
        One of `SCENARIOS`.
    megapixels : float
    latitude, longitude : float, optional
        Degrees; both or neither.
    height : float, optional
        Metres.
    date : str, optional
        YYYY-MM-DD.
    conditions : str
        One of `limbward.simulate.conditions.CONDITIONS`.
    effects : tuple of str
        Faults added to them, of `limbward.simulate.conditions.EFFECTS`.
    limb : str
        Of the Moon: one of `LIMBS`, or the path of a CSV of position angle and height.

    Raises
    ------
    ConfigError
        For another name, or half a place.
    LimbwardError
        If the limb's file cannot be read or is none.
    """
    if name not in SCENARIOS:
        raise ConfigError(f"There is no scenario {name!r}; choose one of {_list(SCENARIOS)}.")
    scenario = _under(SCENARIOS[name](megapixels), conditions, effects)
    if (latitude is None) != (longitude is None):
        raise ConfigError("Give both --lat and --lon.")
    if latitude is not None and longitude is not None:
        scenario = replace(scenario, site=Site(latitude, longitude, 0.0))
    if height is not None:
        scenario = replace(scenario, site=replace(scenario.site, height=height))
    scenario = replace(scenario, limb=_limb(limb))
    return scenario if date is None else replace(scenario, date=date)


def _limb(name: str) -> Limb:
    for known in LIMBS:
        if name == known:
            return known
    if not Path(name).is_file():
        raise ConfigError(
            f"No limb is called {name!r}; there are {_list(LIMBS)}, or the path of a CSV of "
            "position angle (degrees) and height (arcsec)."
        )
    return read_profile(Path(name))


def _under(scenario: Scenario, conditions: str, effects: tuple[str, ...] = ()) -> Scenario:
    if conditions not in CONDITIONS:
        raise ConfigError(
            f"There are no conditions {conditions!r}; choose one of {_list(CONDITIONS)}."
        )
    for name in effects:
        if name not in EFFECTS:
            raise ConfigError(f"There is no effect {name!r}; choose one of {_list(EFFECTS)}.")
    return under(scenario, conditions, effects)


def _list(names: Iterable[str]) -> str:
    return ", ".join(names)


def simulate(
    directory: Path, scenario: Scenario, *, seed: int, jobs: int | None, reporter: Reporter
) -> Path:
    """Write a card dump with its config and its truth, and return the config's path.

    Parameters
    ----------
    directory : Path
        Must not hold a simulated card yet.
    scenario : Scenario
    seed : int
    jobs : int or None
        Processes; None is one a core.
    reporter : Reporter

    Raises
    ------
    LimbwardError
        If there is a card already, or no eclipse.
    """
    reporter.stage("simulate")
    with ExitStack() as stack:
        advance: Advance | None = None
        before = 0

        def show(done: int, total: int) -> None:
            nonlocal advance, before
            if advance is None:  # the first call says how many frames there will be
                advance = stack.enter_context(reporter.progress(total, "frames"))
            advance(done - before)
            before = done

        return simulate_card(
            directory,
            scenario,
            seed=seed,
            jobs=jobs or cores(),
            progress=show,
            open_pool=local_pool,
        )


def simulate_demo(
    directory: Path,
    *,
    megapixels: float,
    conditions: str,
    seed: int,
    jobs: int | None,
    reporter: Reporter,
) -> Path:
    """Return the config of the demo in a folder, simulating its card if it is not there yet.

    Nothing is ever removed: the folder may be someone's.

    Raises
    ------
    LimbwardError
        If the folder holds something else, or a demo made with other options.
    ConfigError
        For conditions of another name.
    """
    scenario = _under(scenarios.demo_scenario(megapixels), conditions)
    if not directory.exists() or (directory.is_dir() and not any(directory.iterdir())):
        return simulate(directory, scenario, seed=seed, jobs=jobs, reporter=reporter)
    truth, config = directory / TRUTH, directory / "limbward.yaml"
    if not (truth.is_file() and config.is_file()):
        raise LimbwardError(
            f"{directory} holds something other than a complete demo and was not touched; "
            "choose another folder or remove it."
        )
    camera, made = scenario.cameras[0], read_truth(directory)
    rows, columns = camera.instrument.shape
    like = [(c["height"], c["width"]) for c in made.get("cameras", [])]
    asked = (seed, scenario.name, scenario.conditions, [(rows, columns)])
    if (made.get("seed"), made.get("name"), made.get("conditions"), like) != asked:
        raise LimbwardError(
            f"{directory} holds a simulation made with other options; choose another folder or "
            "remove it."
        )
    reporter.note(f"the card in {directory} is already there")
    return config


def read_truth(directory: Path) -> dict[str, Any]:
    """Return what the simulation in a folder knows to be true.

    Raises
    ------
    LimbwardError
        If it cannot be read.
    """
    path = directory / TRUTH
    try:
        truth: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise LimbwardError(f"{path} cannot be read ({error}); remove {directory}.") from error
    return truth
