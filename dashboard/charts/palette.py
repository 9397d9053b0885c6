"""Colours, shapes and words of a verdict, the same on screen and on paper.

Colours lean on the colour-blind-safe set of Okabe and Ito (Color Universal Design, 2008), darkened or
lightened until text keeps 4.5:1 and marks 3:1 against their ground (WCAG 2.2, 1.4.3 and 1.4.11).
A verdict is always told by shape and word as well.
"""

from __future__ import annotations

from dataclasses import dataclass

VERDICTS = ("within", "above", "below", "borderline", "not_judged")
WORDS = {
    "within": "Does not stand out",
    "above": "Above siblings",
    "below": "Below siblings",
    "borderline": "Borderline",
    "not_judged": "Not judged",
}
SHAPES = {
    "within": "circle",
    "above": "triangle-up",
    "below": "triangle-down",
    "borderline": "square",
    "not_judged": "cross",
}
SIZES = {"within": 72, "above": 120, "below": 120, "borderline": 84, "not_judged": 72}
GLYPHS = {"within": "●", "above": "▲", "below": "▼", "borderline": "■", "not_judged": "✚"}


@dataclass(frozen=True)
class Theme:
    """One set of colours and a font; `name` is light, dark or print."""

    name: str
    font: str
    ground: str
    text: str
    faint: str
    grid: str
    band: str
    edge: str
    within: str
    outside: str
    borderline: str
    unjudged: str
    chosen: str

    def colours(self) -> dict[str, str]:
        """Return the colour of each verdict."""
        return {
            "within": self.within,
            "above": self.outside,
            "below": self.outside,
            "borderline": self.borderline,
            "not_judged": self.unjudged,
        }


_LIGHT = {
    "ground": "#FFFFFF",
    "text": "#0A0F14",
    "faint": "#4A5763",
    "grid": "#E3E8ED",
    "band": "#E1E9F0",
    "edge": "#74899B",
    "within": "#5A6B7B",
    "outside": "#B4470B",
    "borderline": "#7A4DA0",
    "unjudged": "#71808D",
    "chosen": "#0B6AA6",
}
LIGHT = Theme(name="light", font='"Source Sans", sans-serif', **_LIGHT)
PRINT = Theme(name="print", font="Liberation Sans, Arial, Helvetica, sans-serif", **_LIGHT)
DARK = Theme(
    name="dark",
    font='"Source Sans", sans-serif',
    ground="#12171C",
    text="#EEF3F7",
    faint="#AAB8C4",
    grid="#2A333B",
    band="#26323C",
    edge="#70879A",
    within="#9DB0C0",
    outside="#F08A4B",
    borderline="#C69BE3",
    unjudged="#8496A5",
    chosen="#5DB8EE",
)
THEMES = {theme.name: theme for theme in (LIGHT, DARK, PRINT)}
