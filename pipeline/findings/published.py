"""The published findings in the shape that scripts and people rely on."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

import duckdb

from pipeline import formulas
from pipeline.errors import KinbayError, nearest
from pipeline.findings.conditions import FIELDS, parse
from pipeline.findings.records import KINDS, TIERS

_LISTS = ("also", "rivals", "cautions")
COLUMNS = (
    "id", "kind", "tier", "van", "scan_id", "cohort", "reader", "attribute", "level", "code", "module",
    "parameter", "state", "also", "against", "value", "expected", "difference", "unit", "interval", "score",
    "p", "q", "robust", "detectable", "n_siblings", "n_vans", "n_scans", "first_seen", "last_seen", "claim",
    "rivals", "next_check", "cautions",
)  # fmt: skip


def rows_of(
    connection: duckdb.DuckDBPyConnection, query: str, values: Sequence[Any] = ()
) -> list[dict[str, Any]]:
    """Return a query's rows as dicts."""
    with connection.cursor() as cursor:
        found = cursor.execute(query, list(values))
        names = [column[0] for column in found.description or []]
        return [dict(zip(names, row, strict=True)) for row in found.fetchall()]


def iso(moment: datetime | None) -> str | None:
    """Return a UTC time as ISO 8601."""
    return None if moment is None else moment.isoformat(timespec="seconds") + "Z"


def _shape(row: dict[str, Any]) -> dict[str, Any]:
    """One row of the `findings` table in the order and nesting of the contract."""
    cohort = {key: row[key] for key in ("make", "model", "engine", "model_year")}
    shaped = {
        "id": row["finding_id"],
        "cohort": cohort if any(v is not None for v in cohort.values()) else None,
        "interval": None if row["interval_low"] is None else [row["interval_low"], row["interval_high"]],
        "first_seen": iso(row["first_seen"]),
        "last_seen": iso(row["last_seen"]),
        **{name: json.loads(row[name] or "[]") for name in _LISTS},
    }
    return {name: shaped[name] if name in shaped else row[name] for name in COLUMNS}


def _check(name: str, given: str | None, known: Sequence[str]) -> None:
    if given is not None and given not in known:
        hint = nearest(given, known)
        raise KinbayError(
            f"There is no {name} {given!r}",
            remedy=f"Did you mean {hint}?" if hint else f"Choose one of {', '.join(known)}.",
        )


def _register_row(row: dict[str, Any], register: dict[str, dict[str, Any]]) -> dict[str, Any]:
    own = register.get(row["van"] or "", {})
    return own or {key: row[key] for key in ("make", "model", "engine", "model_year")}


def read_findings(
    connection: duckdb.DuckDBPyConnection,
    *,
    kind: str | None = None,
    van: str | None = None,
    tier: str | None = None,
    where: str | None = None,
) -> dict[str, Any]:
    """Return the published findings, best first, with the build they come from.

    Filters narrow what is returned, never the siblings that a van was compared with.

    Raises
    ------
    KinbayError
        Where a kind, tier, van or field is not known.
    """
    _check("kind", kind, KINDS)
    _check("tier", tier, TIERS)
    register = {row["van"]: row for row in rows_of(connection, "select * from vans")}
    if van is not None and van not in register:
        hint = nearest(van, register)
        raise KinbayError(
            f"There is no van {van!r}",
            remedy=f"Did you mean {hint}?" if hint else "See kinbay check for the vans.",
        )
    conditions = parse(where, FIELDS) if where else ()
    rows = rows_of(
        connection,
        """
        select * from findings
        where (?1 is null or kind = ?1) and (?2 is null or van = ?2) and (?3 is null or tier = ?3)
        order by rank
        """,
        [kind, van, tier],
    )
    kept = [r for r in rows if all(c.holds(_register_row(r, register)) for c in conditions)]
    build = rows_of(connection, "select * from builds")[0]
    return {
        "build_id": build["build_id"],
        "built_at": iso(build["built_at"]),
        "data_to": iso(build["data_to"]),
        "vans": build["vans"],
        "cells_tested": build["cells_tested"],
        "expected_by_chance": build["expected_by_chance"],
        "findings": [_shape(row) for row in kept],
    }


def defuse(value: Any) -> Any:
    """Return a cell that no spreadsheet takes for a formula; numbers stay numbers."""
    return formulas.defuse(value) if isinstance(value, str) else value


def as_csv(findings: Iterable[dict[str, Any]]) -> str:
    """Return findings as CSV with the contract's fields; lists are joined, formulas defused."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for finding in findings:
        writer.writerow([defuse(_cell(name, finding[name])) for name in COLUMNS])
    return out.getvalue()


def _cell(name: str, value: Any) -> Any:
    if value is None:
        return ""
    if name in ("rivals", "cautions"):
        return " | ".join(value)
    if isinstance(value, (dict, list)):
        return json.dumps(value, ensure_ascii=False)
    return value
