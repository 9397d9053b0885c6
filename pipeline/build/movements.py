"""How unsteady readings are, and how far they go between states: per van, reader and season taken off, for the score."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.build.codes import IntArray, as_frame, encode
from pipeline.build.effects import reader_components
from pipeline.build.levels import read_scans
from pipeline.compare.effects import LINKED, fit_visits
from pipeline.compare.effects_design import FloatArray, dense_codes
from pipeline.compare.segments import starts_of
from pipeline.warehouse.engines import Engine

PARENTS = (
    "int_numbered_values", "int_window_bounds", "int_numbered_scans", "int_numbered_vans", "int_cells",
    "vocab.parameters",
)  # fmt: skip
# Only the level window of a van counts.
_VALUES = """
select s.place - 1 as scan, n.cell_no - 1 as cell, n.spread, n.step
from int_numbered_values as n
inner join int_numbered_scans as s on n.scan_no = s.scan_no
inner join int_window_bounds as b
    on s.van_no = b.van_no and n.cell_no = b.cell_no and n.scan_no >= b.from_no and n.scan_no <= b.to_no
where b.window_name = 'level' and s.reader is not null and (n.spread is not null or n.step is not null)
"""
_VANS = "select van, cohort_id, family_id from int_numbered_vans order by van_no"
_CELLS = """
select c.parameter, c.state, p.unit, p.resolution, p.smallest_useful
from int_cells as c
inner join vocab.parameters as p on c.parameter = p.parameter
order by c.cell_no
"""
LEAST_RATIO = 1.5  # smallest useful ratio of one van's spread to its siblings'; a proposal
LOG_STEP = 0.05  # steps of the logarithm of a spread: finer differences are not told apart; a proposal


@dataclass(frozen=True)
class _Visits:
    """Values of one measure averaged over a van's scans by one reader in one month.

    Parameters
    ----------
    measure, visit : (rows,) int
        Measure, and van x reader x month; sorted by both.
    mean, squares : (rows,) float
        Mean of the scans' values and the sum of their squares about it, in the measure's unit and its square.
    n : (rows,) int
        Scans.
    row : (scans x measures,) int
        Row that each scan's value went into.
    """

    measure: IntArray
    visit: IntArray
    mean: FloatArray
    squares: FloatArray
    n: IntArray
    row: IntArray


def _average(measure: IntArray, visit: IntArray, value: FloatArray) -> _Visits:
    """Average the values of scans, shape (scans x measures,)."""
    visits = int(visit.max(initial=0)) + 1
    row, known = dense_codes(measure * visits + visit)
    n = np.bincount(row, minlength=len(known))
    mean = np.bincount(row, value, len(known)) / n
    squares = np.bincount(row, (value - mean[row]) ** 2, len(known)).astype(np.float64)
    return _Visits(known // visits, known % visits, mean, squares, n, row)


def _adjust(rows: _Visits, visits: pl.DataFrame) -> tuple[FloatArray, IntArray, NDArray[np.str_], FloatArray]:
    """Take season and reader off; return the means left, the components of their readers, and the variance factors.

    Component 0 is that of the measure's reader with most vans; the names of the others come before the factors.
    """
    van, month, reader, family = (visits[name].to_numpy() for name in ("van", "month", "reader", "family"))
    effects = fit_visits(
        rows.mean, rows.measure, rows.visit, rows.n, van=van, month=month, reader=reader, family=family
    )
    components = reader_components(effects)
    apart = np.unique(components[components != LINKED])
    code = np.where(components == LINKED, 0, 1 + np.searchsorted(apart, components))
    component = np.zeros((int(rows.measure.max()) + 1, int(reader.max()) + 1), np.int64)
    component[effects.readers.measure, effects.readers.reader] = code
    factor = np.ones(len(component))
    factor[effects.measures] = effects.variance_factor
    return effects.adjusted, component[rows.measure, reader[rows.visit]], apart, factor


def _is_compared(rows: _Visits, visits: pl.DataFrame, component: IntArray) -> NDArray[np.bool_]:
    """Mark what was read by readers that can be compared with those of most vans of the cohort (as in int_reader_links)."""
    if not component.any():
        return np.ones(len(component), np.bool_)
    van, cohort = (visits[name].to_numpy()[rows.visit] for name in ("van", "cohort"))
    group, _ = dense_codes(rows.measure * (int(cohort.max()) + 1) + cohort)
    components = int(component.max()) + 1
    part, parts = dense_codes(group * components + component)
    of_group, of_component = np.divmod(parts, components)
    n_scans = np.bincount(part, rows.n)
    vans = int(van.max()) + 1
    n_vans = np.bincount(np.unique(part * vans + van) // vans)
    order = np.lexsort((of_component, -n_scans, -n_vans, of_group))
    is_main = np.zeros(len(parts), np.bool_)
    is_main[order[starts_of(of_group[order])]] = True
    return is_main[part]


@dataclass(frozen=True)
class _Means:
    """One row per measure x van: scans that can be compared, their mean, and the variance between them; nan for none.

    `component` is that of the readers compared, `pair` the row that each row of the visits went into.
    """

    measure: IntArray
    van: IntArray
    m: IntArray
    y: FloatArray
    s2: FloatArray
    component: IntArray
    pair: IntArray


def _sum_vans(rows: _Visits, visits: pl.DataFrame, adjusted: FloatArray, component: IntArray) -> _Means:
    """Sum what readers that can be compared have read of each van; `adjusted` and `component` stand by `rows`."""
    van = visits["van"].to_numpy()[rows.visit]
    is_compared = _is_compared(rows, visits, component)
    vans = int(van.max(initial=0)) + 1
    pair, pairs = dense_codes(rows.measure * vans + van)
    weight = np.where(is_compared, rows.n, 0)
    m = np.bincount(pair, weight, len(pairs)).astype(np.int64)
    y, s2 = np.full((2, len(pairs)), np.nan)
    np.divide(np.bincount(pair, weight * adjusted, len(pairs)), m, out=y, where=m > 0)
    about = np.where(is_compared, rows.squares + rows.n * (adjusted - y[pair]) ** 2, 0.0)
    np.divide(np.bincount(pair, about, len(pairs)), m - 1, out=s2, where=m > 1)
    known = np.zeros(len(pairs), np.int64)
    known[pair[is_compared]] = component[is_compared]
    return _Means(pairs // vans, pairs % vans, m, y, s2, known, pair)


def _seen(key: IntArray, scan: IntArray, keys: int) -> tuple[IntArray, IntArray]:
    """First and last scan of every key; scans are numbered in order of time."""
    first, last = np.full(keys, np.iinfo(np.int64).max), np.full(keys, -1)
    np.minimum.at(first, key, scan)
    np.maximum.at(last, key, scan)
    return first, last


def read_names(engine: Engine) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return vans and cells (parameter and state) in order of their numbers, which count from 0 here."""
    return as_frame(engine.arrow(_VANS)), as_frame(engine.arrow(_CELLS))


