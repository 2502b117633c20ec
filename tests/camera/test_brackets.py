"""What brackets of a corona tell of a camera whose curve is known, from small frames alone."""

import numpy as np
import pytest

from limbward.camera.brackets import MOST_FRAMES, Bracketed, Origin, ask_brackets

RANGE = 4000.0
FACTOR = 4
MOON = 25.0  # pixels of the small frames
EXPOSURES = 2.0 ** np.arange(-9, 1)


def corona(rng):
    """A corona that falls with the sixth power of the distance, uneven by a fifth."""
    y, x = np.mgrid[:240, :240] - 119.5
    r = np.maximum(np.hypot(x, y) / MOON, 1.0)
    return 30.0 * r**-6.0 * np.exp(0.2 * np.sin(5 * np.arctan2(y, x))) * np.ones((3, 1, 1))


def bracket(curve, *, brackets=2, seed=1):
    """Return frames, and what reads their pixels: light by a curve, clipped at white."""
    rng = np.random.default_rng(seed)
    scene = corona(rng)
    middle = (119.5 + 0.5) * FACTOR - 0.5
    frames, planes = [], []
    for k, exposure in enumerate(np.tile(EXPOSURES, brackets)):
        frames.append(
            Bracketed(k, 2.0 * k, exposure, RANGE, 100, 8.0, (middle, middle, MOON * FACTOR))
        )
        light = scene * exposure * np.exp(0.01 * rng.standard_normal(scene.shape))
        planes.append(np.where(light < 1.0, RANGE * curve(np.minimum(light, 1.0)), np.nan))
    return frames, lambda row: (planes[row].astype(np.float32), FACTOR)


@pytest.mark.parametrize(("kind", "exponent"), [("tiff", 1.0), ("tiff", 0.45), ("raw", 0.6)])
def test_the_exponent_of_a_camera_is_found(kind, exponent):
    frames, planes = bracket(lambda light: light**exponent)
    answer = ask_brackets(Origin("Testcam", "7", kind, ""), frames, planes, 31)
    assert answer.tested.exponent == pytest.approx(exponent, abs=0.05)
    assert answer.tested.is_straight is (exponent == 1.0)
    assert (answer.warning() == "") is (exponent == 1.0)
    # Of a RAW file the stated exposures are doubted, not the sensor.
    assert (answer.tested.response is None) is (kind == "raw" or exponent == 1.0)
    if answer.tested.response is not None:
        light = np.geomspace(0.02, 0.9, 30)
        assert np.std(np.log(answer.tested.response(light**exponent) / light)) < 0.05
        assert "the 31 TIFF files are not linear" in answer.warning()


def test_frames_far_apart_in_time_are_not_compared():
    frames, planes = bracket(lambda light: light)
    far = [
        Bracketed(f.row, 3600.0 * f.row, f.exposure_s, RANGE, f.iso, f.f_number, f.moon)
        for f in frames
    ]
    answer = ask_brackets(Origin("Testcam", "7", "tiff", ""), far, planes, len(far))
    assert answer.tested.pairs == 0
    assert answer.tested.exponent is None
    assert answer.warning() == answer.remark() == ""


def test_no_more_frames_are_read_than_tell_more():
    frames, planes = bracket(lambda light: light, brackets=8)
    read = []

    def counted(row):
        read.append(row)
        return planes(row)

    ask_brackets(Origin("Testcam", "7", "tiff", ""), frames, counted, len(frames))
    spare = (len(frames) - MOST_FRAMES) // 2
    assert read == list(range(spare, spare + MOST_FRAMES))


def test_without_totality_nothing_is_told():
    answer = ask_brackets(Origin("Testcam", "7", "jpeg", "sRGB"), [], lambda _: None, 5)
    assert answer.tested.exponent is None
    assert "the 5 JPEG files are encoded for a display, by sRGB" in answer.remark()
    assert answer.warning() == ""
