"""Computed table `computed.van_drifts`: how each van moves away from its siblings, month by month."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.build.codes import as_frame, encode
from pipeline.build.scores import rules_of
from pipeline.compare import drift, slopes, steps
from pipeline.compare.distributions import z_upper
from pipeline.compare.multiplicity import adjust_by_matter, matter_cutoff
from pipeline.compare.serial import serial_correlation
from pipeline.compare.tiers import TIERS, grade_cells
from pipeline.settings import Settings
from pipeline.warehouse.engines import Engine

DRIFTS = "computed.van_drifts"
PARENTS = (
    "int_sibling_months", "int_numbered_scans", "int_numbered_vans", "int_cells", "computed.sibling_scores",
    "vocab.parameters", "vocab.settings",
)  # fmt: skip
DAYS_A_MONTH = 365.25 / 12
STEP_BEATS_LINE = 1.5  # proposal: a step is told instead of a slope where it leaves a third less scatter
FAR_MONTHS = 120.0  # beyond ten years no date is told
MIN_MONTHS = 6  # months with a value: fewer tell no course
RANKS_AGREE = 0.05  # a drift that the order of the van's own months does not bear out is one grade lower
POWER = 0.8  # what `detectable` promises
# One value a month: scans of one month share what the siblings did in it.
_MONTHS = """
select m.cell_no, m.van_no, m.difference, m.sibling_median, m.day, m.n_scans, m.n_siblings, m.is_fallback,
    f.scanned_at as first_seen, l.scanned_at as last_seen
