"""Whether anything in a home needs a person: questions, rejects, contradictions, stale vans."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import duckdb

from pipeline.counted import count_of
from pipeline.errors import KinbayError
from pipeline.findings.published import iso, rows_of
from pipeline.health_records import look_at_records
from pipeline.health_scans import look_at_scans
from pipeline.ingest.entries import FOLDER, living_entries
from pipeline.journal import read_entries
from pipeline.settings import STALE_DAYS, Home
from pipeline.warehouse import published

OLD_BUILD_DAYS = 14


@dataclass(frozen=True)
class Matter:
    """One thing that needs a person, and what to do about it."""

    subject: str
    what: str
    remedy: str


@dataclass(frozen=True)
class Health:
    """What a check of a home found; empty `matters` means nothing needs a person."""

    built_at: datetime | None
    data_to: datetime | None
    matters: tuple[Matter, ...] = field(default=())

    @property
    def needs_person(self) -> bool:
        """Whether anything is left for a person to do."""
        return bool(self.matters)

    def as_json(self) -> dict[str, Any]:
        """Return the check as plain data."""
        return {
            "built_at": iso(self.built_at),
            "data_to": iso(self.data_to),
            "needs_person": self.needs_person,
            "matters": [m.__dict__ for m in self.matters],
        }

    def text(self) -> str:
        """Return the check as lines for a terminal."""
        head = (
            f"Built {_say_time(self.built_at)}, data to {_say_time(self.data_to)}."
            if self.built_at
            else "Nothing built yet."
        )
        lines = [f"- {m.subject}: {m.what} {m.remedy}" for m in self.matters]
        return "\n".join([head, *(lines or ["Nothing needs a person."])]) + "\n"


def _say_time(moment: datetime | None) -> str:
    return f"{moment:%d %b %Y, %H:%M} UTC" if moment else "no date"


def _waiting(home: Home) -> list[Matter]:
    """Files in the inbox, with and without a question beside them."""
    if not home.inbox.is_dir():
        return []
    files = sorted(
        p
        for p in home.inbox.rglob("*")
        if p.is_file() and not any(part.startswith(".") for part in p.relative_to(home.inbox).parts)
    )
    asked = {p.name.removesuffix(".question.toml") for p in files if p.name.endswith(".question.toml")}
    found = [
        Matter(name, "waits with a question.", f"Answer it in {name}.question.toml, or on the page Add data.")
        for name in sorted(asked)
    ]
    rest = [p.name for p in files if p.name not in asked and not p.name.endswith(".question.toml")]
    if rest:
        found.append(Matter("inbox", f"{count_of(len(rest), 'file')} not loaded yet.", "Run kinbay load."))
    return found


def _rejects(connection: duckdb.DuckDBPyConnection) -> list[Matter]:
    """Refused rows by file and reason, but not where a mended copy of the file was loaded since.

    A later file of the same name and table settles them where it has no refused row itself and holds at least as
    many rows as the one with the refusals.
    """
    rows = rows_of(
        connection,
        """
        with mended as (
            select older.file_id, older.file from files as older
            inner join files as newer
                on older.file = newer.file and older.table_name = newer.table_name
                and older.batch_id < newer.batch_id
            where newer.rejected = 0
                and newer.taken + newer.duplicates >= older.taken + older.duplicates + older.rejected
        )
        select
            rejects.file, rejects.reason, rejects.remedy, count(*) as n,
            list(distinct rejects.line order by rejects.line)[:4] as lines
        from rejects
        where not exists (
            select 1 from mended where mended.file_id = rejects.file_id and mended.file = rejects.file
        )
        group by rejects.file, rejects.reason, rejects.remedy
        order by rejects.file, n desc, rejects.reason
        """,
    )
    return [
        Matter(
            r["file"],
            f"{count_of(r['n'], 'row')}: {r['reason'].rstrip('.')}{_first_lines(r)}.",
            r["remedy"] or "",
        )
        for r in rows
    ]


def _first_lines(row: dict[str, Any]) -> str:
    """Name the lines of up to three refused rows."""
    lines = [f"{n:,}" for n in row["lines"] if n is not None]
    if not lines:
        return ""
    return f" (line{'' if len(lines) == 1 else 's'} {', '.join(lines[:3])}{' and more' if len(lines) > 3 else ''})"


def _contradictions(connection: duckdb.DuckDBPyConnection) -> list[Matter]:
    rows = rows_of(
        connection, "select claim, next_check, van from findings where kind = 'record_conflict' order by rank"
    )
    found = []
    for r in rows:
        said = r["claim"].removeprefix(f"Van {r['van']}").removeprefix(":").lstrip()
        found.append(Matter(f"van {r['van']}", said[:1].upper() + said[1:], r["next_check"]))
    return found


def _stale(connection: duckdb.DuckDBPyConnection) -> list[Matter]:
    rows = rows_of(
        connection,
        """
        select c.van, c.days_since_scan from coverage as c inner join vans as v on c.van = v.van
        where v.out_of_service is null and (c.days_since_scan is null or c.days_since_scan > ?)
        order by c.days_since_scan desc nulls first
        """,
        [STALE_DAYS],
    )
    if not rows:
        return []
    names = ", ".join(r["van"] for r in rows[:10]) + (" ..." if len(rows) > 10 else "")
    what = f"{count_of(len(rows), 'van')} not scanned in the last {STALE_DAYS} days ({names})."
    return [Matter("stale vans", what, "Scan them next: an old level says nothing about today.")]


def _unread_entries(home: Home, connection: duckdb.DuckDBPyConnection) -> list[Matter]:
    """Scans, work and notes written down whose rows the build does not have."""
    read = {row["file"].split("#")[0] for row in rows_of(connection, "select distinct file from files")}
    withdrawn = {str(e.get("file", "")).split("#")[0] for e in read_entries(home, "withdrawal")}
    new = [s.name for s in living_entries(home) if s.name not in read | withdrawn]
    if not new:
        return []
    what = f"{count_of(len(new), 'entry')} written down but not loaded ({new[0].removeprefix(FOLDER)}{' and others' if len(new) > 1 else ''})."
    return [Matter("journal", what, "Run kinbay load, then kinbay build; what waits says why.")]


def _age(built_at: datetime) -> list[Matter]:
    days = (datetime.now(UTC).replace(tzinfo=None) - built_at).days
    if days <= OLD_BUILD_DAYS:
        return []
    return [Matter("build", f"The last build is {count_of(days, 'day')} old.", "Run kinbay build.")]


def _newer_batches(home: Home) -> list[Matter]:
    """Loads that the published build has not seen; unknown while another process holds the work file."""
    pointer = json.loads(Path(home.pointer).read_text(encoding="utf-8"))
    try:
        with duckdb.connect(str(home.work_db), read_only=True) as work:
            newest = work.execute("select max(batch_id) from raw.files").fetchall()[0][0]
    except duckdb.Error:
        return []
    if newest is None or newest <= pointer.get("batch_id", newest):
        return []
    return [Matter("build", "Files were loaded after the last build.", "Run kinbay build.")]


def check(home: Home) -> Health:
    """Look over a home.

    Raises
    ------
    KinbayError
        Where there is no such folder.
    """
    if not home.path.is_dir():
        raise KinbayError("There is no home folder", str(home.path), "Run kinbay load FILE, or kinbay demo.")
    waiting = _waiting(home)
    if not home.pointer.exists():
        return Health(None, None, (*waiting, Matter("build", "Nothing is built yet.", "Run kinbay build.")))
    with published.reading(home) as connection:
        build = rows_of(connection, "select built_at, data_to from builds")[0]
        found = [
            *waiting,
            *_unread_entries(home, connection),
            *_rejects(connection),
            *_contradictions(connection),
            *(Matter(*told) for told in [*look_at_records(connection), *look_at_scans(connection)]),
            *_stale(connection),
        ]
    return Health(
        build["built_at"], build["data_to"], (*found, *_newer_batches(home), *_age(build["built_at"]))
    )
