"""Text of PDFs and pasted text is never taken silently: what would be taken is shown first, line by line."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping

from pipeline.counted import count_of
from pipeline.normalise import Question
from pipeline.read import Recognised

SUBJECT = "confirm"
YES, NO = "yes", "no"
MOST_SHOWN = 60
LONGEST_SHOWN = 120
_LEFT_OUT = ("van", "reader", "scanned_at", "scan_id")


def ask_to_confirm(sheet: Recognised, name: str, facts: Mapping[str, str]) -> tuple[Question, ...]:
    """Ask whether what was found in a text is right, unless a person has said so.

    Parameters
    ----------
    sheet : Recognised
        A sheet that knows its pages; any other is not asked about.
    name : str
        What reports call the file.
    facts : mapping
        What a person told about this file.
    """
    if not sheet.sheet.pages or facts.get(SUBJECT) == YES:
        return ()
    told, n_rows = _tell(sheet, {k: v for k, v in facts.items() if k != SUBJECT})
    more = f" ... and {n_rows - len(told):,} more." if n_rows > len(told) else ""
    asks = (
        f"{count_of(n_rows, 'row')} would be taken from the text of {name}. Compare them with the report: {'; '.join(told)}{more}"
        f" Is that right and complete? {NO} leaves the file waiting."
    )
    return (Question("fact", SUBJECT, asks, (YES, NO)),)


def _tell(sheet: Recognised, facts: Mapping[str, str]) -> tuple[list[str], int]:
    told: list[str] = []
    n_rows = 0
    for tables, _ in sheet.tables(facts):
        for table, rows in tables.items():
            n_rows += len(rows)
            for row in rows.head(max(0, MOST_SHOWN - len(told))).iter_rows(named=True):
                cells = [
                    f"{k} {v}"
                    for k, v in row.items()
                    if k != "line" and v not in (None, "") and (table == "scans" or k not in _LEFT_OUT)
                ]
                told.append(
                    f"{place(sheet.sheet.pages, row['line'])}: {table}, {', '.join(cells)}"[:LONGEST_SHOWN]
                )
    return told, n_rows


def place(pages: tuple[int, ...], line: int) -> str:
    """Say where a line stands: "page 2, line 14".

    >>> place((1, 40), 53)
    'page 2, line 14'
    """
    page = bisect_right(pages, line)
    return f"page {page}, line {line - pages[page - 1] + 1}"
