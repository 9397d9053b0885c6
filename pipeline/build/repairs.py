"""Computed table `computed.repairs`: every piece of work x reading x state, with the verdict on whether it held."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.build.codes import as_frame, encode
from pipeline.columns import table
from pipeline.compare.distributions import t_tail
from pipeline.compare.repairs import (
    REASONS,
    VERDICTS,
    Against,
    Evidence,
    Members,
    expected_return,
    judge,
    set_against,
    window_means,
)
from pipeline.compare.score import pooled_within_variance
from pipeline.findings import repairs
from pipeline.settings import Settings
from pipeline.warehouse.engines import Engine

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

REPAIRS = "computed.repairs"
PARENTS = (
    "int_repair_windows", "int_compared_scans", "int_part_work", "int_exposure_shifts", "van_levels", "stg_vans", "stg_work",
    "computed.variance_factors", "vocab.parameters", "vocab.settings",
)  # fmt: skip
MOST_LENDERS = 4  # cohorts that lend their variance to one case: more cost time and hardly steady it
_CASES = """
select w.*, f.relearn, v.cohort_id,
    case when c.component <> 'linked' then concat(v.family_id, ' ', c.component) else v.family_id end as family_id,
    p.unit, coalesce(p.resolution, 0) as resolution, coalesce(p.smallest_useful, 0) as smallest_useful
from int_repair_windows as w
inner join vocab.parameters as p on w.parameter = p.parameter
left join stg_vans as v on w.van = v.van
left join (
    select k.van, k.at as worked_at, k.what, coalesce(k.part, '') as part, max(k.relearn) as relearn
    from stg_work as k group by k.van, k.at, k.what, coalesce(k.part, '')
) as f on w.van = f.van and w.worked_at = f.worked_at and w.what = f.what and coalesce(w.part, '') = f.part
left join (
    select van, parameter, state, max(component) as component from int_compared_scans
    where is_linked group by van, parameter, state
) as c on w.van = c.van and w.parameter = c.parameter and w.state = c.state
order by w.van, w.worked_at, w.what, w.part, w.parameter, w.state
"""
_SCANS = """
select s.van, s.cohort_id,
    case when s.component <> 'linked' then concat(s.family_id, ' ', s.component) else s.family_id end as family_id,
    s.parameter, s.state, cast(s.scanned_at as date) as scan_day,
    s.value_adjusted - coalesce(e.shift, 0) as value
from int_compared_scans as s
left join int_exposure_shifts as e
    on s.van = e.van and s.parameter = e.parameter and s.state = e.state
    and cast(s.scanned_at as date) >= e.span_from and cast(s.scanned_at as date) < e.span_to
where s.is_linked and s.parameter in (select distinct parameter from int_repair_windows)
order by s.parameter, s.state, s.van, s.scanned_at, s.scan_key
"""
_WORK = "select distinct van, parameter, cast(w.at as date) as work_day from int_part_work as w order by parameter, van, work_day"
_SCATTER = """
select v.parameter, v.state, v.s2, v.m, coalesce(f.factor, 1) as factor
from van_levels as v
left join computed.variance_factors as f on v.parameter = f.parameter and v.state = f.state
where v.window_name <> 'level' and v.s2 is not null
order by v.parameter, v.state, v.van, v.window_name
"""
_COLUMNS: dict[str, pa.DataType] = {
    **{n: pa.string() for n in ("van",)},
    "worked_at": pa.timestamp("us"),
    **{n: pa.string() for n in ("what", "part", "parameter", "state", "unit", "cohort_id")},
    "is_fallback": pa.bool_(),
    **{n: pa.int64() for n in ("n_before", "n_after", "n_late", "n_needed", "n_over_work", "n_same_day")},
    "next_work": pa.date32(),
    **{
        n: pa.float64()
        for n in (
            "before_value", "after_value", "sibling_before", "sibling_after", "before_difference", "before_p",
            "after_difference", "after_p", "after_low", "after_high", "late_difference", "late_p", "effect",
            "effect_low", "effect_high", "effect_t", "effect_df", "effect_p", "effect_q", "after_q",
            "expected_return", "beyond_p",
        )
    },
    **{n: pa.int64() for n in ("n_siblings", "n_left_out")},
    **{n: pa.date32() for n in ("own_from", "work_day", "own_to")},
    **{n: pa.string() for n in ("verdict", "reason", "claim", "rivals", "next_check")},
}  # fmt: skip
_EPOCH = pl.date(1990, 1, 1)


@dataclass(frozen=True)
class _Scans:
    """Scan values as numbered series, one per van x parameter x state, and the series' vans."""

    series: Ints
    day: Ints
    value: Floats
    known: pl.DataFrame


