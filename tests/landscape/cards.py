"""A card of nothing but wide frames, as DNG files."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from tests.apart.files import Tags, dng
from tests.apart.sensor import Sensor
from tests.apart.wide import RESPONSE, Session

from .sessions import EPOCH_S

CONFIG = """\
site: {{latitude: {latitude}, longitude: {longitude}, height: 0, name: Hilltop}}
eclipse: {day}
input: {{cards: [card]}}
"""


def write_card(
    folder: Path, session: Session, shots: list[tuple], clock_s: float, zone: str | None = None
) -> Path:
    """Write frames ``(middle since the epoch, exposure, filtered, ISO, f-number)``; the config.

    Each pixel of the simulated picture is a 2 x 2 cell of the sensor.
    """
    card = folder / "card"
    card.mkdir(parents=True)
    cam = session.camera
    sensor = Sensor(1, (2 * cam.height, 2 * cam.width), response=RESPONSE)
    black, span = sensor.black[0], sensor.white - sensor.black[0]
    for k, (since, exposure, filtered, iso, stop) in enumerate(shots):
        shown = session.frame(EPOCH_S + since, exposure, filtered=filtered, iso=iso, stop=stop)
        raw = np.empty((2 * cam.height, 2 * cam.width))
        for place, colour in enumerate(sensor.pattern):
            i, j = divmod(place, 2)
            raw[i::2, j::2] = shown[colour]
        numbers = np.clip(np.rint(black + raw * span / session.full), 0, sensor.white)
        start = EPOCH_S + since - exposure / 2 + clock_s
        when = datetime.fromisoformat(session.day) + timedelta(seconds=start)
        tags = Tags(
            "Aurelia", "L8", "AL8-1", f"{when:%Y:%m:%d %H:%M:%S}",
            f"{when.microsecond // 10000:02}", zone, exposure, iso, stop,
            36.0 * cam.focal / cam.width,
        )  # fmt: skip
        dng(card / f"WIDE{k + 1:04}.DNG", numbers.astype(np.uint16), sensor, tags)
    config = folder / "limbward.yaml"
    config.write_text(
        CONFIG.format(latitude=session.latitude, longitude=session.longitude, day=session.day)
    )
    return config


def whole_eclipse(every: float) -> list[tuple]:
    """Filtered crescents at even steps, the landscape before and after, brackets of totality."""
    shots = [(t, 1 / 500, True, 100, 8.0) for t in np.arange(-4200.0, 4201.0, every)
             if abs(t) > 200]  # fmt: skip
    shots += [(s * t, 1 / 20, False, 100, 8.0) for t in (100.0, 150.0, 200.0) for s in (-1, 1)]
    shots += [(t, 1.0, False, 800, 2.8) for t in (-30.0, 30.0)]
    shots += [(5.0, 1 / 15, False, 800, 2.8)]
    return sorted(shots)
