"""Computed table `computed.van_drifts`: how each van moves away from its siblings, month by month."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.build.codes import as_frame, encode
from pipeline.build.scores import rules_of
from pipeline.compare import drift, slopes, steps
from pipeline.compare.distributions import t_quantile, z_upper
from pipeline.compare.multiplicity import adjust_by_matter, matter_cutoff
from pipeline.compare.segments import segment_medians, starts_of
from pipeline.compare.serial import fit_lines, serial_correlation
from pipeline.compare.tiers import TIERS, grade_cells
from pipeline.settings import Settings
from pipeline.warehouse.engines import Engine

DRIFTS = "computed.van_drifts"
PARENTS = (
    "int_sibling_months", "int_numbered_scans", "int_numbered_vans", "int_cells", "vocab.parameters", "vocab.settings",
)  # fmt: skip
DAYS_A_MONTH = 365.25 / 12
STEP_BEATS_LINE = 1.5  # proposal: a step is told instead of a slope where it leaves a third less scatter
MIN_MONTHS = 6  # months with a value: fewer tell no course
RANKS_AGREE = 0.05  # a drift that the order of the van's own months does not bear out is one grade lower
FINEST = 1e-6  # steps of a reading below which months do not differ
SIDE = 0.975  # of intervals of 95 %
POWER = 0.8  # what `detectable` promises
# One value a month: scans of one month share what the siblings did in it.
_MONTHS = """
select cell_no, van_no, first_no, last_no, difference, sibling_median, day, n_scans, n_siblings, is_fallback
from int_sibling_months
"""
_SCANS = "select scan_no, scanned_at from int_numbered_scans order by scan_no"
_VANS = "select van_no, van, cohort_id from int_numbered_vans"
_MEASURES = """
select c.cell_no, c.parameter, c.state, p.unit, p.resolution, p.smallest_useful
from int_cells as c
inner join vocab.parameters as p on c.parameter = p.parameter
"""
_COLUMNS = (
    "van", "cohort_id", "parameter", "state", "van_no", "cell_no", "unit", "n_scans", "n_months", "n_siblings", "is_fallback", "first_seen", "last_seen",
    "months", "slope", "slope_low", "slope_high", "difference", "interval_low", "interval_high", "start_value",
    "end_value", "sibling_median", "serial_correlation", "healthy_scatter", "score", "df", "p", "rank_p", "q",
    "detectable", "tier", "reason", "is_step", "step_at", "step_size",
    "step_low", "step_high", "step_end",
)  # fmt: skip
_TYPES: dict[str, type[pl.DataType] | pl.DataType] = {
    **dict.fromkeys(("van", "cohort_id", "parameter", "state", "unit", "tier", "reason"), pl.String),
    "van_no": pl.Int32,
    "cell_no": pl.Int16,
    **dict.fromkeys(("n_scans", "n_months", "n_siblings"), pl.Int64),
    **dict.fromkeys(("first_seen", "last_seen", "step_at"), pl.Datetime("us")),
    **dict.fromkeys(("is_fallback", "is_step"), pl.Boolean),
}


@dataclass(frozen=True)
class _Months:
    """What vans were off month by month: the months of a cell side by side in order of time.

    Parameters
    ----------
    columns : dict of (rows,) array
        Of `int_sibling_months`.
    starts, n : (cells,) int
        First row of each cell, and how many it has.
    """

    columns: dict[str, np.ndarray]
    starts: np.ndarray
    n: np.ndarray

    def first(self, name: str) -> np.ndarray:
        """A column at the first month of each cell."""
        return np.asarray(self.columns[name][self.starts])

    def last(self, name: str) -> np.ndarray:
        """A column at the last month of each cell."""
        return np.asarray(self.columns[name][self.starts + self.n - 1])

    def of(self, cells: np.ndarray) -> _Months:
        """The months of those cells (bool) alone."""
        rows, n = np.repeat(cells, self.n), self.n[cells]
        return _Months({name: values[rows] for name, values in self.columns.items()}, np.cumsum(n) - n, n)


def _read_months(engine: Engine) -> _Months:
    """Numbers are sorted faster here than rows are by a query."""
    frame = as_frame(engine.arrow(_MONTHS))
    columns = {name: frame[name].to_numpy() for name in frame.columns}
    vans, scans = (int(columns[name].max(initial=0)) + 1 for name in ("van_no", "first_no"))
    cell = columns["cell_no"].astype(np.int64) * vans + columns["van_no"]
    order = np.argsort(cell * scans + columns["first_no"])
    starts = starts_of(cell[order])
    return _Months(
        {name: values[order] for name, values in columns.items()}, starts, np.diff(starts, append=len(cell))
    )


def _reason(settings: Settings) -> pl.Expr:
    """Why a cell is not followed, in plain words; null where it is."""
    needs = settings.evidence
    return (
        pl.when(pl.col("n_scans") < needs.drift_scans)
        .then(pl.lit(f"a drift needs {needs.drift_scans} scans since the last work on the part"))
        .when((pl.col("n_months") < MIN_MONTHS) | (pl.col("months") * DAYS_A_MONTH < needs.drift_days))
        .then(pl.lit(f"a drift needs scans in {MIN_MONTHS} months over {needs.drift_days} days"))
    )


def _cells(months: _Months, scans: pl.DataFrame, engine: Engine, settings: Settings) -> pl.DataFrame:
    """One row per cell with what it rests on, and why it is not followed where it is not."""
    n_siblings = segment_medians(months.columns["n_siblings"].astype(np.float64), months.starts)
    cells = pl.DataFrame(
        {
            "cell_no": months.first("cell_no"),
            "van_no": months.first("van_no"),
            "is_fallback": months.first("is_fallback"),
            "n_scans": np.add.reduceat(months.columns["n_scans"], months.starts),
            "n_months": months.n,
            "n_siblings": np.floor(n_siblings),
            "first_seen": _seen(scans, months.first("first_no")),
            "last_seen": _seen(scans, months.last("last_no")),
            "months": (months.last("day") - months.first("day")) / DAYS_A_MONTH,
            "sibling_median": months.last("sibling_median"),
        }
    )
    vans, measures = (as_frame(engine.arrow(query)) for query in (_VANS, _MEASURES))
    return (
        cells.join(vans, on="van_no", how="left", maintain_order="left")
        .join(measures, on="cell_no", how="left", maintain_order="left")
        .with_columns(reason=_reason(settings))
    )


def _seen(scans: pl.DataFrame, scan_no: np.ndarray) -> pl.Series:
    """When the scans of those numbers were made."""
    return scans["scanned_at"].gather(np.searchsorted(scans["scan_no"].to_numpy(), scan_no))


def _floats(values: np.ndarray) -> pl.Series:
    return pl.Series(np.asarray(values, dtype=np.float64), nan_to_null=True)


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


def judge(months: _Months, cells: pl.DataFrame, scans: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Judge the cells that have enough scans, whose months these are; every row of `cells` has `reason` null."""
    time = months.columns["day"] / DAYS_A_MONTH
    cell = np.repeat(np.arange(len(cells)), months.n)
    resolution = cells["resolution"].cast(pl.Float64).fill_null(0.0).to_numpy()
    value = drift.rounded(months.columns["difference"], resolution[cell] * FINEST)
    lines = fit_lines(cell, time, value, len(cells))
    known, measure = np.unique(cells["cell_no"], return_inverse=True)
    rho = serial_correlation(cell, time, lines, measure, len(known))
    trends = drift.follow(cell, time, value, rho)
    judged = slopes.judge_slopes(cell, lines, rho, measure, len(known), resolution**2 / 12)
    span = cells["months"].to_numpy()
    end, total = trends.intercept + trends.slope * months.last("day") / DAYS_A_MONTH, trends.slope * span
    step = steps.locate_step(cell, lines, rho)
    reach = t_quantile(SIDE, step.df) * step.error
    mean = np.bincount(cell, value, len(cells)) / months.n
    after = months.columns["first_no"][np.minimum(step.last_before + 1, len(time) - 1)]
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
        is_step=pl.Series(step.beats_line > STEP_BEATS_LINE),
        step_at=_seen(scans, after),
        step_size=_floats(step.size),
        step_low=_floats(step.size - reach),
        step_high=_floats(step.size + reach),
        step_end=_floats(mean + step.size * step.share_before),
    )
    return _grades(made, judged, trends.p, total, settings)


def find_drifts(engine: Engine, settings: Settings) -> pl.DataFrame:
    """Return one row per van x parameter x state that has siblings to be followed against."""
    months, scans = _read_months(engine), as_frame(engine.arrow(_SCANS))
    cells = _cells(months, scans, engine, settings)
    is_followed = cells["reason"].is_null()
    rest = cells.filter(~is_followed).with_columns(tier=pl.lit("not_enough_evidence"))
    followed = months.of(is_followed.to_numpy())
    parts = [judge(followed, cells.filter(is_followed), scans, settings), rest] if len(followed.n) else [rest]
    made = pl.concat(parts, how="diagonal_relaxed")
    made = made.with_columns(**{c: pl.lit(None) for c in _COLUMNS if c not in made.columns})
    return made.select(pl.col(c).cast(_TYPES.get(c, pl.Float64)) for c in _COLUMNS)


def write_drifts(engine: Engine, settings: Settings) -> None:
    """Write `computed.van_drifts`; Benjamini and Hochberg's correction runs once over all cells judged."""
    engine.write(DRIFTS, find_drifts(engine, settings).to_arrow())