@dataclass(frozen=True)
class _Side:
    """Scans and mean in one window, of vans or of siblings."""

    n: Ints
    mean: Floats


def _days(column: str) -> pl.Expr:
    """Days since 1990 of a date; windows that do not exist lie before any scan."""
    return (pl.col(column) - _EPOCH).dt.total_days().cast(pl.Int64).fill_null(0)


def _read_scans(engine: Engine) -> _Scans:
    frame = as_frame(engine.arrow(_SCANS)).with_columns(day=_days("scan_day"))
    series, known = encode(frame, ["van", "cohort_id", "family_id", "parameter", "state"])
    known = known.with_columns(series=pl.int_range(pl.len(), dtype=pl.Int64))
    return _Scans(series, frame["day"].to_numpy(), frame["value"].to_numpy(), known)


def _pair_up(cases: pl.DataFrame, known: pl.DataFrame) -> pl.DataFrame:
    """Return one row per case and van it may be held against: `group` 0 its own cohort, else a lending cohort.

    Lenders are the cohorts with the same reading, those of its family first.
    """
    on = ["parameter", "state"]
    cohorts = known.filter(pl.col("cohort_id").is_not_null()).select(*on, "cohort_id", "family_id").unique()
    lending = (
        cases.select("case", *on, "cohort_id", "family_id")
        .join(cohorts, on=on, how="inner", suffix="_of")
        .with_columns(
            group=pl.when(pl.col("cohort_id") == pl.col("cohort_id_of"))
            .then(0)
            .when(pl.col("family_id") == pl.col("family_id_of"))
            .then(1)
            .otherwise(2)
        )
        .sort("case", "group", "cohort_id_of", "family_id_of")
        .unique(["case", "cohort_id_of"], keep="first", maintain_order=True)
        .with_columns(place=pl.int_range(pl.len()).over("case"))
        .filter((pl.col("group") == 0) | (pl.col("place") <= MOST_LENDERS))
        .with_columns(
            group=pl.when(pl.col("group") == 0).then(0).otherwise(pl.col("place") + 1).cast(pl.Int64)
        )
    )
    return lending.select("case", *on, pl.col("cohort_id_of").alias("cohort_id"), "group").join(
        known.filter(pl.col("cohort_id").is_not_null()), on=[*on, "cohort_id"], how="inner"
    )


def _family(cases: pl.DataFrame, known: pl.DataFrame) -> pl.DataFrame:
    """Return the vans of all model years for the cases given, as group 0."""
    on = ["parameter", "state", "family_id"]
    return cases.select("case", *on).join(known, on=on, how="inner").with_columns(group=pl.lit(0, pl.Int64))


def _with_windows(
    pairs: pl.DataFrame, cases: pl.DataFrame, scans: _Scans, work: pl.DataFrame
) -> pl.DataFrame:
    """Add each van's scans and mean on both sides and late; leave out the case's own van; mark vans with work."""
    windows = cases.select(
        "case", own=pl.col("van"),
        **{c: _days(c) for c in ("before_from", "before_to", "after_from", "after_to", "late_from")},
    )  # fmt: skip
    pairs = pairs.join(windows, on="case", how="left").filter(pl.col("van") != pl.col("own"))
    found: dict[str, pl.Series] = {}
    for name, start, end in (
        ("before", "before_from", "before_to"),
        ("after", "after_from", "after_to"),
        ("late", "late_from", "after_to"),
    ):
        side = _side(scans, pairs, start, end)
        found |= {f"n_{name}": pl.Series(side.n), name: pl.Series(side.mean)}
    return pairs.with_columns(**found).with_columns(had_work=pl.Series(_had_work(pairs, work)))


def _side(scans: _Scans, rows: pl.DataFrame, start: str, end: str) -> _Side:
    first, last = rows[start].to_numpy(), rows[end].to_numpy()
    return _Side(*window_means(scans.series, scans.day, scans.value, rows["series"].to_numpy(), first, last))


