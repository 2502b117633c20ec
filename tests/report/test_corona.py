"""Coverage and radial profile, against coronae whose numbers are known beforehand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from limbward.geometry.law import mean_corona
from limbward.radiance.vignetting import Vignetting
from limbward.report import Corona, Sample, build_report, measure_coverage
from limbward.report.checks import advise
from limbward.report.coverage import MIN_SNR, frames_at, reach_spans, thin_places
from limbward.report.profile import fit_mean_corona, radial_profile
from limbward.report.sections import merge_section
from tests.report.pages import Page, contacts, frame, material

SHAPE = (300, 400)
SUN = (190.0, 160.0, 40.0)
GAIN, READ, CEILING = 0.2, 1.5, 14000.0
LIGHT = 4e12  # ADU/s from the whole mean disc's brightness, for a bright inner corona


def distance(shape=SHAPE, sun=SUN):
    y, x = np.mgrid[: shape[0], : shape[1]]
    return np.hypot(x - sun[0], y - sun[1]) / sun[2]


def sample(exposure_s: float) -> Sample:
    signal = exposure_s * LIGHT * mean_corona(np.maximum(distance(), 0.98))
    plane = np.where(signal < CEILING, signal, np.nan).astype(np.float32)
    return Sample(exposure_s, 100.0, plane, *SUN)


def radius_of(signal: float, exposure_s: float) -> float:
    """Distance at which an exposure collects a signal, by bisection of the monotonic law."""
    low, high = 1.0, 50.0
    for _ in range(80):
        middle = 0.5 * (low + high)
        above = exposure_s * LIGHT * mean_corona(np.array([middle]))[0] > signal
        low, high = (middle, high) if above else (low, middle)
    return low


def test_mean_corona_at_the_limb():
    """Baumbach (1937), as tabulated in Allen's Astrophysical Quantities: the three terms' sum."""
    assert mean_corona(np.array([1.0]))[0] == pytest.approx((0.0532 + 1.425 + 2.565) * 1e-6)
    rho = np.linspace(1, 10, 200)
    assert np.all(np.diff(mean_corona(rho)) < 0)
    # Far out only the slowest term is left: a factor of 2^-2.5 from 50 to 100 radii.
    far = mean_corona(np.array([50.0, 100.0]))
    assert far[1] / far[0] == pytest.approx(2**-2.5, rel=1e-4)


@pytest.mark.parametrize("exposure_s", [1e-3, 1e-2, 1e-1])
def test_reach_begins_at_saturation_and_ends_in_noise(exposure_s):
    coverage = measure_coverage([sample(exposure_s)] * 3, {100.0: (GAIN, READ)})
    spans = reach_spans(coverage, coverage.reaches[0])
    assert len(spans) == 1
    inner = max(radius_of(CEILING, exposure_s), coverage.edges[0])
    assert spans[0][0] == pytest.approx(inner, abs=0.06)  # a ring is 0.05 wide
    # S / sqrt(read^2 + gain S) = 10 is a quadratic equation in S.
    k = MIN_SNR**2
    faintest = 0.5 * (k * GAIN + np.sqrt((k * GAIN) ** 2 + 4 * k * READ**2))
    outer = min(radius_of(faintest, exposure_s), coverage.edges[-1])
    assert spans[0][1] == pytest.approx(outer, abs=0.06)


def test_longer_exposures_reach_further_and_begin_further_out():
    exposures = [1e-3, 4e-3, 1.6e-2, 6.4e-2]
    noise = {100.0: (GAIN, READ)}
    coverage = measure_coverage((sample(e) for e in reversed(exposures)), noise)
    assert [r.exposure_s for r in coverage.reaches] == exposures
    spans = [reach_spans(coverage, r)[0] for r in coverage.reaches]
    assert np.all(np.diff([a for a, _ in spans]) >= 0)
    assert np.all(np.diff([b for _, b in spans]) >= 0)


def test_places_outside_the_frame_do_not_count():
    coverage = measure_coverage([sample(0.01)], {100.0: (GAIN, READ)})
    corners = distance()[[0, 0, -1, -1], [0, -1, 0, -1]]
    assert coverage.edges[-1] < corners.max()


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(1, 4), min_size=1, max_size=3))
def test_frames_are_counted_once_each(repeats):
    samples = [sample(10.0 ** -(k + 1)) for k, n in enumerate(repeats) for _ in range(n)]
    coverage = measure_coverage(samples, {100.0: (GAIN, READ)})
    assert sum(r.frames for r in coverage.reaches) == sum(repeats)
    count = frames_at(coverage)
    assert count.max() <= sum(repeats)
    thin = np.zeros(count.size, bool)
    for a, b, most in thin_places(coverage):
        inside = (coverage.edges[:-1] >= a - 1e-9) & (coverage.edges[1:] <= b + 1e-9)
        assert count[inside].max() == most < 3
        thin |= inside
    assert np.array_equal(thin, count < 3)


def test_no_frames_no_coverage():
    assert measure_coverage([], {}) is None


def corona(scale=3e9, sky=12.0, noise=0.01, seed=1) -> Corona:
    rng = np.random.default_rng(seed)
    rho = distance()
    truth = scale * mean_corona(np.maximum(rho, 0.9)) + sky
    radiance = truth * rng.normal(1.0, noise, SHAPE)
    moon = (SUN[0] + 2.0, SUN[1] - 1.0, 41.5)
    radiance[distance(sun=moon) < 1.0] = 1e9  # must not be looked at
    radiance[:, 390:] = np.nan
    return Corona(
        radiance=radiance.astype(np.float32),
        sigma=(noise * truth).astype(np.float32),
        count=np.full(SHAPE, 12, np.int16),
        sun_x=SUN[0],
        sun_y=SUN[1],
        sun_radius=SUN[2],
        moon_x=moon[0],
        moon_y=moon[1],
        moon_radius=moon[2],
        frames=12,
        exposure_s=3.5,
        noise={100.0: (GAIN, READ)},
        history=["Made for a test."],
    )


def test_fit_finds_height_and_sky_that_were_put_in():
    profile = radial_profile(corona())
    fitted = fit_mean_corona(profile)
    # A ring's median of some hundred pixels of 1 % noise is good to 0.1 %; within a ring near
    # the limb the law falls by a third, which its median does not follow exactly.
    assert fitted.scale == pytest.approx(3e9, rel=0.02)
    assert fitted.sky == pytest.approx(12.0, rel=0.1)
    assert fitted.deviation < 0.02
    assert np.allclose(profile.count, 12)
    assert np.allclose(profile.noise, 0.01, rtol=0.05)


def test_fit_never_takes_light_away():
    fitted = fit_mean_corona(radial_profile(corona(sky=0.0)))
    assert fitted.sky >= 0
    assert fitted.scale > 0


def test_a_corona_of_another_shape_is_told_apart():
    other = corona()
    steep = other.radiance * np.maximum(distance(), 0.5).astype(np.float32) ** -3
    fitted = fit_mean_corona(radial_profile(Corona(**{**vars(other), "radiance": steep})))
    assert fitted.deviation > 0.2


def test_too_small_a_field_is_not_fitted():
    small = Corona(**{**vars(corona()), "radiance": np.full(SHAPE, np.nan, np.float32)})
    profile = radial_profile(small)
    assert profile.rho.size == 0
    assert fit_mean_corona(profile) is None
    page = Page(build_report(material(corona=small)))
    assert "No ring around the Sun holds enough pixels" in page.text


def test_report_of_a_merge():
    coverage = measure_coverage(
        [sample(e) for e in (1e-3, 1e-2, 1e-1) for _ in range(3)], {100.0: (GAIN, READ)}
    )
    frames = [frame(phase="totality", used=True)]
    content = material(contacts=contacts(), frames=frames, corona=corona(), coverage=coverage)
    page = Page(build_report(content))
    assert "12 frames were merged, 3.5 s of exposure in total" in page.text
    assert "follows the published mean corona" in page.text
    assert "Made for a test." in page.text
    alts = " ".join(s["aria-label"] for s in page.all("svg"))
    assert "1/1000 s from" in alts
    assert "beside the mean corona" in alts


@pytest.mark.parametrize("linear", [True, False])
def test_a_corona_of_display_referred_pictures_is_called_no_measurement(linear):
    shown = material(corona=Corona(**{**vars(corona()), "linear": linear}), contacts=contacts())
    said = " ".join([*merge_section(shown).sentences, *(a.what for a in advise(shown))])
    assert ("not a measurement" in said) != linear
    assert ("display-referred" in said) != linear


@pytest.mark.parametrize("flats", [True, False])
def test_a_corona_without_flats_is_said_to_have_the_lens_in_it(flats):
    history = ("12 frames.", "Flat-fielded with 8 flats.") if flats else ("12 frames",)
    shown = material(corona=Corona(**{**vars(corona()), "history": history}), contacts=contacts())
    said = [a for a in advise(shown) if "vignetting" in a.what]
    assert (not said) == flats
    assert all("input.cards" in a.todo for a in said)


def test_shading_that_was_taken_out_without_flats_is_not_said_to_be_there():
    history = ("12 frames.", Vignetting(0.3, 0.06, 0.01).words())
    shown = material(corona=Corona(**{**vars(corona()), "history": history}), contacts=contacts())
    (said,) = [a.what for a in advise(shown) if "vignetting" in a.what]
    assert "taken out" in said
    assert "still in the corona" not in said
