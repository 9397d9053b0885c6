"""Times: ISO 8601 forms, zones against Python's own zoneinfo, and orders in doubt that never pass."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from pipeline.normalise.times import parse_dates, parse_times, to_utc
from tests.load.conftest import NOW


def _one(text: str, zone: str = "Europe/Madrid") -> tuple[datetime | None, str | None]:
    found = parse_times(pl.Series([text]), zone, NOW)
    return found.value.item(), found.reason.item()


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2026-03-02T07:40:00", datetime(2026, 3, 2, 6, 40)),
        ("2026-03-02 07:40", datetime(2026, 3, 2, 6, 40)),
        ("2026-07-02T07:40:00", datetime(2026, 7, 2, 5, 40)),
        ("2026-03-02T08:10:00+01:00", datetime(2026, 3, 2, 7, 10)),
        ("2026-03-02T08:10:00-0230", datetime(2026, 3, 2, 10, 40)),
        ("2026-03-02T08:10:00Z", datetime(2026, 3, 2, 8, 10)),
        ("2026-03-02t08:10:00.25z", datetime(2026, 3, 2, 8, 10, 0, 250000)),
        ("2026-03-02 08:10:00,123456789 +00", datetime(2026, 3, 2, 8, 10, 0, 123456)),
        ("2026-03-02", datetime(2026, 3, 1, 23, 0)),
        (" 2026-03-02T07:40:00 ", datetime(2026, 3, 2, 6, 40)),
    ],
)
def test_iso_forms(text: str, utc: datetime) -> None:
    assert _one(text) == (utc, None)


@pytest.mark.parametrize(
    "text",
    ["02.03.2026 07:40", "03/04/2026", "4-3-2026", "2026-3-2", "20260302T0740", "1772433660", "2 March 2026"],
)
def test_an_order_in_doubt_never_passes(text: str) -> None:
    value, reason = _one(text)
    assert value is None
    assert reason is not None
    assert "order of day and month" in reason


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("2026-02-30T00:00:00", "no such day"),
        ("2026-03-02T25:00:00", "no such day"),
        ("2026-03-02T08:10:00+99:00", "no such day"),
        ("1985-01-01T00:00:00", "before 1990"),
        ("2026-11-27T00:00:00", "future"),
        ("2126-03-02T00:00:00", "future"),
    ],
)
def test_times_that_cannot_be(text: str, words: str) -> None:
    value, reason = _one(text)
    assert value is None
    assert words in (reason or "").lower()


def test_clock_changes_take_the_offset_before_the_change_and_are_marked() -> None:
    # Spain 2026: forward on 29 March 02:00, back on 25 October 03:00 (Directive 2000/84/EC: last Sundays).
    given = pl.Series(["2026-03-29T02:30:00", "2026-10-25T02:30:00", "2026-10-25T03:30:00"])
    found = parse_times(given, "Europe/Madrid", NOW)
    assert found.value.to_list() == [
        datetime(2026, 3, 29, 1, 30),
        datetime(2026, 10, 25, 0, 30),
        datetime(2026, 10, 25, 2, 30),
    ]
    assert found.is_doubtful.to_list() == [True, True, False]


ZONES = [
    "Europe/Madrid",
    "America/New_York",
    "Australia/Lord_Howe",
    "Asia/Kolkata",
    "Pacific/Auckland",
    "UTC",
]


@given(st.datetimes(datetime(1990, 1, 2), datetime(2035, 1, 1)), st.sampled_from(ZONES))
@example(datetime(2026, 3, 29, 2, 30), "Europe/Madrid")
@example(datetime(2026, 10, 25, 2, 30), "Europe/Madrid")
@example(datetime(2026, 10, 4, 2, 15), "Australia/Lord_Howe")
def test_zones_agree_with_zoneinfo(local: datetime, zone: str) -> None:
    expected = local.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC).replace(tzinfo=None)
    assert to_utc(pl.Series([local]), zone)[0].item() == expected


def test_dates() -> None:
    given = pl.Series(
        ["2026-03-02", "2014-05-12 00:00:00", "2026-03-02T10:00:00", "01.02.2026", "2026-13-01", "-", None]
    )
    found = parse_dates(given)
    assert found.value.to_list() == [date(2026, 3, 2), date(2014, 5, 12), None, None, None, None, None]
    assert found.is_wrong.to_list() == [False, False, True, True, True, False, False]
    assert found.is_missing.to_list() == [False, False, False, False, False, True, True]
