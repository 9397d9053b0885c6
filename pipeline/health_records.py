"""What in the records cannot be right: units mixed up, clocks, vans nobody knows, scans told twice."""

from __future__ import annotations

import duckdb

from pipeline.counted import count_of
from pipeline.errors import nearest
from pipeline.findings.published import rows_of

Told = tuple[str, str, str]
"""Subject, what is wrong, what to do about it."""

MOST_NAMED = 5
_MILES = """
select van, value, other_value from record_conflicts
where conflict_kind in ('odometer_back', 'odometer_jump')
    and greatest(value, other_value) / nullif(least(value, other_value), 0) between 1.59 and 1.63
order by van, "at"
"""
_CLOCKS = """
with odd as (
    select
        scans.reader, scans.van, scans.scan_id, scans.scanned_at,
        case
            when scans.scanned_at > builds.built_at + interval '1' day then 'ahead'
            when cast(scans.scanned_at as date) < vans.in_service then 'before'
            when cast(scans.scanned_at as date) > vans.out_of_service then 'after'
        end as how
    from scans
    inner join vans on scans.van = vans.van
    cross join builds
)
select reader, how, count(*) as n, min(van) as van, arg_min(scan_id, van) as scan_id
from odd where how is not null group by reader, how order by reader, how
"""
_STRANGERS = """
with known as (select van from vans where cohort_id is not null),

named as (
    select van, n_scans as n, 'scan' as what, 1 as place from vans where cohort_id is null and n_scans > 0
    union all
    select van, count(*), 'work entry', 2 from work where van not in (select van from known) group by van
    union all
    select van, count(*), 'note', 3 from notes where van not in (select van from known) group by van
)

select van, list({'n': n, 'what': what} order by place) as told
from named group by van order by sum(n) desc, van
"""
_TWICE = """
select a.van, a.reader, a.scan_id, b.scan_id as other_id, a.scanned_at
from scans as a
inner join scans as b
    on a.van = b.van and a.reader = b.reader and a.scan_id < b.scan_id
    and abs(date_diff('minute', a.scanned_at, b.scanned_at)) <= 30
where a.scan_id like 'hand-%' or b.scan_id like 'hand-%'
order by a.scanned_at desc
"""
# Only makers of North America must set a check digit (49 CFR 565.15): their numbers begin with 1 to 5 (ISO 3780).
# Elsewhere a failing one says nothing.
_VINS = """
select van, vin, vin_status from vans
where vin_status = 'bad_form' or (vin_status = 'bad_check_digit' and vin between '1' and '6')
order by van
"""
_HOW = {
    "ahead": "after the build",
    "before": "before the van's first day in service",
    "after": "after the van left service",
}


def look_at_records(connection: duckdb.DuckDBPyConnection) -> list[Told]:
    """Return what in the published records needs a person, with the remedy.

    Parameters
    ----------
    connection : duckdb.DuckDBPyConnection
        The published build.
    """
    return [
        *_miles(connection),
        *_clocks(connection),
        *_strangers(connection),
        *_vins(connection),
        *_twice(connection),
    ]


def _miles(connection: duckdb.DuckDBPyConnection) -> list[Told]:
    """Two odometers that differ as miles and kilometres do."""
    remedy = "Look which of the two the reader shows, then: kinbay correct READER SCAN_ID --odometer-km KM --why TEXT."
    return [
        (
            f"van {r['van']}",
            f"Its odometer reads {r['value']:,.0f} and {r['other_value']:,.0f}: they differ as miles and km do.",
            remedy,
        )
        for r in rows_of(connection, _MILES)
    ]


def _clocks(connection: duckdb.DuckDBPyConnection) -> list[Told]:
    """Scans at times at which they cannot have been, by reader."""
    return [
        (
            f"reader {r['reader']}",
            f"{count_of(r['n'], 'scan')} dated {_HOW[r['how']]} (van {r['van']}, scan {r['scan_id']}).",
            "Set the reader's clock or mend the register; then: kinbay correct READER SCAN_ID --at TIME --why TEXT.",
        )
        for r in rows_of(connection, _CLOCKS)
    ]


def _strangers(connection: duckdb.DuckDBPyConnection) -> list[Told]:
    """Names in scans, work and notes that are no van of the register, with the nearest that is."""
    known = [r["van"] for r in rows_of(connection, "select van from vans where cohort_id is not null")]
    found = []
    for row in rows_of(connection, _STRANGERS):
        near = nearest(row["van"], known)
        hint = f"Did you mean {near}? " if near else ""
        remedy = f"{hint}Add it to the register, or: kinbay alias NAME --van VAN --why TEXT."
        found.append(
            (
                f"van {row['van']}",
                f"It is named in {', '.join(count_of(t['n'], t['what']) for t in row['told'])} and is not in the register.",
                remedy,
            )
        )
    return found


def _vins(connection: duckdb.DuckDBPyConnection) -> list[Told]:
    """Chassis numbers that cannot be right; a check digit is judged only where one has to be set."""
    what = {
        "bad_form": "has not 17 characters, or holds I, O, Q or a sign.",
        "bad_check_digit": "fails its check digit, as when one character is wrong or two are swapped.",
    }
    remedy = "Look at the plate under the windscreen and correct the register."
    return [
        (f"van {r['van']}", f"Its chassis number {r['vin']} {what[r['vin_status']]}", remedy)
        for r in rows_of(connection, _VINS)
    ]


def _twice(connection: duckdb.DuckDBPyConnection) -> list[Told]:
    """Scans written down by hand that were loaded from a file too."""
    rows = rows_of(connection, _TWICE)
    found = [
        (
            f"van {r['van']}",
            f"{r['reader']} has two scans within half an hour ({r['scan_id']}, {r['other_id']}), one written down by hand.",
            "If they are one scan, take the entry back on the page Write down a scan.",
        )
        for r in rows[:MOST_NAMED]
    ]
    if len(rows) > MOST_NAMED:
        found.append(("scans", f"{len(rows) - MOST_NAMED} more such pairs.", "Take the entries back."))
    return found
