"""Computed table `computed.repairs`: every piece of work x reading x state, with the verdict on whether it held."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import polars as pl
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.build.codes import as_frame, encode
from pipeline.build.repair_windows import (
    Scans,
    days_of,
    members_of,
    pair_up,
    pair_with_family,
    read_scans,
    side_of,
    with_windows,
)
from pipeline.columns import table
from pipeline.compare.distributions import t_tail
from pipeline.compare.repair_verdicts import REASONS, VERDICTS, Evidence, judge
from pipeline.compare.repairs import Against, Members, expected_return, set_against
from pipeline.compare.score import pooled_within_variance
from pipeline.findings import repair_words
from pipeline.settings import Settings
from pipeline.warehouse.engines import Engine

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

REPAIRS = "computed.repairs"
PARENTS = (
    "int_repair_windows", "int_followed_scans", "int_reader_links", "int_numbered_scans", "int_numbered_vans", "int_cells",
    "int_part_work", "van_levels", "stg_vans", "stg_work", "computed.variance_factors", "vocab.parameters", "vocab.settings",
)  # fmt: skip
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
    select n.van, m.parameter, m.state, max(l.component) as component
    from int_reader_links as l
    inner join int_numbered_vans as n on l.van_no = n.van_no
    inner join int_cells as m on l.cell_no = m.cell_no
    where l.is_linked
    group by n.van, m.parameter, m.state
) as c on w.van = c.van and w.parameter = c.parameter and w.state = c.state
order by w.van, w.worked_at, w.what, w.part, w.parameter, w.state
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


def _within(engine: Engine, cases: pl.DataFrame) -> Floats:
    """Pooled variance of one scan within a van, per case."""
    scatter = as_frame(engine.arrow(_SCATTER))
    measure, known = encode(scatter, ["parameter", "state"])
    pooled = pooled_within_variance(scatter["s2"].to_numpy(), scatter["m"].to_numpy(), measure, len(known))
    factor = scatter.group_by("parameter", "state").agg(pl.col("factor").first())
    known = known.with_columns(w2=pl.Series(pooled)).join(factor, on=["parameter", "state"], how="left")
    both = cases.join(known, on=["parameter", "state"], how="left", maintain_order="left")
    return (both["w2"] * both["factor"]).fill_null(0.0).fill_nan(0.0).to_numpy()


def _compare(
    cases: pl.DataFrame, pairs: pl.DataFrame, scans: Scans, w2: Floats
) -> tuple[Evidence, dict[str, Any]]:
    """Set each case's van against its siblings before, after, late, and by its change."""
    floor = cases["resolution"].to_numpy() / np.sqrt(12.0)
    stands_in = cases["is_fallback"].to_numpy()
    own = cases.with_columns(
        start=days_of("own_from"), day=days_of("work_day"), after=days_of("work_day") + 1, end=days_of("own_to") + 1,
        late=days_of("late_from"),
    ).with_columns(late=pl.when(pl.col("late_from").is_null()).then("end").otherwise("late"))  # fmt: skip
    before, after, late = (
        side_of(scans, own, *ends) for ends in (("start", "day"), ("after", "end"), ("late", "end"))
    )
    inverse = {
        name: 1 / np.maximum(s.n, 1.0) for name, s in (("before", before), ("after", after), ("late", late))
    }

    def against(value: Floats, weight: Floats, members: Members) -> Against:
        return set_against(value, weight, members, w2, floor, stands_in)

    sides = {
        name: against(side.mean, inverse[name], members_of(pairs, pl.col(name), 1 / pl.col(f"n_{name}")))
        for name, side in (("before", before), ("after", after), ("late", late))
    }
    shift = members_of(
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
    nothing = as_frame(table([], pa.schema(list(_COLUMNS.items()))))
    if not engine.values("select 1 from int_repair_windows limit 1"):
        return nothing
    cases = as_frame(engine.arrow(_CASES))
    if cases.is_empty():
        return nothing
    cases = cases.with_columns(case=pl.int_range(pl.len(), dtype=pl.Int64))
    scans = read_scans(engine)
    cases = cases.join(
        scans.known.select("van", "parameter", "state", "series"),
        on=["van", "parameter", "state"],
        how="left",
        maintain_order="left",
    )
    work = as_frame(engine.arrow(_WORK))
    both = pl.col("before").is_finite() & pl.col("after").is_finite()
    pairs = with_windows(pair_up(cases, scans.known), cases, scans, work)
    usable = pairs.filter(both & ~pl.col("had_work"))
    enough = (
        usable.filter(pl.col("group") == 0)
        .group_by("case")
        .len()
        .filter(pl.col("len") >= settings.evidence.min_siblings)
    )
    cases = cases.with_columns(is_fallback=~pl.col("case").is_in(enough["case"].to_list()))
    wide = with_windows(pair_with_family(cases.filter("is_fallback"), scans.known), cases, scans, work)
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
        claim=pl.Series([repair_words.say_repair(r) for r in told]),
        rivals=pl.Series([json.dumps(list(repair_words.rivals_of(r)), ensure_ascii=False) for r in told]),
        next_check=pl.Series([repair_words.next_check_of(r) for r in told]),
    )


def write_repairs(engine: Engine, settings: Settings) -> None:
    """Write `computed.repairs`."""
    rows = _with_words(judge_repairs(engine, settings))
    engine.write(REPAIRS, rows.select(list(_COLUMNS)).to_arrow().cast(pa.schema(list(_COLUMNS.items()))))