def _had_work(pairs: pl.DataFrame, work: pl.DataFrame) -> NDArray[np.bool_]:
    """Whether a van had work on the part between the first scan before and the last scan after."""
    keys = (
        pl.concat([pairs.select("van", "parameter"), work.select("van", "parameter")]).unique().sort(pl.all())
    )
    keys = keys.with_columns(line=pl.int_range(pl.len(), dtype=pl.Int64))
    lines = work.join(keys, on=["van", "parameter"], how="left", maintain_order="left")["line"].to_numpy()
    mine = pairs.join(keys, on=["van", "parameter"], how="left", maintain_order="left")["line"].to_numpy()
    day = work.select(day=_days("work_day"))["day"].to_numpy()
    n, _ = window_means(
        lines, day, np.zeros(len(day)), mine, pairs["before_from"].to_numpy(), pairs["after_to"].to_numpy()
    )
    return n > 0


def _within(engine: Engine, cases: pl.DataFrame) -> Floats:
    """Pooled variance of one scan within a van, per case."""
    scatter = as_frame(engine.arrow(_SCATTER))
    measure, known = encode(scatter, ["parameter", "state"])
    pooled = pooled_within_variance(scatter["s2"].to_numpy(), scatter["m"].to_numpy(), measure, len(known))
    factor = scatter.group_by("parameter", "state").agg(pl.col("factor").first())
    known = known.with_columns(w2=pl.Series(pooled)).join(factor, on=["parameter", "state"], how="left")
    both = cases.join(known, on=["parameter", "state"], how="left", maintain_order="left")
    return (both["w2"] * both["factor"]).fill_null(0.0).fill_nan(0.0).to_numpy()


def _members(pairs: pl.DataFrame, value: pl.Expr, inverse: pl.Expr) -> Members:
    kept = pairs.select("case", "group", value=value, inverse=inverse).filter(pl.col("value").is_finite())
    return Members(
        kept["case"].to_numpy(), kept["group"].cast(pl.Int64).to_numpy(), kept["value"].to_numpy(), kept["inverse"].to_numpy()
    )  # fmt: skip


