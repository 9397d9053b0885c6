"""Findings and a van's cells as text for a terminal."""

from __future__ import annotations

import csv
import io
import textwrap
from typing import Any

import duckdb

from pipeline import vocabulary
from pipeline.counted import count_of
from pipeline.errors import KinbayError, nearest
from pipeline.findings import code_words, followed, upkeep, wording
from pipeline.findings.movement_words import fine
from pipeline.findings.published import defuse, iso, rows_of

_WIDTH = 100
_LEAST_Q = 0.001  # below it the figure is of no use to anybody who reads a terminal; --format json has it
_CELL_COLUMNS = (
    "parameter", "state", "channel", "value", "expected", "difference", "unit", "interval_low", "interval_high",
    "sibling_low", "sibling_high", "n_siblings", "n_scans", "score", "p", "q", "robust", "detectable", "tier",
    "verdict", "reason",
)  # fmt: skip
_CODE_COLUMNS = (
    "module", "code", "title", "structure", "first_seen", "last_seen", "last_status", "had_lamp", "n_later_present",
    "n_later_covered", "share", "share_low", "share_high", "n_cannot_tell", "n_clears", "n_clears_survived",
    "n_low_voltage",
)  # fmt: skip


_HEADS = f"{'reading and state':<52} {'this van':>24} {'difference':>10}   verdict"
_CHANNEL_TITLES = {
    "level": "Level against siblings",
    "change": "Recent change against siblings",
    "spread": "Unsteadiness within a scan against siblings (standard deviation)",
    "step": "Step from one operating state to another against siblings",
}


def _wrap(label: str, text: str) -> str:
    return textwrap.fill(text, _WIDTH, initial_indent=f"     {label}: ", subsequent_indent="       ")


def _interval(finding: dict[str, Any]) -> str:
    """The interval in words: of a difference, of a share of scans or vans, or of an odds ratio."""
    low, high = finding["interval"]
    if finding["difference"] is not None:
        return f"difference {_ends(finding, low, high)}"
    if finding["kind"] == "exposure_effect":
        return f"odds ratio {wording.ratio(low)} to {wording.ratio(high)}"
    return f"share {wording.percents(low, high)}"


def _ends(finding: dict[str, Any], low: float, high: float) -> str:
    """Both ends of a difference's interval, in no more digits than the reading has; scatter within a scan is finer."""
    key = finding["parameter"]
    if key is None or any(part.get("channel") == "spread" for part in finding["also"]):
        return f"{low:+.2g} to {high:+.2g} {finding['unit'] or ''}".rstrip()
    return f"{wording.bare(low, key, signed=True)} to {wording.bare(high, key, signed=True)}{wording.unit_of(key)}"


def _data_day(found: dict[str, Any]) -> str:
    return wording.day(found["data_to"]) if found["data_to"] else "no date"


def findings_text(found: dict[str, Any]) -> str:
    """Return findings as numbered paragraphs: claim, how sure, rivals, next check, cautions."""
    lines = [
        f"{count_of(found['vans'], 'van')}, data to {_data_day(found)}. {count_of(found['cells_tested'], 'comparison')}; "
        f"about {found['expected_by_chance']:.1f} would stand out by chance alone.",
        wording.REASON_TO_LOOK,
    ]
    for place, finding in enumerate(found["findings"], 1):
        sure = f"{finding['tier'].replace('_', ' ')}; {finding['kind'].replace('_', ' ')}"
        if finding["q"] is not None:
            sure += f"; q {finding['q']:.2g}" if finding["q"] >= _LEAST_Q else f"; q below {_LEAST_Q:g}"
        if finding["robust"]:
            sure += "; holds even if healthy siblings vary wildly"
        if finding["interval"]:
            sure += f"; {_interval(finding)} (95 %)"
        claim = textwrap.fill(
            finding["claim"], _WIDTH, initial_indent=f"{place:>3}. ", subsequent_indent="     "
        )
        lines += ["", claim, _wrap("How sure", f"{sure}; id {finding['id']}")]
        if finding["rivals"]:
            lines.append(_wrap("Could also be", " / ".join(finding["rivals"])))
        if finding["next_check"]:
            lines.append(_wrap("Next check", finding["next_check"]))
        lines += [_wrap("Caution", text) for text in finding["cautions"]]
    if not found["findings"]:
        lines += [
            "",
            "Nothing stands out. That is not a clean bill of health: see kinbay check for what was not read.",
        ]
    return "\n".join(lines) + "\n"


def van_cells(connection: duckdb.DuckDBPyConnection, van: str) -> dict[str, Any]:
    """Return one van with every cell in which it was compared, strongest first, its drifts, codes, work and costs.

    Raises
    ------
    KinbayError
        Where there is no such van; the nearest is named.
    """
    register = rows_of(connection, "select * from vans where van = ?", [van])
    if not register:
        hint = nearest(van, [r["van"] for r in rows_of(connection, "select van from vans")])
        raise KinbayError(
            f"There is no van {van!r}",
            remedy=f"Did you mean {hint}?" if hint else "See kinbay check for the vans.",
        )
    cells = rows_of(
        connection,
        """
        select * from sibling_scores where van = ?
        order by array_position(['level', 'change', 'spread', 'step'], channel), abs(score) desc nulls last, parameter, state
        """,
        [van],
    )
    cells = _with_unseen(cells, rows_of(connection, "select * from unseen_readings where van = ?", [van]))
    codes = rows_of(
        connection,
        "select * from van_codes where van = ? order by share_low desc nulls last, last_seen desc, code, module",
        [van],
    )
    build = rows_of(connection, "select build_id, data_to from builds")[0]
    return {
        "build_id": build["build_id"],
        "data_to": iso(build["data_to"]),
        "van": {k: (v.isoformat() if hasattr(v, "isoformat") else v) for k, v in register[0].items()},
        "cells": [{name: cell[name] for name in _CELL_COLUMNS} for cell in cells],
        "drifts": followed.read_drifts(connection, van),
        "codes": [
            {n: iso(code[n]) if n in ("first_seen", "last_seen") else code[n] for n in _CODE_COLUMNS}
            for code in codes
        ],
        **upkeep.read_upkeep(connection, van),
    }


