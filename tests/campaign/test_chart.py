"""Pictures of a campaign, of coronae that are known."""

import numpy as np
import pytest

from limbward.campaign.chart import flattened
from limbward.campaign.view import View


@pytest.mark.parametrize("power", [2.0, 8.0])
def test_a_round_corona_is_an_even_picture(power):
    """Rings whose mean was taken off in steps of two pixels made a raster of it."""
    view = View(201, 0.03)
    west, north = view.places()
    rho = np.hypot(west, north)
    noise = np.random.default_rng(4).normal(0.0, 0.01, (3, *rho.shape))
    light = (1.0 + noise) * np.maximum(rho, 0.5) ** -power
    picture = flattened(light.astype(np.float32), view).astype(float)
    ring = (rho > 1.2) & (rho < 2.8)
    # The noise is a fifth of the scale; a ring's own mean of some 200 pixels has a tenth of that.
    assert picture[ring].std() == pytest.approx(255 / 5.0, rel=0.1)
    fine = np.rint(rho / 0.015).astype(int)
    means = [picture[ring & (fine == k)].mean() for k in np.unique(fine[ring])]
    numbers = [(ring & (fine == k)).sum() for k in np.unique(fine[ring])]
    pull = (np.array(means) - 0.45 * 255) / (51.0 / np.sqrt(3.0 * np.array(numbers)))
    assert np.sqrt(np.mean(pull**2)) < 1.5
