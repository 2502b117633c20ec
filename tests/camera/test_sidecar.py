"""XMP sidecars read back by another reader of XMP."""

from xml.etree import ElementTree

import pytest
from PIL import Image

from limbward.camera.sidecar import sidecar_name, sidecar_xml


def test_a_sidecar_is_rdf_with_the_time():
    """Namespaces of ISO 16684-1; Exif's DateTimeOriginal in ISO 8601."""
    root = ElementTree.fromstring(sidecar_xml("2026-08-12T17:46:50.820Z", 0.31))
    about = root[0][0]
    exif = "{http://ns.adobe.com/exif/1.0/}DateTimeOriginal"
    assert about.get(exif) == "2026-08-12T17:46:50.820Z"
    rdf = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"
    (sentence,) = about.findall(f"{{http://purl.org/dc/elements/1.1/}}description/{rdf}Alt/{rdf}li")
    assert sentence.get("{http://www.w3.org/XML/1998/namespace}lang") == "x-default"
    assert "standard error 0.31 s" in sentence.text


def test_pillow_reads_it_as_an_xmp_packet(tmp_path):
    pytest.importorskip("defusedxml")
    path = tmp_path / "a.png"
    Image.new("L", (2, 2)).save(path)
    image = Image.open(path)
    image.info["xmp"] = sidecar_xml("2026-08-12T17:46:50.820Z", None).encode()
    found = image.getxmp()["xmpmeta"]["RDF"]["Description"]
    assert found["DateTimeOriginal"] == "2026-08-12T17:46:50.820Z"


@pytest.mark.parametrize(
    ("file", "name"),
    [
        ("card/DCIM/100AURLA/AURL0001.DNG", "card/DCIM/100AURLA/AURL0001.xmp"),
        ("../other/A.NEF", "other/A.xmp"),
        ("/mnt/card/A.CR3", "mnt/card/A.xmp"),
    ],
)
def test_names_stay_below_their_folder(file, name):
    assert sidecar_name(file) == name