def read_movements(engine: Engine, vans: pl.DataFrame, n_cells: int) -> pl.DataFrame:
    """Return one row per channel x van x cell, numbers as in `read_names`, with the columns of levels that are scored.

    `vans` are those of `read_names`. `window_name` is the channel. For spread, y and s2 are of the logarithm. y is null
    where only readers were used that share no van with those of most siblings.
    """
    wide = as_frame(engine.arrow(_VALUES))
    values = pl.concat(
        wide.select("scan", "cell", value=channel, is_step=pl.lit(channel == "step")).drop_nulls("value")
        for channel in ("spread", "step")
    )
    if values.is_empty():
        return pl.DataFrame()
    scan, cell, is_step = (values[name].cast(pl.Int64).to_numpy() for name in ("scan", "cell", "is_step"))
    measure, measures = dense_codes(is_step * n_cells + cell)
    scans = read_scans(engine).with_columns(van=pl.col("van_no") - 1)
    visit, visits = encode(scans, ["family_id", "van", "month", "reader"])
    visits = visits.with_columns(
        reader=pl.Series(encode(visits, ["reader"])[0]),
        family=pl.Series(encode(visits, ["family_id"])[0]),
        cohort=pl.Series(encode(vans, ["cohort_id"])[0]).gather(visits["van"]),
    )
    rows = _average(measure, visit[scan], values["value"].to_numpy())
    adjusted, component, apart, factor = _adjust(rows, visits)
    means = _sum_vans(rows, visits, adjusted, component)
    first, last = _seen(means.pair[rows.row], scan, len(means.m))
    is_step, cell = np.divmod(measures[means.measure], n_cells)
    return pl.DataFrame(
        {
            "window_name": pl.Series(["spread", "step"]).gather(is_step),
            "van": means.van,
            "cell": cell,
            "y": pl.Series(means.y, nan_to_null=True),
            "m": means.m,
            "s2": pl.Series(means.s2, nan_to_null=True),
            "first_at": scans["scanned_at"].gather(first),
            "last_at": scans["scanned_at"].gather(last),
            "is_reader_linked": means.m > 0,
            "component": pl.Series([None, *apart.tolist()], dtype=pl.String).gather(means.component),
            "variance_factor": factor[means.measure],
        }
    ).with_columns(reset_by=pl.lit(None, pl.String))
