"""A small finished card, shared by the tests of what is made of one."""

from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from limbward.config import with_jobs
from limbward.config.loading import load_config
from limbward.runs.runner import run_stages
from limbward.simulate.card import simulate_card
from limbward.simulate.frames import SimulatedFrame, camera_frames
from limbward.simulate.plan import eclipse_of
from limbward.simulate.scenario import Scenario, adapt, demo_scenario
from limbward.work.reporting import SilentReporter
from limbward.workspace import Workspace

SEED = 1


@dataclass(frozen=True)
class Finished:
    """A card after a run, and what is true of it."""

    config_path: Path
    config: object
    workspace: Workspace
    scenario: Scenario
    frames: list[SimulatedFrame]
    folder: str = "card"


@pytest.fixture(scope="session")
def finished(tmp_path_factory) -> Finished:
    # Passing clouds take up to 35 % of the light: something for the deflicker to do.
    scenario = adapt(
        demo_scenario(0.6),
        plan={
            "partial_frames": 12,
            "brackets": 2,
            "bracket_s": (1 / 500, 1 / 60, 1 / 4),
            "contact_frames": 4,
            "contact_exposures_s": (1 / 4000,),
            "darks": 0,
            "flats": 0,
            "jpegs": 0,
            "truncated": 0,
        },
        tags={"subsec_digits": 2},
    )
    # Beads of an invented limb stand apart; those of the real one crowd within a few degrees.
    weather = replace(scenario.weather, cloud_absorption=0.35)
    scenario = replace(scenario, weather=weather, limb="invented")
    root = tmp_path_factory.mktemp("finished")
    path = simulate_card(root, scenario, seed=SEED)
    config = with_jobs(load_config(path), 1)
    workspace = Workspace(root / "workspace")
    run_stages(config, workspace, SilentReporter(), last="compose")
    _, contacts = eclipse_of(scenario)
    return Finished(path, config, workspace, scenario, camera_frames(scenario, 0, contacts, SEED))
