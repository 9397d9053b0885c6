"""Scans that say one another wrong: one scan kept twice, and a reader whose clock runs beside the others'."""

from __future__ import annotations

import duckdb

from pipeline.counted import count_of
from pipeline.findings.published import rows_of

Told = tuple[str, str, str]
"""Subject, what is wrong, what to do about it."""

MOST_NAMED = 5
LEAST_CELLS = 8
LEAST_VALUES = 4
LEAST_VANS = 5
LEAST_MINUTES = 45
CLOCK_SLACK = 10
CLOCK_SHARE = 0.8
# Two readers on one van, one after the other, are a pair and welcome; no two measurements agree in every digit of many
# readings, though. So one scan kept twice is told by its values, not by its time, which a wrong clock shifts.
_COPIES = """
with near as (
    select a.scan_key, b.scan_key as other_key, a.van, a.reader, b.reader as other_reader,
        a.scan_id, b.scan_id as other_id, a.scanned_at
    from scans as a
    inner join scans as b on a.van = b.van and a.scan_key < b.scan_key
        and abs(date_diff('hour', a.scanned_at, b.scanned_at)) <= 26
    where a.n_readings > 0 and b.n_readings > 0
),
compared as (
    select near.scan_key, near.other_key, count(*) as n_cells,
        count(case when one.value = other.value then 1 end) as n_same,
        count(distinct one.value) as n_values
    from near
    inner join scan_levels as one on near.scan_key = one.scan_key
    inner join scan_levels as other on near.other_key = other.scan_key
        and one.parameter = other.parameter and one.state = other.state
    group by near.scan_key, near.other_key
)
select near.*, compared.n_cells
from compared
inner join near on compared.scan_key = near.scan_key and compared.other_key = near.other_key
where compared.n_cells >= $1 and compared.n_same = compared.n_cells and compared.n_values >= $2
order by near.scanned_at desc, near.scan_id
"""
_CLOCK_PAIRS = """
with pairs as (
    select a.van, a.reader, b.reader as other_reader, date_diff('minute', a.scanned_at, b.scanned_at) as minutes
    from scans as a
    inner join scans as b on a.van = b.van and a.reader < b.reader
        and abs(a.odometer_km - b.odometer_km) <= 1
        and abs(date_diff('hour', a.scanned_at, b.scanned_at)) <= 26
),
middles as (
    select reader, other_reader, median(minutes) as middle from pairs group by reader, other_reader
)
select pairs.reader, pairs.other_reader, middles.middle, count(*) as n, count(distinct pairs.van) as n_vans
from pairs
inner join middles on pairs.reader = middles.reader and pairs.other_reader = middles.other_reader
group by pairs.reader, pairs.other_reader, middles.middle
having abs(middles.middle) >= $1 and count(distinct pairs.van) >= $2
    and avg(case when abs(pairs.minutes - middles.middle) <= $3 then 1.0 else 0.0 end) >= $4
order by pairs.reader, pairs.other_reader
"""


def look_at_scans(connection: duckdb.DuckDBPyConnection) -> list[Told]:
    """Return what scans say against one another, with the remedy.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        The published build.
    """
    return [*_copies(connection), *_clock_pairs(connection)]


def _copies(connection: duckdb.DuckDBPyConnection) -> list[Told]:
    """One scan that stands under two names of a reader, or under two numbers."""
    rows = rows_of(connection, _COPIES, [LEAST_CELLS, LEAST_VALUES])
    found = []
    for row in rows[:MOST_NAMED]:
        names = (
            f"under two readers ({row['reader']}, {row['scan_id']} and {row['other_reader']}, {row['other_id']})"
            if row["reader"] != row["other_reader"]
            else f"by {row['reader']} under two numbers ({row['scan_id']}, {row['other_id']})"
        )
        what = f"One scan of {row['scanned_at']:%d %b %Y} is kept twice {names}: all {row['n_cells']} readings are the same."
        found.append(
            (f"van {row['van']}", what, "Withdraw one of the two files: kinbay withdraw FILE --why TEXT.")
        )
    if len(rows) > MOST_NAMED:
        more = count_of(len(rows) - MOST_NAMED, "more such pair")
        found.append(("scans", f"{more}.", "Withdraw one file of each pair."))
    return found


def _clock_pairs(connection: duckdb.DuckDBPyConnection) -> list[Told]:
    """Two readers whose times of the same visit lie apart by always the same."""
    rows = rows_of(connection, _CLOCK_PAIRS, [LEAST_MINUTES, LEAST_VANS, CLOCK_SLACK, CLOCK_SHARE])
    return [
        (
            f"reader {row['reader']}",
            f"Its scans and those of {row['other_reader']} at the same odometer lie {_apart(row['middle'])} apart "
            f"nearly every time ({count_of(row['n'], 'pair')} of {count_of(row['n_vans'], 'van')}).",
            "See which of the two clocks is wrong and set it; then: kinbay correct READER SCAN_ID --at TIME --why TEXT.",
        )
        for row in rows
    ]


def _apart(minutes: float) -> str:
    whole = round(abs(minutes))
    return f"{whole // 60} h {whole % 60:02d} min" if whole >= 60 else f"{whole} min"
