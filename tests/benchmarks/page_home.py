"""An invented home for timing pages: the readings of the build benchmark, and codes, work and parking besides."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))
from pipeline.build.run import build
from pipeline.settings import Home
from pipeline.warehouse import raw
from tests.benchmarks.build_speed import chance, fill

_MODULES = ("engine", "body", "brakes", "airbag")
_CODES = (
    "P0401",
    "P0299",
    "P0380",
    "P0128",
    "P2463",
    "P0670",
    "B1015",
    "C0035",
    "U0100",
    "U0121",
    "P0101",
    "P0087",
)
_WORK = (
    ("replaced", "egr_valve"),
    ("replaced", "battery"),
    ("serviced", "inspection"),
    ("replaced", "thermostat"),
)


def _rows(values: tuple[object, ...]) -> str:
    return ", ".join(f"({n}, {value!r})" for n, value in enumerate(values))


def widen(home: Home) -> None:
    """Add modules and codes of every scan, parking that changes hands, and a work record a van and quarter."""
    works = ", ".join(f"({n}, '{what}', '{part}')" for n, (what, part) in enumerate(_WORK))
    with raw.open_work(home) as connection:
        connection.execute(f"""insert into raw.scan_modules by name
            select batch_id, file_id, line, scan_id, reader, module, true as answered, module as module_given
            from raw.scans, (values {_rows(_MODULES)}) as m(n, module)""")
        connection.execute(f"""insert into raw.codes by name
            select batch_id, file_id, line, scan_id, reader, {list(_MODULES)!r}[1 + n % 4] as module, code,
                code as code_given, 'standard' as structure, 'stored' as status, n = 0 as lamp
            from raw.scans, (values {_rows(_CODES)}) as c(n, code)
            where {chance("van", "code", 11)} < 0.35 and {chance("scan_id", "code", 12)} < 0.6""")
        connection.execute(f"""insert into raw.exposures by name
            select 1 as batch_id, 'f1' as file_id, 1 as line, van, 'parking' as attribute,
                case when ({chance("van", 13)} < 0.5) = (half = 0) then 'open' else 'shaded' end as value,
                make_date(2021 + 2 * half, 1, 1) as from_date,
                case when half = 0 then make_date(2023, 1, 1) end as to_date
            from raw.vans, range(2) as t(half)""")
        connection.execute(f"""insert into raw.work by name
            select 1 as batch_id, 'f1' as file_id, 1 as line, van, what, part,
                timestamp '2021-04-01 10:00:00' + interval (91 * quarter) day as "at",
                100000.0 + 5200 * quarter as odometer_km, 200 * {chance("van", "quarter", 14)} as cost
            from raw.vans, range(10) as t(quarter), (values {works}) as w(n, what, part)
            where n = (quarter + cast(van as integer)) % {len(_WORK)}""")


def make(home: Home, million: float) -> int:
    """Fill a home with about `million` readings and build it; return how many there are."""
    n = fill(home, million)
    widen(home)
    build(home)
    return n