def _with_unseen(cells: list[dict[str, Any]], unseen: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Add the readings that the van's readers do not decode: not judged, with that reason.

    Where a reader shows one and the same value on every van, that reason takes the place of the comparison.
    """
    replaced = {("level", row["parameter"], row["state"]) for row in unseen}
    kept = [c for c in cells if (c["channel"], c["parameter"], c["state"]) not in replaced]
    units = {p.key: p.unit for p in vocabulary.parameters()}
    missing = [
        dict.fromkeys(_CELL_COLUMNS)
        | {name: row[name] for name in ("parameter", "state", "n_siblings", "n_scans", "reason")}
        | {"channel": "level", "unit": units.get(row["parameter"]), "robust": False}
        | {"tier": "not_enough_evidence", "verdict": "not_judged"}
        for row in sorted(unseen, key=lambda r: (r["parameter"], r["state"]))
    ]
    return kept + missing


def cells_csv(found: dict[str, Any]) -> str:
    """Return a van's cells as CSV."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("van", *_CELL_COLUMNS))
    name = found["van"]["van"]
    for cell in found["cells"]:
        writer.writerow([defuse("" if v is None else v) for v in (name, *cell.values())])
    return out.getvalue()


def _doubt(cell: dict[str, Any]) -> str:
    """What to make of a value outside the siblings' range that is no finding: one healthy reading in twenty is."""
    is_out = not cell["sibling_low"] <= cell["value"] <= cell["sibling_high"]
    return "; outside, but too little to stand out" if cell["verdict"] == "within" and is_out else ""


def _cell_line(cell: dict[str, Any]) -> str:
    name = f"{wording.reading_name(cell['parameter'])}, {wording.state_name(cell['state'])}"
    if cell["difference"] is None:
        value = "" if cell["value"] is None else wording.number(cell["value"], cell["parameter"])
        return f"{name:<52.52} {value:>24} {'':>10}   not judged: {cell['reason'] or 'no siblings'}"
    key = cell["parameter"]
    value, low, high = (cell[column] for column in ("value", "sibling_low", "sibling_high"))
    if cell["channel"] == "spread":
        this, span = fine(value, key), f"{fine(low, key, unit=False)} to {fine(high, key, unit=False)}"
        difference = f"{cell['difference']:+.2g}"
    else:
        this, span = wording.number(value, key), f"{wording.bare(low, key)} to {wording.bare(high, key)}"
        difference = wording.bare(cell["difference"], key, signed=True)
    return (
        f"{name:<52.52} {this:>24} {difference:>10}   {cell['verdict']:<10} siblings {span}, "
        f"n {cell['n_siblings']}, scans {cell['n_scans']}{_doubt(cell)}"
    )


def _code_line(code: dict[str, Any]) -> str:
    """One code: how steadily it showed since it was first seen in the last year, and how it took a clearing."""
    steady = "no later scan can tell"
    if code["n_later_covered"]:
        steady = (
            f"{code['n_later_present']} of {code['n_later_covered']} later scans "
            f"({wording.percents(code['share_low'], code['share_high'])})"
        )
    if code["n_low_voltage"]:
        steady += f", {code['n_low_voltage']} in a low-voltage cluster"
    cleared = (
        f"; cleared {code['n_clears']}, back after {code['n_clears_survived']}" if code["n_clears"] else ""
    )
    lamp = "; lights the lamp" if code["had_lamp"] else ""
    title = code["title"] or ("standard code" if code["structure"] == "standard" else code_words.NO_TEXT)
    name = f"{code_words.short_name(code['code'], code['module'])}: {title}"
    return f"{name:<52.52} {steady}{cleared}{lamp}; last {wording.day(code['last_seen'])}"


def cells_text(found: dict[str, Any]) -> str:
    """Return a van's cells as a table for a terminal."""
    van = found["van"]
    lines = [f"Van {van['van']}: {van['cohort'] or 'not in the register'}; data to {_data_day(found)}."]
    for channel, title in _CHANNEL_TITLES.items():
        cells = [c for c in found["cells"] if c["channel"] == channel]
        lines += ["", f"{title} ({len(cells)} readings and states)", *([_HEADS] if cells else ())]
        lines += map(_cell_line, cells)
    lines += ["", *followed.drift_lines(found["drifts"])]
    codes = found["codes"]
    lines += ["", f"Codes ({len(codes)})", *map(_code_line, codes)]
    if not codes:
        lines.append("None on record; that counts only for modules that were asked and answered.")
    lines += ["", *upkeep.upkeep_lines(found)]
    return "\n".join([*lines, "", wording.REASON_TO_LOOK]) + "\n"
