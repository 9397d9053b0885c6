"""One finding on one page for a manager: what is claimed, how sure, what else it could be, what to do."""

from __future__ import annotations

from typing import Any

import polars as pl

from dashboard.charts.matter_words import say_why, subject_of
from dashboard.charts.words import clean_text
from dashboard.exports.matter_pictures import picture_matter
from dashboard.exports.report import Report, Section
from dashboard.questions import findings, fleet
from dashboard.questions.filters import ALL_VANS
from dashboard.questions.warehouse import Warehouse
from pipeline.decisions import Decision, read_decisions
from pipeline.errors import KinbayError, nearest
from pipeline.settings import Home


def find_matter(warehouse: Warehouse, finding: str) -> dict[str, Any]:
    """Return the row of a finding.

    Raises
    ------
    KinbayError
        Where the published build has no finding of this id; the nearest id is given.
    """
    names = fleet.list_shown_vans(warehouse, ALL_VANS)["van"].to_list()
    found = findings.list_findings(warehouse, names)
    own = found.filter(pl.col("finding_id") == finding)
    if own.is_empty():
        hint = nearest(finding, found["finding_id"].to_list())
        raise KinbayError(
            f"There is no finding {clean_text(finding)!r} in this build",
            remedy=f"Did you mean {hint}?" if hint else "kinbay findings lists them with their ids.",
        )
    return own.row(0, named=True)


def say_kept(decision: Decision) -> str:
    """A decision as one plain line."""
    who, why = clean_text(decision.who), clean_text(decision.why)
    return f"{decision.at:%d %b %Y}, {who}: {decision.words}. {why}"


def write_matter(warehouse: Warehouse, home: Home, finding: str) -> Report:
    """Gather what a manager's page about one finding says.

    Raises
    ------
    KinbayError
        Where there is no such finding.
    """
    row = find_matter(warehouse, finding)
    build = fleet.describe_build(warehouse).row(0, named=True)
    known = [clean_text(t) for t in (row["cohort"], row["depot"]) if t]
    decisions = [say_kept(d) for d in read_decisions(home) if d.finding_id == finding]
    chart, key = picture_matter(warehouse, row) or (None, "")
    return Report(
        title=f"{subject_of(row)}: one matter",
        facts=" · ".join([*known, f"finding {row['finding_id']}"]),
        lead=(clean_text(row["claim"]), say_why(row)),
        chart=chart,
        key=key,
        sections=(
            Section("What to check next", (clean_text(row["next_check"]),) if row["next_check"] else ()),
            Section("Cautions for that check", tuple(clean_text(c) for c in row["cautions"])),
            Section("It could also be", tuple(clean_text(r) for r in row["rivals"])),
            Section.first("What was decided", decisions[::-1], 4),
        ),
        foot=(
            f"{build['cells_tested']:,} comparisons were made across the fleet; chance alone would raise about"
            f" {build['expected_by_chance']:.1f} of them.",
            f"Data to {build['data_to']:%d %b %Y}, build {build['build_id']}.",
        ),
    )
