"""The report of an eclipse that was not total tells of the Sun, and misses no corona."""

import re
from datetime import timedelta

import numpy as np
import pytest
from astropy.io.fits import Header

from limbward.report import build_report
from limbward.report.sun import sun_of, sun_section
from limbward.sky.caution import caution
from tests.report.pages import GREATEST, contacts, frame, material

MISSED = re.compile("corona|totality|merge", re.IGNORECASE)


def header(ring):
    h = Header()
    h["NAXIS1"] = h["NAXIS2"] = 700
    h["CDELT1"], h["UPPA"], h["RSUN_OBS"] = 3.0, 0.0, 900.0
    h["CRPIX1"], h["CRPIX2"] = 350.5, 350.5
    h["MOONX"], h["MOONY"], h["MOONR"] = (350.5, 353.5, 284.0) if ring else (450.5, 350.5, 290.0)
    h["NFRAMES"], h["EXPTOTAL"], h["RING"] = 9, 0.03, ring
    h["REFFILE"], h["SUNWB1"] = "TEST0007.DNG", 2.0
    return h


def law(mu):
    return 0.3 + 0.7 * mu


def disc(h, error=0.0):
    y, x = np.indices((700, 700)) - 349.5
    rho = np.hypot(x, y) / 300.0
    light = np.where(rho < 1, law(np.sqrt(np.clip(1 - rho**2, 0, 1))), 0.0)
    # A step where about half of the rings that are seen lie to either side.
    light *= 1 + error * np.where(rho < (0.972 if h["RING"] else 0.75), 1.0, -1.0)
    far = np.hypot(x - (h["MOONX"] - 350.5), y + (h["MOONY"] - 350.5)) > h["MOONR"]
    return (light * far * 4e5).astype(np.float32)


@pytest.mark.parametrize("ring", [True, False])
def test_the_report_is_about_the_sun(ring):
    h = header(ring)
    kind = "annular" if ring else "partial"
    frames = [
        frame(f"card/TEST000{k}.DNG", used=True, time=GREATEST + timedelta(seconds=9 * k))
        for k in range(3)
    ]
    sun = sun_of(disc(h), h, law, blur_px=1.1, history=["Linear mean of 9 filtered frames"])
    html = build_report(material(sun=sun, contacts=contacts(kind), frames=frames))
    shown = re.sub(r"(?s)<style.*?</style>|<script.*?</script>|<svg.*?</svg>", "", html)
    text = " ".join(re.sub("<[^>]+>", " ", shown).split())
    words = caution({"kind": kind})
    assert words.split(". ")[0] in text
    assert not MISSED.search(text.replace(words, ""))
    assert ("the ring" if ring else "the deepest crescent") in text
    assert "3.30 arcsec" in text
    assert 'href="#sun"' in html
    assert 'href="#merge"' not in html
    assert "sun.fits" in text


@pytest.mark.parametrize("ring", [True, False])
def test_limb_darkening_is_compared_with_the_published_law(ring):
    h = header(ring)
    assert sun_of(disc(h), h, law, blur_px=None).departure < 0.002
    off = sun_of(disc(h, 0.05), h, law, blur_px=None).departure
    assert off > 0.02
    assert "limb darkening" in " ".join(sun_section(sun_of(disc(h), h, law, blur_px=1)).sentences)


def test_nothing_stacked_is_said_without_a_corona():
    html = build_report(material(contacts=contacts("partial"), frames=[frame()]))
    assert "no filtered frame near its greatest could be stacked" in html
