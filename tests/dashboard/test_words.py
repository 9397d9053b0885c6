"""Figures and texts as people read them."""

from __future__ import annotations

import datetime as dt

import pytest

from dashboard.charts.matter_words import say_steps
from dashboard.charts.words import Reading, clean_text, count_decimals, format_number, say_verdict
from dashboard.parts.plain import escape
from pipeline.counted import count_of


@pytest.mark.parametrize(
    ("smallest_useful", "resolution", "decimals"),
    [
        (4.0, 1.0, 1),
        (20.0, 1.0, 0),
        (25.0, 1.0, 0),
        (1.0, 0.1, 1),
        (0.15, 0.01, 2),
        (None, 0.4, 1),
        (None, None, 2),
    ],
)
def test_decimals_show_a_tenth_of_what_matters(
    smallest_useful: float | None, resolution: float | None, decimals: int
) -> None:
    assert count_decimals(smallest_useful, resolution) == decimals


@pytest.mark.parametrize(
    ("value", "decimals", "signed", "text"),
    [
        (-10.28, 1, True, "−10.3"),
        (4.25, 1, True, "+4.2"),
        (-0.04, 1, True, "0.0"),
        (-0.0, 0, False, "0"),
        (212400.0, 0, False, "212,400"),
        (None, 1, False, "–"),
        (float("nan"), 1, False, "–"),
    ],
)
def test_numbers(value: float | None, decimals: int, signed: bool, text: str) -> None:
    assert format_number(value, decimals, signed=signed) == text


def test_counts() -> None:
    assert [count_of(n, "scan") for n in (None, 1, 2, 1200)] == [
        "0 scans",
        "1 scan",
        "2 scans",
        "1,200 scans",
    ]


def test_control_and_bidirectional_characters_are_stripped() -> None:
    assert clean_text("a\u202eb\u2066c\x00d\x1b[31m\ne\tf") == "abcd[31m e f"
    assert clean_text(None) == ""


def test_a_change_is_called_a_change() -> None:
    reading = Reading("egr_error", "warm_idle", "EGR error", "warm idle", "%", 1, "change")
    assert reading.title == "Change of EGR error, warm idle"
    assert Reading("a", "b", "Fuel rate", "idle", "", 1, "change").title == "Change of fuel rate, idle"


def test_not_judged_says_why() -> None:
    reading = Reading("a", "b", "Fuel rate", "idle", "L/h", 1)
    cell = {"van": "047", "verdict": "not_judged", "reason": "only 2 siblings"}
    assert say_verdict(cell, reading) == "Van 047 is not judged here: only 2 siblings."


@pytest.mark.parametrize(
    "text",
    [
        "**bold**",
        "[a](http://b)",
        "![a](http://b/c.png)",
        "`x`",
        "$x$",
        "<b>",
        "# h",
        "- li",
        ":red[x]",
        "1. a",
    ],
)
def test_markdown_is_escaped_mark_by_mark(text: str) -> None:
    shown = escape(text)
    marks = "\\`*_{}[]()<>#+-.!|~$:"
    for position, letter in enumerate(shown):
        if letter in marks and letter != "\\":
            assert shown[position - 1] == "\\"


@pytest.mark.parametrize(
    "text", ["http://evil.example", "www.evil.example", "a@evil.example", ":smile:", ":material/home:"]
)
def test_nothing_is_left_that_a_finder_of_links_or_icons_would_take(text: str) -> None:
    plain = escape(text).replace("\\", "")
    assert text not in plain
    assert plain.replace("\u2060", "") == text


def test_a_time_of_day_is_left_alone() -> None:
    assert escape("07:41") == "07\\:41"


def test_earlier_builds_are_named_where_something_changed() -> None:
    day = dt.datetime(2026, 3, 1)
    past = [
        {"built_at": day + dt.timedelta(days=n), "tier": tier, "n_scans": scans}
        for n, (tier, scans) in enumerate([("watch", 4), ("watch", 4), ("likely", 6), ("likely", 7)])
    ]
    assert say_steps(past) == (
        "In 4 earlier builds: 01 Mar 2026 watch (4 scans); 03 Mar 2026 likely (6 scans); 04 Mar 2026 likely (7 scans)."
    )
    assert say_steps(past, most=1) == "In 4 earlier builds: 04 Mar 2026 likely (7 scans); 2 steps before."
    assert say_steps([]) == ""
