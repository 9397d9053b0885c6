"""A chart as a picture that can travel alone: title, filters, n, data date and caveat drawn in."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

from dashboard.charts.frame import Chart
from dashboard.charts.palette import PRINT
from dashboard.charts.words import CAVEAT
from dashboard.exports.document import write_pdf
from dashboard.exports.sheet import Sheet, convert
from pipeline.counted import count_of

KINDS = ("png", "svg", "pdf")
SLIDE = (960.0, 540.0)  # 16:9, drawn at twice the size: 1920 x 1080
MIME = {
    "png": "image/png",
    "svg": "image/svg+xml",
    "pdf": "application/pdf",
    "csv": "text/csv",
    "html": "text/html",
}
SIBLINGS_KEY = (
    "Each mark is one van. Shaded: the range a healthy sibling would fall in 19 times of 20; dashed: the"
    " siblings' median. Ring and line: the chosen van and the 95 % interval of its difference."
)
VAN_KEY = (
    "Each row is one reading. Shaded: the range a healthy sibling would fall in 19 times of 20. Line: 95 %"
    " interval. Figures: difference from the siblings' mean, and the scans of this van behind it."
)
SERIES_KEY = (
    "Dots: scans of this van. Shaded: the middle 90 % of its siblings' scans each month; dashed: their median."
    " Vertical lines: work done."
)


@dataclass(frozen=True)
class Caption:
    """What must stand on a picture so that it can be read without the page it came from.

    Parameters
    ----------
    title : str
        What is compared.
    finding : str
        The verdict in a sentence; may be empty.
    filters : str
        Which vans are shown, in words.
    n_vans, n_scans : int
        How many vans and scans are in the picture.
    data_to : datetime.datetime
        The newest data, UTC.
    build_id : str
        The build it came from.
    key : str
        How to read the marks.
    """

    title: str
    finding: str
    filters: str
    n_vans: int
    n_scans: int
    data_to: dt.datetime
    build_id: str
    key: str

    @property
    def counts(self) -> str:
        """The n line."""
        return f"{count_of(self.n_vans, 'van')}, {count_of(self.n_scans, 'scan')}"

    @property
    def origin(self) -> str:
        """Data date and build."""
        return f"Data to {self.data_to:%d %b %Y}, build {self.build_id}."


def caption_of(
    build: dict[str, Any], *, title: str, finding: str, filters: str, n_vans: int, n_scans: int, key: str
) -> Caption:
    """Take date and build from a row of `describe_build`."""
    return Caption(title, finding, filters, n_vans, n_scans, build["data_to"], build["build_id"], key)


def draw_picture(chart: Chart, caption: Caption, kind: str) -> bytes:
    """Return the bytes of a png, svg or pdf of the chart with its caption drawn in."""
    sheet = Sheet(width=720)
    sheet.write(caption.title, size=19, bold=True, gap=2)
    sheet.write(
        f"Vans shown: {caption.filters}. {caption.counts}. {caption.origin}",
        size=10.5,
        colour=PRINT.faint,
        gap=8,
    )
    if caption.finding:
        sheet.box([(caption.finding, 12, False)])
    sheet.chart(chart)
    sheet.write(caption.key, size=9.5, colour=PRINT.faint, gap=2)
    sheet.write(CAVEAT, size=9.5, bold=True, gap=0)
    drawn = sheet.as_svg(title=caption.title)
    return write_pdf(caption.title, [drawn]) if kind == "pdf" else convert(drawn, kind)


def draw_slide(chart: Chart, caption: Caption) -> bytes:
    """Return a PNG of 1920 x 1080 for a slide: the chart as large as it fits, with its caption drawn in."""
    sheet = Sheet(width=SLIDE[0])
    sheet.write(caption.title, size=22, bold=True, gap=2)
    sheet.write(caption.finding or caption.counts, size=13, gap=6)
    sheet.chart(chart, most_height=SLIDE[1] - sheet.y - 96)
    sheet.y = SLIDE[1] - 92
    sheet.write(
        f"Vans shown: {caption.filters}. {caption.counts}. {caption.origin}",
        size=10,
        colour=PRINT.faint,
        gap=0,
    )
    sheet.write(CAVEAT, size=11, bold=True, gap=0)
    return convert(sheet.as_svg(height=SLIDE[1]), "png")