from int_sibling_months as m
inner join int_numbered_scans as f on m.first_no = f.scan_no
inner join int_numbered_scans as l on m.last_no = l.scan_no
order by m.cell_no, m.van_no, m.scan_month
"""
_VANS = "select van_no, van, cohort_id from int_numbered_vans"
_MEASURES = """
select c.cell_no, c.parameter, c.state, p.unit, p.resolution, p.smallest_useful
from int_cells as c
inner join vocab.parameters as p on c.parameter = p.parameter
"""
_RANGES = """
select van, parameter, state, sibling_low - sibling_median as range_low, sibling_high - sibling_median as range_high
from computed.sibling_scores
where channel = 'level' and sibling_low is not null
"""
_KEYS = ["parameter", "state", "van"]
_NUMBERS = ["cell_no", "van_no"]
_COLUMNS = (
    "van", "cohort_id", "parameter", "state", "unit", "n_scans", "n_months", "n_siblings", "is_fallback", "first_seen", "last_seen",
    "months", "slope", "slope_low", "slope_high", "difference", "interval_low", "interval_high", "start_value",
    "end_value", "sibling_median", "sibling_low", "sibling_high", "serial_correlation", "healthy_scatter", "score",
    "df", "p", "rank_p", "q", "detectable", "tier", "reason", "is_step", "step_at", "step_size", "has_left", "leaves_at", "leaves_from",
    "leaves_to",
)  # fmt: skip

_TYPES: dict[str, type[pl.DataType] | pl.DataType] = {
    **dict.fromkeys(("van", "cohort_id", "parameter", "state", "unit", "tier", "reason"), pl.String),
    **dict.fromkeys(("n_scans", "n_months", "n_siblings"), pl.Int64),
    **dict.fromkeys(
        ("first_seen", "last_seen", "step_at", "leaves_at", "leaves_from", "leaves_to"), pl.Datetime("us")
    ),
    **dict.fromkeys(("is_fallback", "is_step", "has_left"), pl.Boolean),
}


def _reason(settings: Settings) -> pl.Expr:
    """Why a cell is not followed, in plain words; null where it is."""
    needs = settings.evidence
    return (
        pl.when(pl.col("n_scans") < needs.drift_scans)
        .then(pl.lit(f"a drift needs {needs.drift_scans} scans since the last work on the part"))
        .when((pl.col("n_months") < MIN_MONTHS) | (pl.col("months") * DAYS_A_MONTH < needs.drift_days))
        .then(pl.lit(f"a drift needs scans in {MIN_MONTHS} months over {needs.drift_days} days"))
    )


def _cells(months: pl.DataFrame, engine: Engine, settings: Settings) -> pl.DataFrame:
    """One row per cell with what it rests on, and why it is not followed where it is not."""
    cells = months.group_by(_NUMBERS, maintain_order=True).agg(
        pl.col("is_fallback").first(),
        pl.col("n_scans").sum(),
        n_months=pl.len().cast(pl.Int64),
        n_siblings=pl.col("n_siblings").median().floor().cast(pl.Int64),
        first_seen=pl.col("first_seen").min(),
        last_seen=pl.col("last_seen").max(),
        months=(pl.col("day").max() - pl.col("day").min()) / DAYS_A_MONTH,
        sibling_median=pl.col("sibling_median").last(),
    )
    vans, measures, ranges = (as_frame(engine.arrow(query)) for query in (_VANS, _MEASURES, _RANGES))
    return (
        cells.join(vans, on="van_no", how="left", maintain_order="left")
        .join(measures, on="cell_no", how="left", maintain_order="left")
        .join(ranges, on=_KEYS, how="left", maintain_order="left")
        .with_columns(reason=_reason(settings))
    )


def _floats(values: np.ndarray) -> pl.Series:
    return pl.Series(np.asarray(values, dtype=np.float64), nan_to_null=True)


def _dates(last_seen: pl.Series, months: np.ndarray) -> pl.Series:
    """Hour so many months after the last scan, finer than is known anyway; null where that is never or too far off."""
    told = np.where(months <= FAR_MONTHS, months, np.nan)
    days = pl.Series(told * DAYS_A_MONTH).fill_nan(None)
    return (last_seen + ((days * 24).round() * 3_600_000_000).cast(pl.Duration("us"))).cast(pl.Datetime("us"))


def _projection(cells: pl.DataFrame, trends: drift.Trends, end: np.ndarray) -> pl.DataFrame:
    """When the line leaves the siblings' range, and what its steepest and flattest slopes say."""
    low = cells["range_low"].cast(pl.Float64).fill_null(np.nan).to_numpy()
    high = cells["range_high"].cast(pl.Float64).fill_null(np.nan).to_numpy()
    rises = trends.slope > 0
    fast, slow = (
        np.where(rises, trends.slope_high, trends.slope_low),
        np.where(rises, trends.slope_low, trends.slope_high),
    )
    is_back = np.sign(slow) != np.sign(trends.slope)
    at = drift.time_to_edge(end, trends.slope, low, high)
    soon = drift.time_to_edge(end, fast, low, high)
    late = np.where(is_back, np.inf, drift.time_to_edge(end, slow, low, high))
    last = cells["last_seen"]
    has_left = at == 0
    at, soon, late = (np.where(has_left, np.nan, months) for months in (at, soon, late))
    return cells.with_columns(
        has_left=pl.Series(has_left),
        leaves_at=_dates(last, at),
        leaves_from=_dates(last, soon),
        leaves_to=_dates(last, late),
        sibling_low=pl.col("sibling_median") + pl.col("range_low"),
        sibling_high=pl.col("sibling_median") + pl.col("range_high"),
    )


def _steps(
    cells: pl.DataFrame, rows: pl.DataFrame, cell: np.ndarray, time: np.ndarray, value: np.ndarray
) -> pl.DataFrame:
    found = steps.locate_step(cell, time, value, len(cells))
    after = np.minimum(found.last_before + 1, max(len(rows) - 1, 0))
    return cells.with_columns(
        is_step=pl.Series(found.beats_line > STEP_BEATS_LINE),
        step_at=rows["first_seen"].gather(after.tolist()),
        step_size=_floats(found.size),
    )


@dataclass(frozen=True)
class _Series:
    """The monthly values of the cells judged, in order of cell and time (months)."""

    cell: np.ndarray
    time: np.ndarray
    value: np.ndarray

    def last_times(self) -> np.ndarray:
        """Time of the last value of every cell."""
        last: np.ndarray = self.time[np.append(np.flatnonzero(np.diff(self.cell)), len(self.cell) - 1)]
        return last


