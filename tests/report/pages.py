"""Reads a report as a browser would, and makes the material for small ones."""

from __future__ import annotations

from datetime import datetime, timedelta
from html.parser import HTMLParser

from limbward.report import ClockAudit, Frame, Material

VOID = {"meta", "img", "input", "br", "link"}
GREATEST = datetime(2026, 8, 12, 17, 46, 50, 816000)


class Page(HTMLParser):
    """The elements of a page with their attributes, and the text inside each."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.texts: dict[str, list[str]] = {}
        self._open: list[str] = []
        self.unclosed: list[str] = []
        self.feed(html)
        self.close()
        self.unclosed = list(self._open)

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, {k: v or "" for k, v in attrs}))
        if tag not in VOID:
            self._open.append(tag)
            self.texts.setdefault(tag, []).append("")

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, {k: v or "" for k, v in attrs}))

    def handle_endtag(self, tag):
        assert self._open, f"</{tag}> closes nothing"
        assert self._open[-1] == tag, f"</{tag}> closes <{self._open[-1]}>"
        self._open.pop()

    def handle_data(self, data):
        for tag in set(self._open):
            self.texts[tag][-1] += data

    def all(self, tag: str) -> list[dict[str, str]]:
        return [attributes for name, attributes in self.elements if name == tag]

    @property
    def text(self) -> str:
        return self.texts["body"][0]


def contacts(kind: str = "total") -> dict:
    """Contacts of an invented eclipse."""
    at = {"C1": -3700, "C2": -59, "greatest": 0, "C3": 59, "C4": 3550}
    if kind == "partial":
        del at["C2"], at["C3"]
    return {
        "date": "2026-08-12",
        "kind": kind,
        "contacts": {
            name: {
                "utc": (GREATEST + timedelta(seconds=s)).isoformat(timespec="milliseconds") + "Z",
                "altitude": 25.0,
                "azimuth": 250.0,
                "position_angle": 100.0,
                "vertex_angle": 80.0,
            }
            for name, s in at.items()
        },
    }


def frame(file: str = "card/DCIM/100TESTA/TEST0001.DNG", phase: str = "partial", **more) -> Frame:
    defaults = {
        "camera": "Testcam One (77)",
        "exposure_s": 0.002,
        "iso": 100.0,
        "time": GREATEST,
        "size": 1000,
        "width": 600.0,
        "height": 400.0,
    }
    return Frame(file=file, phase=phase, **(defaults | more))


def clock(**more) -> ClockAudit:
    entry = {
        "camera": "Testcam One",
        "serial": "77",
        "utc_offset_hours": 3.0,
        "offset_s": -58.3,
        "offset_sigma_s": 0.1,
        "drift_s_per_hour": 2.4,
        "drift_sigma_s_per_hour": 0.3,
        "epoch_utc": "2026-08-12T17:46:50.816Z",
        "frames_used": 23,
        "residual_rms_s": 0.43,
        "sources": ["crescents"],
        "warnings": [],
    } | more
    return ClockAudit(
        "Testcam One (77)", "58.3 ± 0.1 s slow", "UTC+3 h", "gaining 2.4 ± 0.3 s/h", entry
    )


def material(**more) -> Material:
    defaults = {
        "title": "An eclipse",
        "heading": "Total eclipse.",
        "contacts": {},
        "frames": [],
    }
    return Material(**(defaults | more))