def _compare(
    cases: pl.DataFrame, pairs: pl.DataFrame, scans: _Scans, w2: Floats
) -> tuple[Evidence, dict[str, Any]]:
    """Set each case's van against its siblings before, after, late, and by its change."""
    floor = cases["resolution"].to_numpy() / np.sqrt(12.0)
    stands_in = cases["is_fallback"].to_numpy()
    own = cases.with_columns(
        start=_days("own_from"), day=_days("work_day"), after=_days("work_day") + 1, end=_days("own_to") + 1,
        late=_days("late_from"),
    ).with_columns(late=pl.when(pl.col("late_from").is_null()).then("end").otherwise("late"))  # fmt: skip
    before, after, late = (
        _side(scans, own, *ends) for ends in (("start", "day"), ("after", "end"), ("late", "end"))
    )
    inverse = {
        name: 1 / np.maximum(s.n, 1.0) for name, s in (("before", before), ("after", after), ("late", late))
    }

    def against(value: Floats, weight: Floats, members: Members) -> Against:
        return set_against(value, weight, members, w2, floor, stands_in)

    sides = {
        name: against(side.mean, inverse[name], _members(pairs, pl.col(name), 1 / pl.col(f"n_{name}")))
        for name, side in (("before", before), ("after", after), ("late", late))
    }
    shift = _members(
        pairs, pl.col("after") - pl.col("before"), 1 / pl.col("n_before") + 1 / pl.col("n_after")
    )
    effect = against(after.mean - before.mean, inverse["before"] + inverse["after"], shift)
    back = expected_return(
        sides["before"].difference, sides["before"].between, w2, before.n.astype(np.float64)
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        beyond_p = 2 * t_tail(np.abs(effect.difference - back) / effect.spread, effect.df)
    evidence = Evidence(
        sides["before"], sides["after"], sides["late"], effect, beyond_p, before.n, after.n,
        cases["next_work"].is_not_null().to_numpy(), cases["smallest_useful"].to_numpy(),
    )  # fmt: skip
    late_n = np.where(cases["late_from"].is_null().to_numpy(), 0, late.n)
    return evidence, {
        "before_value": before.mean,
        "after_value": after.mean,
        "expected_return": back,
        "n_late": late_n,
    }


def judge_repairs(engine: Engine, settings: Settings) -> pl.DataFrame:
    """Return one row per piece of work x reading x state with its evidence and verdict."""
    cases = as_frame(engine.arrow(_CASES))
    if cases.is_empty():
        return as_frame(table([], pa.schema(list(_COLUMNS.items()))))
    cases = cases.with_columns(case=pl.int_range(pl.len(), dtype=pl.Int64))
    scans = _read_scans(engine)
    cases = cases.join(
        scans.known.select("van", "parameter", "state", "series"),
        on=["van", "parameter", "state"],
        how="left",
        maintain_order="left",
    )
    work = as_frame(engine.arrow(_WORK))
    both = pl.col("before").is_finite() & pl.col("after").is_finite()
    pairs = _with_windows(_pair_up(cases, scans.known), cases, scans, work)
    usable = pairs.filter(both & ~pl.col("had_work"))
    enough = (
        usable.filter(pl.col("group") == 0)
        .group_by("case")
        .len()
        .filter(pl.col("len") >= settings.evidence.min_siblings)
    )
    cases = cases.with_columns(is_fallback=~pl.col("case").is_in(enough["case"].to_list()))
    wide = _with_windows(_family(cases.filter("is_fallback"), scans.known), cases, scans, work)
    stands_in = pl.col("case").is_in(wide["case"].unique().to_list())
    pairs = pl.concat([pairs.filter(~stands_in | (pl.col("group") > 0)), wide.select(pairs.columns)])
    left_out = (
        pairs.filter(both & pl.col("had_work") & (pl.col("group") == 0)).group_by("case").len("n_left_out")
    )
    evidence, more = _compare(cases, pairs.filter(both & ~pl.col("had_work")), scans, _within(engine, cases))
    return _as_rows(
        cases.join(left_out, on="case", how="left", maintain_order="left"), evidence, more, settings
    )


def _as_rows(cases: pl.DataFrame, seen: Evidence, more: dict[str, Any], settings: Settings) -> pl.DataFrame:
    """Return cases, evidence and verdict as columns of the table; nan becomes null."""
    least = settings.repairs.min_scans_each_side
    judged = judge(seen, least, most_q=settings.tiers.likely_q)
    numbers = {
        "before_value": more["before_value"], "after_value": more["after_value"],
        "sibling_before": seen.before.expected, "sibling_after": seen.after.expected,
        "before_difference": seen.before.difference, "before_p": seen.before.p,
        "after_difference": seen.after.difference, "after_p": seen.after.p,
        "after_low": seen.after.sibling_low, "after_high": seen.after.sibling_high,
        "late_difference": np.where(more["n_late"] > 0, seen.late.difference, np.nan),
        "late_p": np.where(more["n_late"] > 0, seen.late.p, np.nan),
        "effect": seen.effect.difference, "effect_low": seen.effect.low, "effect_high": seen.effect.high,
        "effect_t": seen.effect.t, "effect_df": seen.effect.df, "effect_p": seen.effect.p,
        "effect_q": judged.effect_q, "after_q": judged.after_q,
        "expected_return": more["expected_return"], "beyond_p": seen.beyond_p,
    }  # fmt: skip
    return cases.with_columns(
        n_before=pl.Series(seen.n_before),
        n_after=pl.Series(seen.n_after),
        n_late=pl.Series(more["n_late"]),
        n_needed=pl.lit(least),
        n_siblings=pl.Series(seen.effect.n_siblings),
        n_left_out=pl.col("n_left_out").fill_null(0),
        verdict=pl.Series(np.array(VERDICTS)[judged.verdict]),
        reason=pl.Series(np.array(REASONS)[judged.reason]),
        **{name: pl.Series(np.asarray(v, np.float64)).fill_nan(None) for name, v in numbers.items()},
    )


def _with_words(rows: pl.DataFrame) -> pl.DataFrame:
    """Add claim, rivals (a JSON list) and next check, so that findings, pages and print say the same."""
    if rows.is_empty():
        return rows
    told = rows.to_dicts()
    return rows.with_columns(
        claim=pl.Series([repairs.say_repair(r) for r in told]),
        rivals=pl.Series([json.dumps(list(repairs.rivals_of(r)), ensure_ascii=False) for r in told]),
        next_check=pl.Series([repairs.next_check_of(r) for r in told]),
    )


def write_repairs(engine: Engine, settings: Settings) -> None:
    """Write `computed.repairs`."""
    rows = _with_words(judge_repairs(engine, settings))
    engine.write(REPAIRS, rows.select(list(_COLUMNS)).to_arrow().cast(pa.schema(list(_COLUMNS.items()))))
