"""Limbs measured in drawn frames against where they were drawn."""

import numpy as np
import pytest

import limbward.limb.measure as limb_measure
from limbward.limb.darkening import edge_inset, limb_darkening
from limbward.limb.measure import measure
from limbward.limb.measurement import outline as covered_outline
from tests.limb.pictures import corona, crescent

SHAPE = (816, 1224)
R_SUN, RATIO = 125.3, 1.039
R_MOON = R_SUN * RATIO


def place(rng):
    return 600.3 + rng.uniform(), 400.6 + rng.uniform()


@pytest.mark.parametrize("distance", [1.8, 1.4, 1.0, 0.6, 0.3])
@pytest.mark.parametrize("seed", [1, 2])
def test_crescents(distance, seed):
    """Obscuration from 5 % to 90 %: both centres to a tenth of a pixel of this image."""
    rng = np.random.default_rng(seed)
    x, y = place(rng)
    a = rng.uniform(0, 2 * np.pi)
    mx, my = x + distance * R_SUN * np.cos(a), y + distance * R_SUN * np.sin(a)
    image, saturated = crescent(SHAPE, (x, y, R_SUN), (mx, my, R_MOON), rng)
    # The drawn discs are round: there is no air in front of them.
    found = measure(image, saturated, radius_ratio=RATIO, flattening_sigma=0.0)
    assert found.kind == "partial"
    assert (found.sun.x, found.sun.y) == pytest.approx((x, y), abs=0.1)
    assert (found.moon.x, found.moon.y) == pytest.approx((mx, my), abs=0.1)
    assert found.sun.radius == pytest.approx(R_SUN, abs=0.06)
    assert found.limb_width == pytest.approx(1.2, abs=0.3)  # 0.9 px and the limb's own softness


def test_the_whole_sun_is_no_crescent():
    rng = np.random.default_rng(4)
    x, y = place(rng)
    image, saturated = crescent(SHAPE, (x, y, R_SUN), (x + 400, y, R_MOON), rng)
    found = measure(image, saturated, radius_ratio=RATIO)
    assert found.kind == "partial"
    assert found.moon is None
    assert (found.sun.x, found.sun.y) == pytest.approx((x, y), abs=0.03)


@pytest.mark.parametrize("exposure", [0.003, 0.01, 0.03, 0.1, 0.3, 1.0, 3.0])
def test_totality_from_weak_to_twelve_times_saturated(exposure):
    rng = np.random.default_rng(6)
    x, y = place(rng)
    mx, my = x + 3.0, y - 4.0
    image, saturated = corona(SHAPE, (x, y, R_SUN), (mx, my, R_MOON), rng, exposure=exposure)
    found = measure(image, saturated, radius_ratio=RATIO)
    assert found.kind == "totality"
    # An overexposed limb is measured from the foot of its edge: see limbward.limb.ramp.
    bar = 0.05 if not saturated.any() else 0.2
    assert (found.moon.x, found.moon.y) == pytest.approx((mx, my), abs=bar)
    assert found.moon.radius == pytest.approx(R_MOON, abs=2.0)


def test_an_overexposed_corona_is_not_fitted_as_a_sun_of_twice_the_moons_size(monkeypatch):
    """That fit takes seconds and comes to nothing."""
    rng = np.random.default_rng(6)
    x, y = place(rng)
    scene = corona(SHAPE, (x, y, R_SUN), (x + 3.0, y - 4.0, R_MOON), rng, exposure=1.0)
    found, discs = measure(*scene, radius_ratio=RATIO), []

    def fitted(frame, disc, *_):
        discs.append(disc)

    monkeypatch.setattr(limb_measure, "measure_by_edges", lambda *_: None)
    monkeypatch.setattr(limb_measure, "may_be_filtered", lambda *_: True)
    monkeypatch.setattr(limb_measure, "measure_as_a_whole", fitted)
    for size, tries in ((2.0, 0), (0.5, 0), (1.2, 1)):

        def outline(points, *, bright_inside, side, size=size):
            x, y, radius = covered_outline(points, bright_inside=False, side=side)
            return x, y, size * radius

        monkeypatch.setattr(limb_measure, "outline", outline)
        assert measure(*scene, radius_ratio=RATIO).moon == found.moon
        assert len(discs) == tries


