"""A printed sheet composed as one SVG: text, rules, tables and charts, turned into PDF or PNG offline."""

from __future__ import annotations

import re
from xml.sax.saxutils import escape, quoteattr

import vl_convert

from dashboard.charts.frame import Chart
from dashboard.charts.palette import PRINT
from dashboard.charts.words import clean_text

VEGA_LITE = "6.4"
A4 = (595.0, 842.0)
"""Width and height in points of 1/72 inch (ISO 216)."""
_NARROW = frozenset("ijlI.,;:'|!()[]/\\ tfr-")
_WIDE = frozenset("mwMW@%—→")


def measure(text: str, size: float, *, bold: bool = False) -> float:
    """Estimate the width of a text in the sheet's sans-serif font, a little on the generous side."""
    ems = sum(0.31 if c in _NARROW else 0.88 if c in _WIDE else 0.70 if c.isupper() else 0.56 for c in text)
    return ems * size * (1.06 if bold else 1.0)


def wrap(text: str, size: float, width: float, *, bold: bool = False) -> list[str]:
    """Break a text into lines no wider than `width`; a word longer than a line is cut."""
    lines: list[str] = []
    line = ""
    for word in text.split():
        while measure(word, size, bold=bold) > width:
            cut = max(1, int(len(word) * width / measure(word, size, bold=bold)) - 1)
            lines.extend([line] if line else [])
            line, lines, word = "", [*lines, word[:cut]], word[cut:]
        trial = f"{line} {word}".strip()
        if line and measure(trial, size, bold=bold) > width:
            lines.append(line)
            line = word
        else:
            line = trial
    return [*lines, line] if line else lines


def shorten(text: str, size: float, width: float, *, bold: bool = False) -> str:
    """Cut a text to one line, ending in an ellipsis where it was longer."""
    if measure(text, size, bold=bold) <= width:
        return text
    while text and measure(f"{text}…", size, bold=bold) > width:
        text = text[:-1]
    return f"{text.rstrip()}…"


def render_chart(chart: Chart, width: int) -> str:
    """Turn a chart into SVG of exactly this width, without any request to anywhere."""
    return str(vl_convert.vegalite_to_svg(chart.as_dict(width), vl_version=VEGA_LITE, allowed_base_urls=[]))


