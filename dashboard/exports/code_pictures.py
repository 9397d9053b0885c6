"""Charts of codes for print, each with its caption."""

from __future__ import annotations

from typing import Any

import polars as pl

from dashboard.charts.code_names import Code, say_share
from dashboard.charts.code_returns import draw_returns, fit_returns, say_returns
from dashboard.charts.code_shares import choose_rows, draw_shares
from dashboard.charts.code_strips import MOST_VANS, choose_vans, draw_strips
from dashboard.charts.frame import Chart
from dashboard.charts.palette import PRINT
from dashboard.charts.van_codes import MOST_CODES, draw_van_codes
from dashboard.charts.words import clean_text
from dashboard.exports.picture import Caption, caption_of
from dashboard.exports.van_facts import find_van
from dashboard.questions import codes, fleet, vans
from dashboard.questions.filters import Filters
from dashboard.questions.warehouse import Warehouse
from pipeline.counted import count_of
from pipeline.errors import KinbayError, nearest

SHARES_KEY = (
    "Each row is one code in one group of siblings. Mark: the share of its vans that have the code, on one of their"
    " newest scans that could show it. Line: 95 % interval. A van whose module did not answer, or that was just"
    " cleared, does not count."
)
STRIPS_KEY = (
    "Each row is one van, each mark one scan. Vertical lines: codes cleared. Figures: of the scans of the past year"
    " that could show it after its first showing, how many did, with the 95 % interval."
)
VAN_CODES_KEY = "Each row is one code, each mark one scan. Vertical lines: codes cleared."
RETURNS_KEY = (
    "After the first clearing of each van. Line: share of vans still without the code (Kaplan and Meier); shaded:"
    " its 95 % interval. A return lies between two scans and is drawn at their middle."
)


def _build_row(warehouse: Warehouse) -> dict[str, Any]:
    return fleet.describe_build(warehouse).row(0, named=True)


def _names(warehouse: Warehouse, filters: Filters) -> list[str]:
    return fleet.list_shown_vans(warehouse, filters)["van"].to_list()


def find_code(warehouse: Warehouse, code: str, vans: list[str]) -> Code:
    """Return the code as the shown vans have it; of several modules the one with most vans.

    Raises
    ------
    KinbayError
        Where no shown van ever showed it; the nearest is named.
    """
    listed = [Code.from_row(row) for row in codes.list_codes(warehouse, vans).iter_rows(named=True)]
    wanted = code.strip().casefold()
    found = [c for c in listed if wanted in (c.code.casefold(), c.short.casefold())]
    if not found:
        hint = nearest(code, [c.code for c in listed])
        raise KinbayError(
            f"No van ever showed a code {clean_text(code)!r}",
            remedy=f"Did you mean {clean_text(hint)}?" if hint else "See the codes on the page Codes.",
        )
    return found[0]


def picture_code_shares(warehouse: Warehouse, filters: Filters) -> tuple[Chart, Caption]:
    """Return the chart of how common codes are and its caption.

    Raises
    ------
    KinbayError
        Where no shown van has any code.
    """
    names = _names(warehouse, filters)
    shares = choose_rows(codes.list_code_cohorts(warehouse, names))
    if shares.is_empty():
        raise KinbayError("No van that matches the filters has a code", remedy="Widen the filters.")
    first = shares.row(0, named=True)
    told = f"{Code.from_row(first).name}: {say_share(first)} of {clean_text(first['cohort'])}."
    groups = shares.unique(["cohort_id"])
    caption = caption_of(
        _build_row(warehouse),
        title="How common each code is, group by group",
        finding=told,
        filters=filters.describe(),
        n_vans=int(groups["n_vans"].sum()),
        n_scans=int(groups["n_scans"].sum()),
        key=SHARES_KEY,
    )
    return draw_shares(shares, None, PRINT), caption


def picture_code_strips(
    warehouse: Warehouse,
    code: Code,
    filters: Filters,
    only: list[str] | None = None,
    most: int = MOST_VANS,
) -> tuple[Chart, Caption]:
    """Return the chart of one code over time and its caption; `only` narrows it to these vans, at most `most`."""
    names = _names(warehouse, filters) if only is None else only
    asked = (warehouse, code.module, code.code, names)
    holders, scans = codes.list_code_vans(*asked), codes.list_code_scans(*asked)
    chart = draw_strips(code, holders, scans, codes.list_code_clears(*asked), PRINT, most)
    shares = codes.list_code_cohorts(warehouse, names)
    own = [r for r in shares.iter_rows(named=True) if (r["module"], r["code"]) == (code.module, code.code)]
    told = [f"{clean_text(r['cohort'])}: {say_share(r)}" for r in own if r["n_vans_with"]][:3]
    returned = say_returns(codes.list_code_returns(warehouse, code.module, code.code))
    n_shown = int(holders["has_shown"].sum())
    more = f" The {most} steadiest of {n_shown} vans are drawn." if n_shown > most else ""
    caption = caption_of(
        _build_row(warehouse),
        title=f"{code.name}, van by van",
        finding=f"{'; '.join(told)}{'. ' if told else ''}{returned}",
        filters=f"van {only[0]}" if only is not None and len(only) == 1 else filters.describe(),
        n_vans=len(choose_vans(holders, most)),
        n_scans=scans.height,
        key=STRIPS_KEY + more,
    )
    return chart, caption


def picture_van_codes(warehouse: Warehouse, van: str) -> tuple[Chart, Caption]:
    """Return the chart of all codes of one van over time and its caption."""
    facts = find_van(warehouse, van)
    scans = vans.list_van_code_scans(warehouse, van)
    n_codes = scans.select("module", "code").unique().height
    now = vans.list_van_codes(warehouse, van).filter(pl.col("on_last_scan")).height
    more = f" The {MOST_CODES} shown last of {n_codes} are drawn." if n_codes > MOST_CODES else ""
    caption = caption_of(
        _build_row(warehouse),
        title=f"Codes of van {clean_text(van)} over time",
        finding=f"{count_of(now, 'code')} on the last scan, {count_of(n_codes, 'code')} on record.",
        filters=f"van {clean_text(van)}, {clean_text(facts['cohort'])}",
        n_vans=1,
        n_scans=int(facts["n_scans"] or 0),
        key=VAN_CODES_KEY + more,
    )
    return draw_van_codes(van, scans, vans.list_van_clears(warehouse, van), PRINT), caption


def picture_code_returns(warehouse: Warehouse, code: Code, unit: str) -> tuple[Chart, Caption]:
    """Return the chart of a code's return after clearing and its caption."""
    returns = codes.list_code_returns(warehouse, code.module, code.code)
    caption = caption_of(
        _build_row(warehouse),
        title=f"{code.name}: does it come back after clearing",
        finding=say_returns(returns),
        filters="all vans on which it was cleared",
        n_vans=fit_returns(returns, unit).n,
        n_scans=int(returns["n_scans"].sum()),
        key=RETURNS_KEY,
    )
    return draw_returns(code, returns, unit, PRINT), caption


def say_code_count(n_codes: int, n_matters: int) -> str:
    """Count the codes of the shown vans and those that need a look."""
    need = f"{n_matters} need{'s' if n_matters == 1 else ''} a look" if n_matters else "none needs a look"
    return f"{count_of(n_codes, 'code')} on the vans shown; {need}."
