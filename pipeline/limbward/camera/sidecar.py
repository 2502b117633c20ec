"""Corrected times as XMP sidecars, for programs that organise photographs."""

from __future__ import annotations

from pathlib import PurePosixPath
from xml.etree import ElementTree

RDF = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
XML_LANG = "{http://www.w3.org/XML/1998/namespace}lang"
NAMESPACES = {
    "x": "adobe:ns:meta/",
    "rdf": RDF,
    "xmp": "http://ns.adobe.com/xap/1.0/",
    "exif": "http://ns.adobe.com/exif/1.0/",
    "photoshop": "http://ns.adobe.com/photoshop/1.0/",
    "dc": "http://purl.org/dc/elements/1.1/",
}


def sidecar_xml(time_utc: str, sigma_s: float | None) -> str:
    """Return an XMP document that states a frame's true time.

    Parameters
    ----------
    time_utc : str
        Start of the exposure, ISO 8601 with a trailing Z.
    sigma_s : float or None
        Its standard error, for the description.

    References
    ----------
    ISO 16684-1 (XMP); the properties are those of XMP's Exif and Photoshop schemas.
    """
    for prefix, uri in NAMESPACES.items():
        ElementTree.register_namespace(prefix, uri)
    root = ElementTree.Element(f"{{{NAMESPACES['x']}}}xmpmeta")
    rdf = ElementTree.SubElement(root, f"{{{RDF}}}RDF")
    about = ElementTree.SubElement(rdf, f"{{{RDF}}}Description", {f"{{{RDF}}}about": ""})
    for prefix, name in (
        ("exif", "DateTimeOriginal"),
        ("photoshop", "DateCreated"),
        ("xmp", "CreateDate"),
    ):
        about.set(f"{{{NAMESPACES[prefix]}}}{name}", time_utc)
    if sigma_s is not None:
        error = f"UTC from the photographs, standard error {sigma_s:.2f} s"
        # A label is a short word to sort by, such as a colour; in dc:description programs look for
        # sentences, one a language.
        description = ElementTree.SubElement(about, f"{{{NAMESPACES['dc']}}}description")
        languages = ElementTree.SubElement(description, f"{{{RDF}}}Alt")
        sentence = ElementTree.SubElement(languages, f"{{{RDF}}}li", {XML_LANG: "x-default"})
        sentence.text = error
    ElementTree.indent(root)
    return ElementTree.tostring(root, encoding="unicode", xml_declaration=True) + "\n"


def sidecar_name(file: str) -> str:
    """Return where below a folder of sidecars that of a frame goes.

    Parameters
    ----------
    file : str
        The frame's path as in the frame table; parts that lead upwards are dropped.
    """
    parts = [p for p in PurePosixPath(file).parts if p not in ("..", "/", ".")]
    return str(PurePosixPath(*parts).with_suffix(".xmp"))
