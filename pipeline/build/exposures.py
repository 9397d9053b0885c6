"""Computed tables of what exposures do to readings, taken off before vans are compared."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.build.codes import as_frame, encode
from pipeline.columns import column, known, table
from pipeline.compare.exposures import (
    EXPOSED,
    NEITHER,
    OTHER,
    ExposureEffects,
    ExposureRules,
    SpanMeans,
    find_exposures,
)
from pipeline.compare.level_shifts import compare_levels
from pipeline.settings import Settings
from pipeline.warehouse.engines import Engine

EFFECTS, OVERLAPS = "computed.exposure_effects", "computed.exposure_overlaps"
PARENTS = ("exposure_levels", "int_exposure_spans", "vans", "vocab.parameters", "vocab.settings")
_LEVELS = """
select l.van, l.cohort_id, l.span_from, l.parameter, l.state, l.y, l.m, l.first_at, l.last_at
from exposure_levels as l
order by l.parameter, l.state, l.van, l.span_from
"""
_SPANS = """
select s.van, s.span_from, s.attribute, s.level, s.level_name
from int_exposure_spans as s
inner join (select distinct van, span_from from exposure_levels) as l on s.van = l.van and s.span_from = l.span_from
order by s.attribute, s.level, s.van, s.span_from
"""
_VANS = "select van, odometer_km, age_years from vans order by van"
_UNITS = "select parameter, unit from vocab.parameters"
COVARIATES = ("odometer_km", "age_years")
MOST_LEVELS = 30  # an attribute with more of them names vans or persons rather than a way of using them
# Words that say an attribute is absent: the level others are compared with.
ABSENT = ("no", "none", "without", "off", "false", "0", "n", "not fitted")
_EFFECT_TYPES: dict[str, pa.DataType] = {
    **dict.fromkeys(
        ("attribute", "level", "level_name", "other_level", "other_level_name", "parameter", "state", "unit"),
        pa.string(),
    ),
    "is_tested": pa.bool_(),
    **dict.fromkeys(
        ("effect", "shift", "shift_low", "shift_high", "shift_alone", "score", "p", "q", "p_alone"),
        pa.float64(),
    ),
    **dict.fromkeys(("n_vans", "n_vans_other", "n_cohorts", "n_pairs", "n_scans"), pa.int64()),
    **dict.fromkeys(("first_seen", "last_seen"), pa.timestamp("us")),
    **dict.fromkeys(("pair_shift", "pair_low", "pair_high", "pair_p"), pa.float64()),
    **dict.fromkeys(("twin_attribute", "twin_level"), pa.string()),
}
_OVERLAP_TYPES: dict[str, pa.DataType] = {
    **dict.fromkeys(("attribute", "level", "rival", "rival_level"), pa.string()),
    **dict.fromkeys(("n_same", "n_vans"), pa.int64()),
    **dict.fromkeys(("shift", "shift_low", "shift_high", "p"), pa.float64()),
}


@dataclass(frozen=True)
class Contrast:
    """A level of an attribute and the level it is compared with, as keys and as written."""

    attribute: str
    level: str
    level_name: str
    other: str
    other_name: str


@dataclass(frozen=True)
class _Spans:
    """The spans with scans: their van, cohort, and side in every contrast."""

    frame: pl.DataFrame
    van: NDArray[np.int64]
    cohort: NDArray[np.int64]
    sides: NDArray[np.int8]


def choose_contrasts(spans: pl.DataFrame, min_vans: int) -> list[Contrast]:
    """Choose which levels are compared with which.

    Parameters
    ----------
    spans : pl.DataFrame
        van, attribute, level, level_name; one row per van x span x attribute.
    min_vans : int
        Levels on fewer vans are left aside.

    Returns
    -------
    list of Contrast
        Of two levels one contrast; of more, each against one: the one that says the attribute is absent, else
        the one on most vans (of two: the later in the alphabet), so that a matter keeps its name.
    """
    counted = (
        spans.group_by("attribute", "level")
        .agg(pl.col("van").n_unique().alias("n_vans"), pl.col("level_name").mode().sort().first())
        .filter(pl.col("n_vans") >= min_vans)
        .sort("attribute", "level")
    )
    found = []
    for (attribute,), group in counted.group_by("attribute", maintain_order=True):
        rows = group.to_dicts()
        if 2 <= len(rows) <= MOST_LEVELS:
            base = _reference(rows)
            found += [
                Contrast(str(attribute), r["level"], r["level_name"], base["level"], base["level_name"])
                for r in rows
                if r is not base
            ]
    return found


def _reference(rows: list[dict[str, Any]]) -> dict[str, Any]:
    absent = [r for r in rows if r["level"] in ABSENT]
    if absent:
        return absent[0]
    return rows[-1] if len(rows) == 2 else max(rows, key=lambda r: (r["n_vans"], r["level"]))


def _lay_out(levels: pl.DataFrame, spans: pl.DataFrame, contrasts: list[Contrast]) -> _Spans:
    """Number spans and say on which side of each contrast they stand."""
    known = levels.select("van", "span_from", "cohort_id").unique().sort("van", "span_from")
    van, _ = encode(known, ["van"])
    cohort, _ = encode(known, ["cohort_id"])
    number = known.select("van", "span_from").with_row_index("span")
    held = spans.join(number, on=["van", "span_from"], how="inner")
    sides = np.full((len(contrasts), known.height), NEITHER, np.int8)
    for i, c in enumerate(contrasts):
        mine = held.filter(pl.col("attribute") == pl.lit(c.attribute))
        for level, side in ((c.level, EXPOSED), (c.other, OTHER)):
            sides[i, mine.filter(pl.col("level") == pl.lit(level))["span"].to_numpy()] = side
    return _Spans(known, van, cohort, sides)


def _effect_rows(
    found: ExposureEffects,
    contrasts: list[Contrast],
    measures: pl.DataFrame,
    seen: pl.DataFrame,
    units: dict[str, str],
) -> pa.Table:
    """One row per contrast x measure, with names, counts and dates."""
    picked = measures[found.measure.tolist()]
    mine = [contrasts[c] for c in found.contrast]
    twins = [contrasts[t] if t >= 0 else None for t in found.twin]
    told = picked.select("parameter", "state").with_columns(pl.Series("contrast", found.contrast))
    told = told.join(seen, on=["contrast", "parameter", "state"], how="left", maintain_order="left")
    columns: dict[str, Any] = {
        "attribute": [c.attribute for c in mine],
        "level": [c.level for c in mine],
        "level_name": [c.level_name for c in mine],
        "other_level": [c.other for c in mine],
        "other_level_name": [c.other_name for c in mine],
        "parameter": picked["parameter"].to_list(),
        "state": picked["state"].to_list(),
        "unit": [units[p] for p in picked["parameter"]],
        "is_tested": found.is_tested,
        "effect": found.effect,
        "shift": known(found.shift),
        "shift_low": known(found.low),
        "shift_high": known(found.high),
        "shift_alone": known(found.shift_alone),
        "score": known(found.z),
        "p": known(found.p),
        "q": known(found.q),
        "p_alone": known(found.p_alone),
        "n_vans": found.n_exposed,
        "n_vans_other": found.n_other,
        "n_cohorts": found.n_strata,
        "n_pairs": found.n_pairs,
        "n_scans": told["n_scans"].to_list(),
        "first_seen": told["first_at"].to_list(),
        "last_seen": told["last_at"].to_list(),
        "pair_shift": known(found.pair_shift),
        "pair_low": known(found.pair_low),
        "pair_high": known(found.pair_high),
        "pair_p": known(found.pair_p),
        "twin_attribute": [t.attribute if t else None for t in twins],
        "twin_level": [t.level if t else None for t in twins],
    }
    return pa.table({name: column(columns[name], kind) for name, kind in _EFFECT_TYPES.items()})


def _count_scans(levels: pl.DataFrame, sides: NDArray[np.int8]) -> pl.DataFrame:
    """Scans behind each contrast x measure, with the first and the last."""
    contrast, span = np.nonzero(sides != NEITHER)
    compared = pl.DataFrame(
        {"contrast": contrast, "span": span}, schema={"contrast": pl.Int64, "span": pl.UInt32}
    )
    return (
        levels.join(compared, on="span", how="inner")
        .group_by("contrast", "parameter", "state")
        .agg(pl.col("m").sum().alias("n_scans"), pl.col("first_at").min(), pl.col("last_at").max())
    )


def _main_sides(spans: _Spans) -> NDArray[np.int8]:
    """The side of each van in each contrast at its newest span, shape (contrasts, vans)."""
    last = np.append(np.flatnonzero(np.diff(spans.van)), len(spans.van) - 1)
    return spans.sides[:, last]


def _overlap_rows(contrasts: list[Contrast], spans: _Spans, vans: pl.DataFrame) -> list[dict[str, Any]]:
    """What else goes with the levels of each contrast."""
    sides = _main_sides(spans)
    last = np.append(np.flatnonzero(np.diff(spans.van)), len(spans.van) - 1)
    cohort = spans.cohort[last]
    facts = spans.frame[last.tolist()].select("van").join(vans, on="van", how="left", maintain_order="left")
    rows = []
    for i, c in enumerate(contrasts):
        exposed = np.bincount(cohort, sides[i] == EXPOSED)
        other = np.bincount(cohort, sides[i] == OTHER)
        mine = (sides[i] != NEITHER) & ((exposed > 0) & (other > 0))[cohort]
        for j, d in enumerate(contrasts):
            known = mine & (sides[j] != NEITHER)
            if d.attribute == c.attribute or not known.any():
                continue
            same, n = int((sides[i] == sides[j])[known].sum()), int(known.sum())
            for level, count in ((d.level, same), (d.other, n - same)):
                rows.append(
                    {"attribute": c.attribute, "level": c.level, "rival": d.attribute, "rival_level": level,
                     "n_same": count, "n_vans": n}
                )  # fmt: skip
        rows += [
            {"attribute": c.attribute, "level": c.level, "rival": name, "rival_level": "",
             **_differ(facts[name].to_numpy(), cohort, sides[i] == EXPOSED, mine)}
            for name in COVARIATES
        ]  # fmt: skip
    unique = {(r["attribute"], r["level"], r["rival"], r["rival_level"]): r for r in rows}
    return list(unique.values())


def _differ(
    value: NDArray[np.float64],
    cohort: NDArray[np.int64],
    is_exposed: NDArray[np.bool_],
    mine: NDArray[np.bool_],
) -> dict[str, Any]:
    """Compare what vans of the two levels are, rather than what they read."""
    used = mine & np.isfinite(value.astype(np.float64))
    said = compare_levels(
        value[used], cohort[used], is_exposed[used], np.zeros(used.sum(), np.int64), n_cells=1
    )
    figures = {"shift": said.shift[0], "shift_low": said.low[0], "shift_high": said.high[0], "p": said.p[0]}
    return {"n_vans": int(used.sum())} | {k: float(v) if np.isfinite(v) else None for k, v in figures.items()}


def _empty(types: dict[str, pa.DataType]) -> pa.Table:
    return table([], pa.schema(list(types.items())))


def write_exposures(engine: Engine, settings: Settings) -> None:
    """Find what exposures do and write `computed.exposure_effects` and `computed.exposure_overlaps`."""
    levels, spans = as_frame(engine.arrow(_LEVELS)), as_frame(engine.arrow(_SPANS))
    contrasts = choose_contrasts(spans, settings.evidence.min_vans_per_level)
    if not contrasts or levels.is_empty():
        engine.write(EFFECTS, _empty(_EFFECT_TYPES))
        engine.write(OVERLAPS, _empty(_OVERLAP_TYPES))
        return
    laid = _lay_out(levels, spans, contrasts)
    measure, measures = encode(levels, ["parameter", "state"])
    number = laid.frame.select("van", "span_from").with_row_index("span")
    levels = levels.join(number, on=["van", "span_from"], how="left", maintain_order="left")
    means = SpanMeans(
        levels["y"].to_numpy(),
        levels["m"].cast(pl.Float64).to_numpy(),
        measure,
        levels["span"].cast(pl.Int64).to_numpy(),
        laid.van,
        laid.cohort,
    )
    rules = ExposureRules(q=settings.tiers.finding_q, min_vans=settings.evidence.min_vans_per_level)
    found = find_exposures(means, laid.sides, rules=rules)
    units = dict(as_frame(engine.arrow(_UNITS)).iter_rows())
    engine.write(EFFECTS, _effect_rows(found, contrasts, measures, _count_scans(levels, laid.sides), units))
    overlaps = _overlap_rows(contrasts, laid, as_frame(engine.arrow(_VANS)))
    rows = table(overlaps, pa.schema(list(_OVERLAP_TYPES.items())))
    engine.write(OVERLAPS, rows)
