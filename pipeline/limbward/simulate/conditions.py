"""Conditions: the faults of air, optics, camera and mount that a scenario is taken under.

``calm`` is a scenario as it is. ``usual`` is what a careful amateur brings home from an ordinary
day, ``hard`` what can go wrong at once with the eclipse still there. `EFFECTS` has each fault
alone, at the size of ``hard`` or beyond, for tests and to see what it does.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from limbward.simulate.cloud import Cloud
from limbward.simulate.scenario import Scenario, adapt

Change = Callable[[Scenario], Scenario]


def _weather(**fields: Any) -> Change:
    return lambda s: replace(s, weather=replace(s.weather, **fields))


def _session(**fields: Any) -> Change:
    return lambda s: replace(s, **fields)


def _bodies(**parts: dict[str, Any]) -> Change:
    """Change fields of every camera's parts; see `limbward.simulate.scenario.adapt`."""

    def change(scenario: Scenario) -> Scenario:
        for index in range(len(scenario.cameras)):
            scenario = adapt(scenario, index, **parts)
        return scenario

    return change


def _all(*changes: Change) -> Change:
    def change(scenario: Scenario) -> Scenario:
        for each in changes:
            scenario = each(scenario)
        return scenario

    return change


EFFECTS: dict[str, Change] = {
    # Haze, or a fingerprint on the lens; a clean lens in ordinary air spreads a quarter of that.
    "aureole": _weather(aureole=0.04),
    # Low over a hot plain; 1.5 to 3 arcsec are usual by day.
    "seeing": _weather(seeing_arcsec=(2.0, 4.0)),
    # An aluminium tube of 0.8 m that cools by 10 degrees is 0.19 mm shorter: at f/8 a point
    # becomes a disc whose radius is 12 um, 1.2 pixels of 10 um.
    "focus": _bodies(optics={"focus_drift_px": 1.2}),
    # A doublet's blue image is larger by a few parts in 10000: a third of a pixel at the edge.
    "lateral": _bodies(optics={"lateral": (-1.0e-4, 2.0e-4)}),
    # A short telephoto lens; telescopes have a tenth of that.
    "distortion": _bodies(optics={"distortion": 0.004}),
    # Shutters keep their times within 5 to 10 % when they are short.
    "shutter": _session(shutter_error=0.05),
    # Black is added after the converter, which leaves 3 to 7 % of the declared range unused.
    "clip": _bodies(instrument={"clip": 0.93}),
    # A pixel's well fills ever more slowly over its last fifth.
    "bend": _bodies(instrument={"clip": 0.93, "bend": 0.8}),
    # Amplifiers of four channels differ by a few parts in a thousand of the range.
    "black": _bodies(instrument={"black": (497.0, 513.0, 526.0, 508.0)}),
    # Every other exposure at two stops more, to keep the longest ones short.
    "isos": _bodies(plan={"bracket_isos": (100, 400)}),
    # Half-thick patches over six tenths of the sky.
    "cloud": _weather(cloud=Cloud(absorption=0.5)),
    # Hazy air in a small shadow, three times as bright as the demo's clear air; towards the
    # shadow's edge half as bright again within a degree.
    "sky": _weather(sky_brightness=2.5e-9, sky_gradient=0.6),
    # Two uncoated surfaces reflect 4 % each, 1.6e-3; coatings take most of that.
    "ghost": _bodies(optics={"ghost": 8.0e-4}),
    # By hand three times, the last time in the middle of totality.
    "recentring": _bodies(
        mount={"recentred_s": (-1500.0, -240.0, 8.0), "recentring_arcsec": 120.0}
    ),
    # Wind, a cable, feet: one frame in eight, by 24 arcsec from end to end at 12 Hz, which is
    # what a light tripod swings at.
    "trailed": _bodies(mount={"knocked": 0.12}),
    # A head put up by eye: 2 degrees.
    "level": _bodies(mount={"lean_deg": (1.4, -1.4)}),
    # A mount put up by compass: 1 degree.
    "polar": _bodies(mount={"polar_error_arcmin": (42.0, -42.0)}),
    # An adapter without contacts: the body writes what was set in its menu.
    "focal-length": _bodies(tags={"focal_length_mm": 50.0}),
    "no-darks": _bodies(plan={"darks": 0}),
    # By somebody who compared it with a telephone between two frames.
    "clock-set": _bodies(clock={"steps": ((-1700.0, 41.0),)}),
}

_USUAL = _all(
    # Ordinary air and a veil of thin cloud at times; the sky a little brighter and less even.
    _weather(
        aureole=0.01,
        seeing_arcsec=(1.5, 3.0),
        cloud=Cloud(absorption=0.05),
        sky_brightness=1.0e-9,
        sky_gradient=0.3,
    ),
    _session(shutter_error=0.02),
    # Optics that were focused and centred with care, a quarter to a third of the hard faults; a
    # polar axis off by a quarter of a degree, one glance at the finder before totality, and one
    # frame in 25 taken while something shook.
    _bodies(
        optics={"focus_drift_px": 0.4, "lateral": (-2.5e-5, 5.0e-5), "ghost": 2.0e-4},
        instrument={"clip": 0.97, "black": (509.0, 512.0, 514.0, 511.0)},
        mount={
            "recentred_s": (-240.0,),
            "polar_error_arcmin": (12.0, -9.0),
            "lean_deg": (0.3, -0.2),
            "knocked": 0.04,
        },
    ),
)
# All at once, through a telescope; the clip comes with the bend. Nobody took flats.
_HARD = _all(
    *(change for name, change in EFFECTS.items() if name not in ("clip", "distortion")),
    _bodies(plan={"flats": 0}, mount={"jitter_arcsec": 6.0}),
)
CONDITIONS: dict[str, Change] = {"calm": lambda s: s, "usual": _USUAL, "hard": _HARD}


def under(scenario: Scenario, conditions: str, effects: tuple[str, ...] = ()) -> Scenario:
    """Return a scenario under some conditions, with single faults added to them.

    Parameters
    ----------
    scenario : Scenario
    conditions : str
        One of `CONDITIONS`.
    effects : tuple of str
        Of `EFFECTS`.

    Raises
    ------
    KeyError
        For another name.

    Examples
    --------
    >>> from limbward.simulate.scenario import demo_scenario
    >>> under(demo_scenario(), "calm", ("ghost",)).cameras[0].optics.ghost
    0.0008
    """
    changed = CONDITIONS[conditions](scenario)
    for name in effects:
        changed = EFFECTS[name](changed)
    return replace(changed, conditions="+".join((conditions, *effects)))
