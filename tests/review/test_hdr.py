"""Stills in high dynamic range: what they decode to, what they say they are, their captions."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from limbward.errors import LimbwardError
from limbward.products.export import export
from limbward.render.avif import with_xmp, write_avif
from limbward.render.hdr import PEAK, WHITE, gains, hdr_codes, light_of, lightness_of, pq
from limbward.render.space import SRGB, Space
from limbward.render.tone import ToneCurve
from limbward.render.writers import Caption, xmp
from limbward.work.reporting import SilentReporter
from limbward.workspace import Workspace

imagecodecs = pytest.importorskip("imagecodecs")
TONE = ToneCurve(dark=10.0, bright=1e5, soft=100.0)


def light_of_pq(code):
    """Luminance, cd/m2, of PQ values, as ITU-R BT.2100, table 4, has it (from memory)."""
    e = np.power(code, 1 / 78.84375)
    return 1e4 * np.power(
        np.maximum(e - 0.8359375, 0) / (18.8515625 - 18.6875 * e), 1 / 0.1593017578125
    )


def test_pq_is_that_of_the_standard():
    """203 and 1000 cd/m2 are 58 % and 75 % (ITU-R BT.2408, table 1; from memory)."""
    assert pq(np.array([0.0, 203.0, 1000.0, 1e4])) == pytest.approx([0, 0.58, 0.75, 1], abs=0.005)
    light = np.geomspace(0.01, 9e3, 50)
    np.testing.assert_allclose(light_of_pq(pq(light)), light, rtol=1e-6)


# A curve that is nearly linear has less to open, so it does so from the sky on.
@pytest.mark.parametrize(("soft", "same"), [(3.0, 0.3), (100.0, 0.3), (3000.0, 0.05)])
def test_dark_parts_stay_and_bright_ones_grow_as_the_corona_does(soft, same):
    tone = ToneCurve(dark=10.0, bright=1e5, soft=soft)
    lightness, gain = gains(tone)
    np.testing.assert_allclose(lightness_of(light_of(lightness)), lightness, atol=1e-9)
    assert gain[0] == gain[lightness <= same].max() == 1.0
    assert gain[-1] == gain.max() < 1.01 * PEAK / WHITE
    assert gain[-1] > (0.99 * PEAK / WHITE if soft < 1000 else 2.0)
    light = light_of(lightness) * gain
    assert (np.diff(light) > 0).all()
    # Between the brightest parts the ratios are those of their radiances over the sky.
    i, j = np.searchsorted(lightness, [0.97, 0.99])
    sky = tone.radiance(lightness) - tone.dark
    assert light[j] / light[i] == pytest.approx(sky[j] / sky[i], rel=0.03)


def test_an_ordinary_middle_tone_is_what_it_is_on_a_screen_of_203():
    """A colour of sRGB below the opening, by the matrix that BT.2087 has from BT.709 to BT.2020."""
    matrix = np.array(
        [[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]]
    )
    linear = np.array([0.12, 0.08, 0.05], np.float32)
    picture = SRGB.encode(np.broadcast_to(linear[:, None, None], (3, 5, 7)))
    codes = hdr_codes(picture, TONE)
    assert codes.shape == (5, 7, 3)
    light = light_of_pq(codes[2, 3] / 1023.0)
    np.testing.assert_allclose(light, 203.0 * matrix @ linear, rtol=0.02)  # a code is 1 %
    wide = Space("wide")
    same = wide.encode(np.einsum("ij,jhw->ihw", wide.from_srgb, SRGB.decode(picture)))
    assert np.abs(hdr_codes(same, TONE, wide).astype(int) - codes).max() <= 1


def test_the_file_says_what_it_is_and_decodes_to_the_codes(tmp_path):
    y, x = np.indices((90, 130))
    lightness = 0.05 + 0.9 * np.exp(-np.hypot(x - 60, y - 40) / 40)
    picture = SRGB.encode(np.stack([light_of(lightness)] * 3).astype(np.float32))
    codes = hdr_codes(picture, TONE)
    path = tmp_path / "a.avif"
    write_avif(path, codes, xmp(Caption("Solar corona", "First light", "A. Nonym", "Lava field")))
    data = path.read_bytes()
    # The colour box of ISO/IEC 14496-12: primaries, transfer and matrix of H.273, the whole range.
    at = data.index(b"colrnclx") + 8
    assert data[at : at + 7] == bytes([0, 9, 0, 16, 0, 9, 0x80])
    decoded = imagecodecs.avif_decode(data)
    assert decoded.dtype == np.uint16
    assert np.abs(decoded.astype(int) - codes).mean() < 2.0
    assert decoded.max() / 1023 == pytest.approx(pq(np.array(PEAK)), abs=0.06)
    with Image.open(io.BytesIO(data)) as image:  # another reader of the same boxes
        assert image.size == (130, 90)
        told = image.info["xmp"].decode()
    assert "A. Nonym" in told
    assert "Lava field" in told


def test_a_still_of_another_layout_is_refused():
    data = imagecodecs.avif_encode(np.zeros((8, 8, 3), np.uint8))
    assert with_xmp(data, b"<x/>").endswith(b"<x/>")
    for wrong in (data.replace(b"iloc\0", b"iloc\1"), data[:60], with_xmp(data, b"<x/>")):
        with pytest.raises((ValueError, KeyError)):
            with_xmp(wrong, b"<x/>")


def test_the_finished_picture_of_a_corona_only(tmp_path):
    import tifffile

    workspace = Workspace(tmp_path / "w")
    with workspace.writing(Workspace.composite_tif) as part:
        tifffile.imwrite(part, np.full((40, 60, 3), 30000, np.uint16), photometric="rgb")

    class Settings:  # what the caption asks for
        class report:
            title, author = "t", "A. Nonym"

    with pytest.raises(LimbwardError, match="Sun's disc"):
        export(Settings, workspace, SilentReporter(), ["full.avif"])
    told = {"dark": 10.0, "bright": 1e5, "soft": 100.0, "floor": 0.05, "ceiling": 0.95}
    workspace.write_json(Workspace.tone, told)
    (name,) = export(Settings, workspace, SilentReporter(), ["full.avif"])
    assert name == "exports/composite-full.avif"
    assert imagecodecs.avif_decode(workspace.path(name).read_bytes()).shape == (40, 60, 3)
    workspace.write_json(Workspace.tone, {"dark": "x"})
    with pytest.raises(LimbwardError, match="damaged"):
        export(Settings, workspace, SilentReporter(), ["full.avif"])
