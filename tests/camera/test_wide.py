"""Which frames count as wide: by the field of the lens, else by the size of the Sun."""

from __future__ import annotations

import numpy as np

from limbward.camera.wide import wide_frames

NAN = np.nan


def told(focal: float, pitch: float, width: float, sun: list[float]) -> bool:
    n = max(len(sun), 3)
    radius = np.full(n, NAN)
    radius[: len(sun)] = sun
    full = [np.full(n, v) for v in (focal, pitch, width)]
    found = wide_frames([("Body", "1")] * n, *full, radius)
    assert np.ptp(found.astype(int)) == 0
    return bool(found[0])


def test_by_the_lens() -> None:
    # On a sensor of 36 mm, 6 um a pixel: 24 mm show 74 degrees, 67 mm show 30, 400 mm 5.
    assert told(24.0, 6.0, 6000, [])
    assert told(50.0, 6.0, 6000, [39.0] * 3)
    assert not told(85.0, 6.0, 6000, [66.0] * 3)
    assert not told(400.0, 6.0, 6000, [])
    # Without the sensor's size: 24 mm are wide on any but the smallest.
    assert told(24.0, NAN, 1200, [])
    # The overexposed Sun of a wide frame, many times too large, does not speak against it.
    assert told(24.0, NAN, 1200, [4.0, 4.2, 24.0, 25.0])
    # A bridge camera: 40 mm before 6.2 mm of sensor, the Sun 120 pixels in radius.
    assert not told(40.0, NAN, 4000, [120.0] * 3)


def test_by_the_sun_where_the_lens_is_silent() -> None:
    # tan 0.267 degrees of 8 mm and of 400 mm, 6 um a pixel.
    assert told(NAN, NAN, 6000, [6.2] * 4)
    assert told(0.0, NAN, 6000, [6.2] * 4)
    assert not told(NAN, NAN, 6000, [311.0] * 4)
    assert not told(NAN, NAN, 6000, [6.2])  # one may be a mistake
    assert not told(NAN, NAN, 6000, [])


def test_each_lens_for_itself() -> None:
    focal = np.array([24.0, 600.0, 24.0, 600.0])
    found = wide_frames([("Body", "1")] * 4, focal, np.full(4, 6.0), np.full(4, 6000.0),
                        np.full(4, NAN))  # fmt: skip
    assert found.tolist() == [True, False, True, False]
