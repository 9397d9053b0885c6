"""One van's codes over time: a strip per code, a mark per scan: shown, not there, module silent, or not known."""

from __future__ import annotations

from typing import Any

import polars as pl

from dashboard.charts.code_names import ANSWER_SIZES, ANSWER_WORDS, LOW_VOLTAGE, PRESENT, WHY_UNKNOWN, Code
from dashboard.charts.code_strips import FIRST_ROW, ROW, build_template
from dashboard.charts.frame import ROW_WORDS, Chart, fill
from dashboard.charts.palette import Theme
from dashboard.charts.words import clean_text
from pipeline.counted import count_of

MOST_CODES = 8


def _say(row: dict[str, Any], name: str, answer: str) -> str:
    when, reader = f"{row['scanned_at']:%d %b %Y}", clean_text(row["reader"])
    why = f" ({WHY_UNKNOWN[row['why_unknown']]})" if row["why_unknown"] in WHY_UNKNOWN else ""
    lamp = ", lamp on" if row["lamp"] else ""
    return f"{name}, {when}: {ANSWER_WORDS[answer].lower()}{why}{lamp}, {reader}"


def draw_van_codes(van: str, scans: pl.DataFrame, clears: pl.DataFrame, theme: Theme) -> Chart:
    """Draw what every scan of a van says about each code it ever showed, the codes shown last at the top.

    Parameters
    ----------
    van : str
        Whose codes.
    scans : polars.DataFrame
        Rows of `list_van_code_scans`.
    clears : polars.DataFrame
        `cleared_at` and what was cleared: `module`, `code`; empty where nothing was.
    theme : Theme
        Colours and font.
    """
    keys = scans.select("module", "code", "title").unique(maintain_order=True).head(MOST_CODES)
    marks: list[dict[str, Any]] = []
    labels: list[dict[str, Any]] = []
    for number, key in enumerate(keys.iter_rows(named=True)):
        name = Code(key["module"] or "", key["code"], key["title"] or "", "other").name
        own = scans.filter((pl.col("code") == key["code"]) & pl.col("module").eq_missing(key["module"]))
        y, n_shown = number * ROW + FIRST_ROW, 0
        for row in own.iter_rows(named=True):
            answer = LOW_VOLTAGE if row["is_low_voltage"] else row["standing"]
            n_shown += answer in (PRESENT, LOW_VOLTAGE)
            said = _say(row, name, answer)
            marks.append({"at": row["scanned_at"], "y": y, "word": ANSWER_WORDS[answer], "size": ANSWER_SIZES[answer], "said": said})  # fmt: skip
        figure = f"on {n_shown} of {count_of(own.height, 'scan')}"
        labels.append({"name": name, "figure": figure, "y": y, "text_y": y - ROW_WORDS})
    bottom = max(1, len(labels)) * ROW
    lines = [
        {"at": at, "top": 14.0, "bottom": float(bottom), "said": f"Codes cleared {at:%d %b %Y}"}
        for at in clears["cleared_at"].unique().sort().to_list()
    ]
    moment = pl.Datetime("ms")
    data = {
        "labels": pl.DataFrame(labels, schema={"name": pl.String, "figure": pl.String, "y": pl.Float64, "text_y": pl.Float64}),
        "scans": pl.DataFrame(marks, schema={"at": moment, "y": pl.Float64, "word": pl.String, "size": pl.Int64, "said": pl.String}),
        "clears": pl.DataFrame(lines, schema={"at": moment, "top": pl.Float64, "bottom": pl.Float64, "said": pl.String}),
    }  # fmt: skip
    spec = fill(build_template(theme.name), height=bottom + 4, axis_title="")
    spec["layer"] = [layer for layer in spec["layer"] if data[layer["data"]["name"]].height]
    told = "; ".join(f"{row['name']} {row['figure']}" for row in labels)
    return Chart(spec, data, f"Codes of van {clean_text(van)} over time. {told}.")