def test_a_prominence_does_not_pull_the_moon():
    rng = np.random.default_rng(8)
    x, y = place(rng)
    bead = (x + R_MOON + 1.0, y, 4.0, 9000.0)
    image, saturated = corona(
        SHAPE, (x, y, R_SUN), (x, y, R_MOON), rng, exposure=0.01, beads=[bead]
    )
    found = measure(image, saturated)
    assert (found.moon.x, found.moon.y) == pytest.approx((x, y), abs=0.1)


def test_a_diamond_ring_is_a_contact():
    rng = np.random.default_rng(10)
    x, y = place(rng)
    bead = (x + R_MOON, y, 6.0, 4e5)
    image, saturated = corona(
        SHAPE, (x, y, R_SUN), (x, y, R_MOON), rng, exposure=0.004, beads=[bead]
    )
    assert measure(image, saturated).kind == "contact"


def test_a_moon_cut_by_the_edge_of_the_frame():
    rng = np.random.default_rng(12)
    x, y = 60.0, 400.0
    image, saturated = corona(SHAPE, (x, y, R_SUN), (x, y, R_MOON), rng, exposure=0.01)
    found = measure(image, saturated)
    assert found.kind == "totality"
    assert (found.moon.x, found.moon.y) == pytest.approx((x, y), abs=0.2)
    assert found.coverage < 0.85


@pytest.mark.parametrize("level", [0.0, 300.0])
def test_frames_with_nothing_in_them_say_so(level):
    rng = np.random.default_rng(14)
    image = rng.normal(level, 5.0, SHAPE).astype(np.float32)
    found = measure(image, image > 15000)
    assert found.kind == "none"
    assert found.sun is None
    assert found.moon is None
    assert found.note


def test_clouds_lit_by_nothing_round_are_none():
    rng = np.random.default_rng(16)
    rows, cols = np.mgrid[: SHAPE[0], : SHAPE[1]]
    cloud = 2000 * np.exp(-((cols - 300) ** 2 / 2e5 + (rows - 500) ** 2 / 4e4))
    image = rng.normal(cloud, 10.0).astype(np.float32)
    assert measure(image, image > 15000).kind == "none"


def test_scale_and_origin_lead_to_full_pixels():
    rng = np.random.default_rng(18)
    x, y = place(rng)
    image, saturated = corona(SHAPE, (x, y, R_SUN), (x, y, R_MOON), rng, exposure=0.01)
    plain = measure(image, saturated)
    full = measure(image, saturated, 2.0, (0.5, 0.5))
    assert full.moon.x == pytest.approx(2 * plain.moon.x + 0.5)
    assert full.moon.radius == pytest.approx(2 * plain.moon.radius)
    assert full.moon_limb[:, :2] == pytest.approx(2 * plain.moon_limb[:, :2] + 0.5)


def test_the_darkened_disc_is_normalised():
    """Neckel & Labs: 1 at the disc's centre, about 0.3 at the limb in green light."""
    assert limb_darkening(np.array(1.0)) == pytest.approx(1.0, abs=1e-4)
    assert limb_darkening(np.array(0.0)) == pytest.approx(0.305, abs=0.005)


def test_the_darkened_disc_is_like_that_of_another_table():
    """At 550 nm: A. N. Cox (ed.), *Allen's Astrophysical Quantities*, 4th ed. (2000), 14.7."""
    mu = np.linspace(0.0, 1.0, 101)
    assert limb_darkening(mu) == pytest.approx(0.30 + 0.93 * mu - 0.23 * mu**2, abs=0.03)


def test_the_inset_grows_with_blur_and_shrinks_with_size():
    assert edge_inset(125.0, 1.2) > edge_inset(125.0, 0.8) > 0
    assert edge_inset(60.0, 1.2) > edge_inset(500.0, 1.2)
