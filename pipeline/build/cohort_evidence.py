"""Evidence on whole cohorts: shares outside a reader's limits, agreement, offset from other model years."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl

from pipeline.build.codes import as_frame, encode
from pipeline.compare.limits import judge_limits, spread_of_siblings
from pipeline.compare.multiplicity import benjamini_hochberg
from pipeline.compare.offsets import find_offsets
from pipeline.findings.cohorts import Agreement
from pipeline.findings.plausibility import Check
from pipeline.settings import Settings
from pipeline.warehouse.engines import Engine

Row = dict[str, Any]
_SHARES = """
select l.*, c.cohort, c.make, c.model, c.engine, c.model_year, p.unit
from limit_shares as l
inner join cohorts as c on l.cohort_id = c.cohort_id
inner join vocab.parameters as p on l.parameter = p.parameter
order by l.cohort_id, l.parameter, l.state, l.reader, l.source
"""
# Cohorts of one family whose readers never met are not held against one another.
_LEVELS = """
select v.van, v.cohort_id,
    case when v.component <> 'linked' then concat(v.family_id, ' ', v.component) else v.family_id end as family_id,
    v.parameter, v.state, v.y, v.m, v.first_at, v.last_at, p.unit, p.resolution,
    p.smallest_useful, c.cohort, c.make, c.model, c.engine, c.model_year
from van_levels as v
inner join vocab.parameters as p on v.parameter = p.parameter
inner join cohorts as c on v.cohort_id = c.cohort_id
where v.window_name = 'level' and v.y is not null
order by v.parameter, v.state, v.cohort_id, v.van
"""
# Whom an offset is told of is asked only where there is one.
_PLACES = """
select v.cohort_id,
    case when v.component <> 'linked' then concat(v.family_id, ' ', v.component) else v.family_id end as family_id,
    v.parameter, v.state, v.y, p.resolution
from van_levels as v
inner join vocab.parameters as p on v.parameter = p.parameter
where v.window_name = 'level' and v.y is not null and v.family_id is not null and v.cohort_id is not null
"""
_EXPECTATIONS = "select * from cohort_expectations order by cohort_id, parameter, state"
_ONE_OTHER = 2


def read_limits(engine: Engine, settings: Settings) -> list[Row]:
    """Rows of `limit_shares` that are worth telling, with tier, side, share and its interval."""
    frame = as_frame(engine.arrow(_SHARES))
    if frame.is_empty():
        return []
    counts = [frame[c].to_numpy() for c in ("n_vans", "n_vans_outside", "n_above", "n_below")]
    said = judge_limits(
        *counts, suspect_share=settings.limits.suspect_share, min_vans=settings.limits.min_vans
    )
    judged = frame.with_columns(
        tier=pl.Series(said.tier.astype(str)),
        side=pl.Series(said.side.astype(str)),
        share=pl.Series(said.share),
        share_low=pl.Series(said.low),
        share_high=pl.Series(said.high),
    )
    return judged.filter(pl.col("tier").is_in(["finding", "likely", "watch"])).to_dicts()


def read_agreements(engine: Engine) -> dict[tuple[str, str, str], Agreement]:
    """How closely the vans of each cohort agree, by (cohort_id, parameter, state)."""
    frame = as_frame(engine.arrow(_LEVELS))
    if frame.is_empty():
        return {}
    group, known = encode(frame, ["cohort_id", "parameter", "state"])
    found = spread_of_siblings(group, frame["y"].to_numpy())
    return {
        known.row(int(found.group[i])): Agreement(
            median=float(found.median[i]),
            within=float(found.within[i]),
            percent=None if np.isnan(found.percent[i]) else float(found.percent[i]),
            n_within=int(found.n_within[i]),
            n_vans=int(found.n_vans[i]),
        )
        for i in range(len(found.group))
    }


def read_expectations(engine: Engine) -> dict[tuple[str, str, str], Check]:
    """What physics expects of each cohort, by (cohort_id, parameter, state)."""
    return {
        (r["cohort_id"], r["parameter"], r["state"]): Check(
            parameter=r["parameter"],
            relation=r["relation"],
            measured=r["measured"],
            expected=r["expected"],
            departure=r["departure"],
            low=r["low"],
            high=r["high"],
            n_vans=r["n_vans"],
            n_plausible=r["n_vans_plausible"],
            n_scans=r["n_scans"],
            cylinders=r["cylinders"],
            engine_speed_rpm=r["engine_speed_rpm"],
            says=r["says"],
        )
        for r in as_frame(engine.arrow(_EXPECTATIONS)).to_dicts()
    }


def _tier(q: float, n_others: int, difference: float, smallest: float | None, settings: Settings) -> str:
    """One other model year is not enough to say which of the two is out: one grade lower."""
    if smallest is not None and abs(difference) < smallest:
        return "none"
    grades = ["finding", "likely", "watch", "none"]
    grade = 0 if q <= settings.tiers.finding_q else 1 if q <= settings.tiers.likely_q else 3
    return grades[min(grade + int(n_others < _ONE_OTHER), 3)]


def _read_details(engine: Engine) -> dict[tuple[str, str, str], Row]:
    """What is told of the cohorts' levels, by (cohort_id, parameter, state)."""
    details = (
        as_frame(engine.arrow(_LEVELS))
        .filter(pl.col("family_id").is_not_null())
        .group_by(["cohort_id", "parameter", "state"])
        .agg(
            pl.col("unit", "smallest_useful", "cohort", "make", "model", "engine", "model_year").first(),
            pl.col("first_at").min().alias("first_seen"),
            pl.col("last_at").max().alias("last_seen"),
            pl.col("m").sum().alias("n_scans"),
        )
    )
    return {(r["cohort_id"], r["parameter"], r["state"]): r for r in details.to_dicts()}


def read_offsets(engine: Engine, settings: Settings) -> list[Row]:
    """Cohorts that differ from the other model years of their family, with tier and q."""
    frame = as_frame(engine.arrow(_PLACES))
    if frame.is_empty():
        return []
    measure, measures = encode(frame, ["parameter", "state"])
    family, _ = encode(frame, ["family_id"])
    cohort, cohorts = encode(frame, ["cohort_id"])
    found = find_offsets(
        frame["y"].to_numpy(),
        measure,
        family,
        cohort,
        resolution=frame["resolution"].to_numpy(),
        min_vans=settings.limits.min_vans,
    )
    q = benjamini_hochberg(np.where(found.n_others > 0, found.p, np.nan))
    told = np.flatnonzero(np.nan_to_num(q, nan=1.0) <= settings.tiers.likely_q)
    details = _read_details(engine) if len(told) else {}
    rows = []
    for i in told:
        key = (cohorts.row(int(found.cohort[i]))[0], *measures.row(int(found.measure[i])))
        detail, difference = details[key], float(found.difference[i])
        tier = _tier(float(q[i]), int(found.n_others[i]), difference, detail["smallest_useful"], settings)
        if tier != "none":
            rows.append(
                {
                    **detail,
                    "tier": tier,
                    "value": float(found.reference[i]) + difference,
                    "expected": float(found.reference[i]),
                    "difference": difference,
                    "interval_low": float(found.low[i]),
                    "interval_high": float(found.high[i]),
                    "score": difference / float(found.sigma[i]) if found.sigma[i] > 0 else None,
                    "p": float(found.p[i]),
                    "q": float(q[i]),
                    "n_vans": int(found.n_vans[i]),
                    "n_others": int(found.n_others[i]),
                }
            )
    return rows