def _grades(
    cells: pl.DataFrame, judged: slopes.Slopes, rank_p: np.ndarray, total: np.ndarray, settings: Settings
) -> pl.DataFrame:
    """Add p, q, tier and the smallest drift that could have been shown; a reading's states are one matter."""
    matter, _ = encode(cells, ["van_no", "parameter"])
    q, q_matter = adjust_by_matter(judged.p, matter)
    useful = cells["smallest_useful"].cast(pl.Float64).fill_null(np.nan).to_numpy()
    tier = grade_cells(judged.p, q, total, useful, rank_p > RANKS_AGREE, rules_of(settings))
    cutoff = np.maximum(matter_cutoff(q_matter, matter, settings.tiers.finding_q), 1e-12)
    reach = z_upper(cutoff / 2) + z_upper(1 - POWER)
    return cells.with_columns(
        healthy_scatter=_floats(judged.healthy_scatter),
        score=_floats(judged.t),
        df=_floats(np.where(np.isfinite(judged.df), judged.df, np.nan)),
        p=_floats(judged.p),
        rank_p=_floats(rank_p),
        q=_floats(q),
        detectable=_floats(judged.error * cells["months"].to_numpy() * reach),
        tier=pl.Series([TIERS[t] for t in tier], dtype=pl.String),
    )


def judge(months: pl.DataFrame, cells: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Judge the cells that have enough scans; every row of `cells` has `reason` null."""
    rows = months.join(cells.select(_NUMBERS), on=_NUMBERS, how="semi", maintain_order="left")
    series = _Series(
        encode(rows, _NUMBERS)[0], rows["day"].to_numpy() / DAYS_A_MONTH, rows["difference"].to_numpy()
    )
    measure, known = encode(cells, ["cell_no"])
    least = cells["resolution"].cast(pl.Float64).fill_null(0.0).to_numpy() ** 2 / 12
    at = (series.cell, series.time, series.value)
    rho = serial_correlation(*at, measure, len(known))
    trends = drift.follow(*at, rho)
    judged = slopes.judge_slopes(*at, rho, measure, len(known), least)
    span = cells["months"].to_numpy()
    end, total = trends.intercept + trends.slope * series.last_times(), trends.slope * span
    made = cells.with_columns(
        slope=_floats(trends.slope),
        slope_low=_floats(trends.slope_low),
        slope_high=_floats(trends.slope_high),
        difference=_floats(total),
        interval_low=_floats(trends.slope_low * span),
        interval_high=_floats(trends.slope_high * span),
        start_value=_floats(end - total),
        end_value=_floats(end),
        serial_correlation=_floats(rho),
    )
    made = _grades(made, judged, trends.p, total, settings)
    return _steps(_projection(made, trends, end), rows, *at)


def find_drifts(engine: Engine, settings: Settings) -> pl.DataFrame:
    """Return one row per van x parameter x state that has siblings to be followed against."""
    months = as_frame(engine.arrow(_MONTHS))
    cells = _cells(months, engine, settings)
    followed = cells.filter(pl.col("reason").is_null())
    rest = cells.filter(pl.col("reason").is_not_null()).with_columns(tier=pl.lit("not_enough_evidence"))
    parts = [judge(months, followed, settings), rest] if len(followed) else [rest]
    made = pl.concat(parts, how="diagonal_relaxed")
    made = made.with_columns(**{c: pl.lit(None) for c in _COLUMNS if c not in made.columns})
    return made.select(pl.col(c).cast(_TYPES.get(c, pl.Float64)) for c in _COLUMNS).sort(_KEYS)


def write_drifts(engine: Engine, settings: Settings) -> None:
    """Write `computed.van_drifts`; Benjamini and Hochberg's correction runs once over all cells judged."""
    engine.write(DRIFTS, find_drifts(engine, settings).to_arrow())
