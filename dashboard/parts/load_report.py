"""What a load did or would do, file by file, on screen."""

from __future__ import annotations

from typing import Any

import polars as pl
import streamlit as st

from dashboard.parts.plain import escape
from dashboard.parts.screen import show_table
from pipeline.counted import count_of

MOST_REJECTS, MOST_SAID = 200, 3


def show_report(files: list[dict[str, Any]], *, is_trial: bool, unknown: str | None = None) -> None:
    """Show every file: as what it is read, how many rows, what is refused and why, what is asked.

    Parameters
    ----------
    files : list of dict
        `files` of `kinbay load --json`.
    is_trial : bool
        Whether nothing was stored yet.
    unknown : str, optional
        The file whose questions stand elsewhere on the page.
    """
    if not files:
        st.info("There was nothing to read.", icon=":material/inbox:")
    for number, file in enumerate(files):
        with st.container(border=True):
            if unknown is not None and file["file"] == unknown:
                st.markdown(f"**{escape(file['file'])}**")
                st.write("Its kind is not known yet: say above how it is to be read.")
                continue
            _show_file(file, number, is_trial=is_trial)


def _show_file(file: dict[str, Any], number: int, *, is_trial: bool) -> None:
    st.markdown(f"**{escape(file['file'])}**")
    if file["questions"]:
        st.warning("It waits for an answer, and nothing of it is stored.", icon=":material/help:")
        for asked in file["questions"]:
            st.write(escape(asked))
        return
    by = f" by the layout {file['layout']}" if file["layout"] else ""
    counts = [f"{count_of(file['taken'], 'row')} {'would be taken' if is_trial else 'taken'}"]
    if file["duplicates"]:
        counts.append(f"{file['duplicates']:,} there already")
    if file["rejected"]:
        counts.append(f"{file['rejected']:,} refused")
    st.write(escape(f"Read as {str(file['table']).replace('+', ', ')}{by}: {', '.join(counts)}."))
    if file["rejects"]:
        _show_rejects(file["rejects"], number)


def _show_rejects(rejects: list[dict[str, Any]], number: int) -> None:
    for row in rejects[:MOST_SAID]:
        where = f"line {row['line']}, {row['column']}" if row["column"] else f"line {row['line']}"
        given = f" “{row['value']}”" if row["value"] else ""
        st.write(escape(f"Refused {where}{given}: {row['reason']}. {row['remedy']}"))
    if len(rejects) <= MOST_SAID:
        return
    rows = pl.DataFrame(rejects[:MOST_REJECTS], schema={
        "line": pl.Int64, "column": pl.String, "value": pl.String, "reason": pl.String, "remedy": pl.String,
    })  # fmt: skip
    show_table(
        rows,
        {
            "line": st.column_config.NumberColumn("Line", width=60),
            "column": st.column_config.TextColumn("Column", width=100),
            "value": st.column_config.TextColumn("Value", width=120),
            "reason": st.column_config.TextColumn("Why not", width="medium"),
            "remedy": st.column_config.TextColumn("What to do", width="medium"),
        },
        key=f"report_rejects_{number}",
        alt="Rows and cells that are refused",
    )
    if len(rejects) > MOST_REJECTS:
        st.caption(f"The first {MOST_REJECTS} of {len(rejects):,}.")
