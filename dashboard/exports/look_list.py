"""What needs a look as a page to print or send: subject by subject, best evidence first, with next checks and cautions."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dashboard.charts.matter_words import headline, say_briefly, say_split, short_cautions, subject_of
from dashboard.charts.words import clean_text, format_number
from dashboard.exports.report import Report, Section
from pipeline.counted import count_of

MOST_ON_A4 = 5


def group_matters(rows: Sequence[dict[str, Any]]) -> dict[str, list[dict[str, Any]]]:
    """Put matters under what they are about, in the order of the best of each."""
    groups: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        groups.setdefault(subject_of(row), []).append(row)
    return groups


def write_look(
    rows: Sequence[dict[str, Any]], build: dict[str, Any], filters: str, most: int | None = MOST_ON_A4
) -> Report:
    """Say what stands on the list.

    Parameters
    ----------
    rows : sequence of dict
        Rows of `list_findings`, best first, as the list shows them.
    build : dict
        A row of `describe_build`.
    filters : str
        Which vans are shown, in words.
    most : int, optional
        How many subjects are written out; the rest are named. None writes all.
    """
    groups = group_matters(rows)
    written = list(groups.items())[:most]
    left = [clean_text(subject) for subject in list(groups)[len(written) :]]
    rest = (f"{count_of(len(left), 'subject')}: {', '.join(left)}.",) if left else ()
    cells, chance = format_number(build["cells_tested"], 0), format_number(build["expected_by_chance"], 1)
    return Report(
        title="What needs a look",
        facts=f"Vans shown: {filters}. {count_of(len(rows), 'matter')} on this list, best evidence first",
        lead=(
            f"{say_split(rows)}.",
            f"{cells} comparisons were made across the fleet; chance alone would raise about {chance} of them.",
        ),
        sections=(
            *(_write_group(subject, own) for subject, own in written),
            Section("Further down the list, on the dashboard", rest),
        ),
        foot=(
            "A van is compared with its siblings: same make, model, engine and model year. In brackets: where the"
            " difference lies 19 times of 20.",
            f"Data to {build['data_to']:%d %b %Y}, build {build['build_id']}.",
        ),
    )


def _write_group(subject: str, rows: list[dict[str, Any]]) -> Section:
    """All matters about one subject, each with how sure and its next check, and the dangers of the checks."""
    known = [clean_text(t) for t in (rows[0]["cohort"], rows[0]["depot"]) if t and rows[0]["van"] is not None]
    cautions = short_cautions(rows)
    return Section(
        " · ".join([subject, *known]),
        # The warning before the work, as in a manual; and what a full page leaves out is never the warning.
        (*((f"Caution: {cautions}.",) if cautions else ()), *map(_say_matter, rows)),
    )


def _say_matter(row: dict[str, Any]) -> str:
    check = f" Next check: {clean_text(row['next_check'])}" if row["next_check"] else ""
    return f"{headline(row)}. {say_briefly(row)}.{check}"
