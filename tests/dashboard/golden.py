"""A chart's drawing reduced to what a reader sees, so that two machines with other fonts agree."""

from __future__ import annotations

import os
import re
import xml.etree.ElementTree as ET
from pathlib import Path

from dashboard.charts.frame import Chart
from dashboard.exports.sheet import render_chart

FOLDER = Path(__file__).with_name("golden")
_SVG = "{http://www.w3.org/2000/svg}"


def _shape(path: str) -> str:
    """The kind of outline: its drawing commands without their numbers."""
    return re.sub(r"[^A-Za-z]+", "", path)


def normalise(chart: Chart) -> str:
    """List every text and every labelled or coloured mark, in drawing order, without positions."""
    lines = []
    for element in ET.fromstring(render_chart(chart, 640)).iter():
        colour = element.get("fill") or element.get("stroke") or ""
        if element.tag == f"{_SVG}text" and element.text:
            lines.append(f"text {colour} {element.text}")
        elif element.tag == f"{_SVG}path" and element.get("aria-label"):
            lines.append(f"mark {colour} {_shape(element.get('d') or '')} {element.get('aria-label')}")
        elif element.tag == f"{_SVG}path" and colour not in ("", "none", "transparent"):
            lines.append(f"path {colour} {_shape(element.get('d') or '')}")
        elif element.tag == f"{_SVG}line" and element.get("stroke-dasharray"):
            lines.append(f"dashed {colour}")
    return "\n".join(lines) + "\n"


def compare(name: str, chart: Chart) -> None:
    """Compare a chart with its golden file; UPDATE_GOLDEN=1 writes it anew."""
    path, drawn = FOLDER / f"{name}.txt", normalise(chart)
    if os.environ.get("UPDATE_GOLDEN") == "1":
        FOLDER.mkdir(exist_ok=True)
        path.write_text(drawn, encoding="utf-8")
    assert drawn == path.read_text(encoding="utf-8")
