"""Captions in the files of pictures: XMP, IPTC and the tags of TIFF and PNG."""

from xml.etree import ElementTree

import numpy as np
import pytest
import tifffile
from astropy.io import fits
from PIL import Image

from limbward.render.writers import Caption, caption_of, iptc, write_png, write_tiff, xmp

SPAN = ("2026-08-12T17:45:54Z", "2026-08-12T17:47:47Z")


def test_a_caption_tells_the_date_once():
    night = ("2026-08-12T23:59:10Z", "2026-08-13T00:01:00Z")
    assert Caption("a", "", "", "", *SPAN).span() == "2026-08-12 17:45:54 to 17:47:47 UTC"
    assert Caption("a", "", "", "", *night).span() == (
        "2026-08-12 23:59:10 to 2026-08-13 00:01:00 UTC"
    )
    assert Caption("a").text() == "a"


def test_captions_are_xmp_and_orientation_is_recorded(tmp_path):
    caption = Caption("Corona <1>", "Title & more", "A. Nonym", "Camp, 65° N", *SPAN)
    picture = np.full((3, 20, 30), 0.4, np.float32)
    write_tiff(tmp_path / "a.tif", picture, caption)
    write_png(tmp_path / "a.png", picture, caption)
    with tifffile.TiffFile(tmp_path / "a.tif") as tiff:
        packet = bytes(tiff.pages[0].tags[700].value).decode()
        assert tiff.pages[0].tags["Orientation"].value == 1
    with Image.open(tmp_path / "a.png") as image:
        assert image.info["XML:com.adobe.xmp"] == packet
        assert image.info["Author"] == "A. Nonym"
    body = packet[packet.index("<x:xmpmeta") : packet.index("<?xpacket end")]
    text = " ".join(ElementTree.fromstring(body).itertext())
    for part in ("Title & more", "A. Nonym", "Corona <1>", "65° N", "2026-08-12T17:45:54Z"):
        assert part in text


NASTY = "a\0b\x01\x08c\x1b[2J\ud800\ufffe<&>\t\u05e9 \U0001f31e"


def test_a_caption_with_characters_that_xml_cannot_hold_is_well_formed(tmp_path):
    caption = Caption(NASTY, NASTY, NASTY, NASTY)
    wanted = "abc[2J<&>\t\u05e9 \U0001f31e"
    found = ElementTree.fromstring(xmp(caption).encode())
    assert [li.text for li in found.iter("{http://www.w3.org/1999/02/22-rdf-syntax-ns#}li")] == [
        wanted,
        f"{wanted}. {wanted}",
        wanted,
        f"© {wanted}",
    ]
    picture = np.zeros((3, 8, 8), np.float32)
    write_tiff(tmp_path / "a.tif", picture, caption)
    write_png(tmp_path / "a.png", picture, caption)
    with tifffile.TiffFile(tmp_path / "a.tif") as tiff:
        ElementTree.fromstring(bytes(tiff.pages[0].tags[700].value))
        assert b"\0" not in tiff.pages[0].tags[33723].value[-20:]
    with Image.open(tmp_path / "a.png") as image:
        image.load()
        assert image.text["Title"] == wanted
        ElementTree.fromstring(image.text["XML:com.adobe.xmp"])
    assert iptc(Caption(title="plain")).endswith(b"plain")


@pytest.mark.parametrize("linear", [True, False, None])
def test_a_caption_says_what_is_no_measurement(linear):
    """`LINEAR` of a merge; pictures of other programs do not have it."""
    header = fits.Header({"DATE-AVG": "2026-08-12T17:46:50", "DATE-BEG": "2026-08-12T17:46:00"})
    header.update({"DATE-END": "2026-08-12T17:47:40", "NFRAMES": 3, "EXPTOTAL": 1.0, "CAMERA": "A"})
    if linear is not None:
        header["LINEAR"] = linear
    said = caption_of(header, "solar north up", title="", author="", site="").description
    assert ("not a measurement" in said) == (linear is False)
    told = caption_of(header, "north up", title="", author="", site="", lens="Refractor 90/600")
    assert "with A and Refractor 90/600, north up" in told.description


def test_a_file_says_whose_it_is_where_it_was_taken_and_how_large_it_prints(tmp_path):
    """XMP part 2: exif:GPSLatitude is degrees and minutes; TIFF 6.0: tags 282 and 33432."""
    told = Caption("Corona at 40°", "T", "A. Ñame", "Camp", latitude=-33.755, longitude=200.5)
    picture = np.zeros((3, 20, 30), np.float32)
    write_tiff(tmp_path / "a.tif", picture, told)
    write_png(tmp_path / "a.png", picture, told)
    with tifffile.TiffFile(tmp_path / "a.tif") as tiff:
        tags = tiff.pages[0].tags
        assert tags["ImageDescription"].value == "Corona at 40 deg. Camp"
        assert tags["XResolution"].value == (300, 1)
        assert tags["ResolutionUnit"].value == 2  # inch
        assert "ame" in tags["Copyright"].value
        packet = bytes(tags["XMP"].value).decode()
    assert "<exif:GPSLatitude>33,45.3000S</exif:GPSLatitude>" in packet
    assert "<exif:GPSLongitude>159,30.0000W</exif:GPSLongitude>" in packet
    assert "© A. Ñame" in packet
    assert "Corona at 40°" in packet
    with Image.open(tmp_path / "a.png") as image:
        assert image.info["dpi"] == pytest.approx((300, 300), abs=0.1)
        assert "33,45.3000S" in image.info["XML:com.adobe.xmp"]
