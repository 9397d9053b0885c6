"""Tables over the whole fleet in words, for pages and for a terminal: work, codes it ended, costs, shares."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from dashboard.charts.costs import stands
from dashboard.charts.repairs import say_verdict
from dashboard.charts.shares import PARTS
from dashboard.charts.words import Reading, clean_text, format_number, format_share, say_part
from dashboard.exports.cost_pictures import COSTS_CAVEAT
from dashboard.exports.table import clean_columns
from dashboard.questions import costs, fleet, repairs
from dashboard.questions.filters import ALL_VANS
from dashboard.questions.shares import list_variance_shares
from dashboard.questions.warehouse import Warehouse, open_warehouse
from pipeline.counted import count_of
from pipeline.settings import Home

ENDINGS_KEY = (
    "Each van counts once, by the last time. Stayed away: on three scans or more that could show it, none of them"
    " just after a clearing. Counted over the whole fleet; work that names no code is held against every code that"
    " stood that day, so most such rows are chance."
)
_WORK_KEY = (
    "Whether work held: how the van moved less how its siblings did over the same dates, or what became of the code it"
    " was done for. kinbay van VAN has the figures."
)
_SHARES_KEY = (
    "Shares of each reading's variance over the last year, with 95 % intervals where they can be told."
)
_ISO = "%Y-%m-%dT%H:%M:%SZ"
_WIDEST, _PAGE = 44, 110  # characters of a text in a column, and of a line of text, for a terminal


def tell_work(rows: Iterable[dict[str, Any]]) -> pl.DataFrame:
    """Return rows of `list_repairs` as verdict, on, van, what, code, relearn and n_readings, in words."""
    told = [
        {
            "verdict": say_verdict(row),
            "on": row["worked_at"],
            "van": clean_text(row["van"]),
            "what": say_part(row["what"], row["part"]),
            "code": clean_text(row["code"]),
            "relearn": clean_text(row["relearn"]).replace("_", " "),
            "n_readings": row["n_readings"],
        }
        for row in rows
    ]
    return pl.DataFrame(told, infer_schema_length=None)


def tell_endings(rows: pl.DataFrame) -> pl.DataFrame:
    """Return rows of `list_repair_codes` with the work in words (`work`) and the share with interval (`share_said`)."""
    said = [
        format_share(row["share"], row["share_low"], row["share_high"])
        if row["n_judged"]
        else "cannot tell yet"
        for row in rows.iter_rows(named=True)
    ]
    return rows.with_columns(
        pl.concat_str("what", pl.lit(" "), "part").str.strip_chars().alias("work"),
        pl.Series("share_said", said, pl.String),
    )


def say_span(middle: float | None, low: float, high: float, *, digits: int) -> str:
    """Say from where to where a van's siblings run; they are too few where they have no median."""
    if middle is None:
        return "too few"
    return f"{format_number(low, digits)} to {format_number(high, digits)}"


def say_costed(row: dict[str, Any]) -> str:
    """Say what is written down in all, and in how many of the entries."""
    n = f"{row['n_costed']} of {row['n_work']}"
    return n if row["cost"] is None else f"{format_number(row['cost'], 0)} in {n}"


def tell_costs(rows: pl.DataFrame) -> pl.DataFrame:
    """Return rows of `list_van_costs` with where they stand, siblings' ranges and what is recorded in words.

    These are `stands`, `span`, `days_span` and `said_cost`.
    """
    cost = rows.select("sibling_median", "sibling_low", "sibling_high")
    days = rows.select("sibling_days", "sibling_days_low", "sibling_days_high")
    return rows.with_columns(
        pl.Series("stands", [stands(row) for row in rows.iter_rows(named=True)], pl.String),
        pl.Series("said_cost", [say_costed(row) for row in rows.iter_rows(named=True)], pl.String),
        pl.Series("span", [say_span(*row, digits=0) for row in cost.iter_rows()], pl.String),
        pl.Series("days_span", [say_span(*row, digits=1) for row in days.iter_rows()], pl.String),
    )


def tell_shares(rows: pl.DataFrame) -> pl.DataFrame:
    """Return rows of `list_variance_shares` as one row a reading: its title, vans and scans, and each part's share."""
    told = []
    for _, part in rows.group_by("parameter", "state", maintain_order=True):
        by_part = {row["part"]: row for row in part.iter_rows(named=True)}
        first = part.row(0, named=True)
        shares = {
            name: format_share(by_part[key]["share"], by_part[key]["low"], by_part[key]["high"])
            if key in by_part and by_part[key]["share"] is not None
            else None
            for key, name in PARTS.items()
        }
        told.append(
            {
                "reading": Reading.from_row(first).title,
                "n_vans": first["n_vans"],
                "n_scans": first["n_scans"],
                **shares,
            }
        )
    return pl.DataFrame(told, infer_schema_length=None)