class Sheet:
    """A sheet filled from the top; `y` is where the next block starts, in points.

    Parameters
    ----------
    width : float
        Width of the sheet in points (A4: 595).
    margin : float
        Free edge on every side.
    """

    def __init__(self, width: float, margin: float = 40.0) -> None:
        self.width, self.margin = width, margin
        self.y = margin
        self._parts: list[str] = []

    @property
    def inner(self) -> float:
        """Width between the margins."""
        return self.width - 2 * self.margin

    def put(
        self,
        text: str,
        x: float,
        y: float,
        *,
        size: float = 10,
        bold: bool = False,
        colour: str = PRINT.text,
        end: bool = False,
    ) -> None:
        """Write one line with its baseline at `y`."""
        weight = ' font-weight="bold"' if bold else ""
        anchor = ' text-anchor="end"' if end else ""
        self._parts.append(
            f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" fill="{colour}"{weight}{anchor}>'
            f"{escape(clean_text(text))}</text>"
        )

    def write(
        self,
        text: str,
        *,
        size: float = 10,
        bold: bool = False,
        colour: str = PRINT.text,
        indent: float = 0,
        gap: float = 4,
        floor: float | None = None,
    ) -> None:
        """Write a paragraph over as many lines as it needs, or as fit above `floor`, the last ending in dots."""
        width = self.inner - indent
        lines = wrap(clean_text(text), size, width, bold=bold)
        most = len(lines) if floor is None else max(0, int((floor - self.y) / (size * 1.3)))
        if most < len(lines):
            lines = lines[:most]
            lines[-1:] = [shorten(f"{line} …", size, width, bold=bold) for line in lines[-1:]]
        for line in lines:
            self.y += size * 1.3
            self.put(line, self.margin + indent, self.y, size=size, bold=bold, colour=colour)
        self.y += gap

    def height_of(self, text: str, size: float, *, bold: bool = False) -> float:
        """Return how high a paragraph over the full width would be, in points."""
        return len(wrap(clean_text(text), size, self.inner, bold=bold)) * size * 1.3

    def frame(self, x: float, y: float, width: float, height: float) -> None:
        """Draw an empty frame to write in, its upper left corner at `x`, `y`."""
        self._parts.append(
            f'<rect x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}" fill="none"'
            f' stroke="{PRINT.text}" stroke-width="0.7"/>'
        )

    def rule(self, gap: float = 6) -> None:
        """Draw a hairline over the full width."""
        self.y += gap
        self._parts.append(
            f'<line x1="{self.margin}" x2="{self.width - self.margin}" y1="{self.y:.1f}" y2="{self.y:.1f}"'
            f' stroke="{PRINT.edge}" stroke-width="0.6"/>'
        )
        self.y += gap

    def box(self, lines: list[tuple[str, float, bool]], gap: float = 10) -> None:
        """Write paragraphs (text, size, bold) on a tinted ground with a bar at its left."""
        top = self.y
        at = len(self._parts)
        self.y += 6
        for text, size, bold in lines:
            self.write(text, size=size, bold=bold, indent=14, gap=2)
        self.y += 8
        height = self.y - top
        self._parts.insert(
            at,
            f'<rect x="{self.margin}" y="{top:.1f}" width="{self.inner:.1f}" height="{height:.1f}"'
            f' fill="{PRINT.band}" fill-opacity="0.55"/>'
            f'<rect x="{self.margin}" y="{top:.1f}" width="3" height="{height:.1f}" fill="{PRINT.chosen}"/>',
        )
        self.y += gap

    def table(self, heads: list[str], rows: list[list[str]], shares: list[float], *, size: float = 9) -> None:
        """Write a table; a column whose head starts with ">" is set to the right."""
        edges = [self.margin + self.inner * sum(shares[:n]) for n in range(len(shares) + 1)]
        for number, row in enumerate([heads, *rows]):
            self.y += size * 1.5
            for column, cell in enumerate(row):
                right = heads[column].startswith(">")
                text = shorten(
                    clean_text(cell).lstrip(">" if number == 0 else ""), size, self.inner * shares[column] - 8
                )
                x = edges[column + 1] - 8 if right else edges[column]
                self.put(
                    text,
                    x,
                    self.y,
                    size=size,
                    bold=number == 0,
                    colour=PRINT.faint if number == 0 else PRINT.text,
                    end=right,
                )
            if number == 0:
                self.rule(gap=3)
                self.y -= 2
        self.y += 6

    def chart(self, chart: Chart, scale: float = 1.0, most_height: float | None = None) -> None:
        """Set a chart over the full width; a scale under 1 shrinks its letters with it.

        A chart higher than `most_height` is drawn wider and made smaller as a whole.
        """
        drawn = render_chart(chart, round(self.inner / scale))
        found = re.search(r'<svg[^>]*? width="([\d.]+)" height="([\d.]+)"', drawn)
        width, height = (float(found.group(1)), float(found.group(2))) if found else (self.inner, 0.0)
        if most_height is not None and height * self.inner / width > most_height:
            self.chart(chart, most_height / height)
            return
        self._parts.append(
            f'<g role="img" aria-label={quoteattr(clean_text(chart.alt))}'
            f' transform="translate({self.margin} {self.y:.1f}) scale({self.inner / width:.4f})">{drawn}</g>'
        )
        self.y += height * self.inner / width + 6

    def as_svg(self, height: float | None = None, title: str = "") -> str:
        """Return the sheet as SVG, as high as its content or as given; `title` is read aloud where it is shown."""
        height = self.y + self.margin if height is None else height
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{self.width:g}" height="{height:.0f}"'
            f' viewBox="0 0 {self.width:g} {height:.0f}" font-family={quoteattr(PRINT.font)} xml:lang="en">'
            f"{f'<title>{escape(clean_text(title))}</title>' if title else ''}"
            f'<rect width="100%" height="100%" fill="#FFFFFF"/>{"".join(self._parts)}</svg>'
        )


def convert(svg: str, kind: str) -> bytes:
    """Turn a sheet into the bytes of an svg, png or pdf file."""
    if kind == "svg":
        return svg.encode("utf-8")
    if kind == "png":
        return bytes(vl_convert.svg_to_png(svg, scale=2.0))
    return bytes(vl_convert.svg_to_pdf(svg))
