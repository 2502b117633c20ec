"""Time to measure the limbs of a 24-megapixel frame, decoding left out; reported, not asserted.

pytest -n 0 tests/benchmarks/test_limb_speed.py --benchmark-enable
"""

import numpy as np
import pytest

from limbward.limb.measure import measure
from tests.limb.pictures import corona, crescent

# The green plane of a 6000 x 4000 mosaic at 3.2 arcsec a pixel.
SHAPE = (2000, 3000)
SUN, MOON = (1500.3, 1000.7, 149.0), (1503.1, 998.0, 154.8)
BITE = (1620.0, 1040.0, 154.8)


@pytest.mark.parametrize("kind", ["partial", "totality", "overexposed"])
def test_time_to_measure(benchmark, kind):
    rng = np.random.default_rng(1)
    if kind == "partial":
        image, saturated = crescent(SHAPE, SUN, BITE, rng)
    else:
        image, saturated = corona(SHAPE, SUN, MOON, rng, exposure=0.02 if kind == "totality" else 2)
    found = benchmark(lambda: measure(image, saturated, 2.0, (0.5, 0.5), radius_ratio=1.039))
    assert found.moon is not None