@dataclass(frozen=True)
class FleetTable:
    """A table over the whole fleet: all its `rows`, and what a person reads of them.

    Parameters
    ----------
    title, key, nothing : str
        What it shows, how to read it, and what to do where it has no rows.
    rows : pl.DataFrame
        As published.
    told : pl.DataFrame
        The same rows in words, a heading each column.
    build_id, data_to
        The build and the day its data reach to.
    """

    title: str
    key: str
    nothing: str
    rows: pl.DataFrame
    told: pl.DataFrame
    build_id: str
    data_to: Any

    def as_json(self) -> dict[str, Any]:
        """Return build, data's end and rows, times as ISO 8601 in UTC."""
        rows = self.rows.with_columns(pl.col(pl.Datetime).dt.strftime(_ISO))
        until = None if self.data_to is None else self.data_to.strftime(_ISO)
        return {"build_id": self.build_id, "data_to": until, "rows": rows.to_dicts()}

    def as_text(self) -> str:
        """Return title, table and key for a terminal."""
        until = "no date" if self.data_to is None else f"{self.data_to:%d %b %Y}"
        head = f"{self.title}: {count_of(self.told.height, 'row')}, data to {until}."
        if self.rows.is_empty():
            return f"{head}\n{self.nothing}\n"
        with pl.Config(
            tbl_formatting="NOTHING", tbl_rows=-1, tbl_cols=-1, tbl_width_chars=-1, fmt_str_lengths=_WIDEST,
            tbl_hide_column_data_types=True, tbl_hide_dataframe_shape=True, tbl_cell_numeric_alignment="RIGHT",
        ):  # fmt: skip
            lines = str(clean_columns(self.told).with_columns(pl.col(pl.String).fill_null("–"))).splitlines()
        return "\n".join([head, *(line.rstrip() for line in lines), textwrap.fill(self.key, _PAGE)]) + "\n"


def _work(warehouse: Warehouse, vans: list[str]) -> tuple[pl.DataFrame, pl.DataFrame]:
    rows = repairs.list_repairs(warehouse, vans)
    told = tell_work(rows.iter_rows(named=True))
    return rows, told if told.is_empty() else told.select(
        pl.col("verdict").alias("Verdict"), pl.col("on").dt.strftime("%d %b %Y").alias("On"), pl.col("van").alias("Van"),
        pl.col("what").alias("Work"), pl.col("code").alias("For code"), pl.col("relearn").alias("Relearn"),
        pl.col("n_readings").alias("Readings"),
    )  # fmt: skip


def _endings(warehouse: Warehouse, vans: list[str]) -> tuple[pl.DataFrame, pl.DataFrame]:
    rows = repairs.list_repair_codes(warehouse, vans)
    return rows, tell_endings(rows).select(
        pl.col("work").alias("Work"), pl.col("code").alias("Code"), pl.col("module").alias("Module"),
        pl.col("title").alias("Meaning"), pl.col("n_vans").alias("Vans tried"), pl.col("n_named").alias("Done for it"),
        pl.col("n_judged").alias("Can tell"), pl.col("n_ended").alias("Stayed away"),
        pl.col("share_said").alias("Share (95 %)"),
    )  # fmt: skip


def _costs(warehouse: Warehouse, vans: list[str]) -> tuple[pl.DataFrame, pl.DataFrame]:
    rows = costs.list_van_costs(warehouse, vans)
    return rows.drop("cohort_id"), tell_costs(rows).select(
        pl.col("van").alias("Van"), pl.col("cohort").alias("Group"),
        pl.col("cost_per_10000_km").round(0).cast(pl.Int64).alias("Cost / 10,000 km"), pl.col("n_siblings").alias("Siblings"),
        pl.col("span").alias("Theirs"), pl.col("stands").alias("Stands"), pl.col("days_per_10000_km").round(1).alias("Days / 10,000 km"),
        pl.col("days_span").alias("Siblings' days"), pl.col("said_cost").alias("Cost in all"),
        pl.col("km").round(0).cast(pl.Int64).alias("Km"),
    )  # fmt: skip


def _shares(warehouse: Warehouse, _: list[str]) -> tuple[pl.DataFrame, pl.DataFrame]:
    rows = list_variance_shares(warehouse)
    return rows, tell_shares(rows).rename(
        {"reading": "Reading", "n_vans": "Vans", "n_scans": "Scans"}, strict=False
    )


# What can be asked for -> title, how to read it, what to do where there is nothing, who gathers it.
TABLES: dict[str, tuple[str, str, str, Callable[[Warehouse, list[str]], tuple[pl.DataFrame, pl.DataFrame]]]] = {
    "work": (
        "Work and whether it held", _WORK_KEY,
        "No repair stands in the work list. Write down what was done, on which part and when.", _work,
    ),
    "endings": (
        "Which work ends which code", ENDINGS_KEY,
        "No code stood on a van when work was done. Scan before and after work, and name the code in its entry.",
        _endings,
    ),
    "costs": (
        "Cost and days standing beside the siblings", COSTS_CAVEAT,
        "No van is known yet. Load a register and the work list.", _costs,
    ),
    "shares": (
        "Where differences come from", _SHARES_KEY,
        "Nothing is shared out yet: it takes scans of at least 6 vans in one reading over the last year.", _shares,
    ),
}  # fmt: skip


def read_table(home_path: Path, name: str) -> FleetTable:
    """Return one table of the published build; `name` is a key of `TABLES`.

    Raises
    ------
    KinbayError
        Where nothing has been published.
    """
    title, key, nothing, gather = TABLES[name]
    warehouse = open_warehouse(Home(home_path))
    build = fleet.describe_build(warehouse).row(0, named=True)
    vans = fleet.list_shown_vans(warehouse, ALL_VANS)["van"].to_list()
    rows, told = gather(warehouse, vans)
    return FleetTable(title, key, nothing, rows, told, build["build_id"], build["data_to"])
