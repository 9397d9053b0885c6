"""What the invented fleet was exposed to, which reader read it, and what physics expects of it.

Vans alternate between parking in the open and in the shade; the sun adds four degrees to the intake air. One van
changed places. The depot alternates in step, so the two cannot be told apart. Effects are worked out with the rank
test of `pipeline.compare.level_shifts`, everything else is written by hand.
"""

from __future__ import annotations

import datetime as dt
from itertools import pairwise
from typing import Any

import numpy as np
import polars as pl

from pipeline import vocabulary
from pipeline.compare.level_shifts import compare_levels

SUN = 4.0
MOVED, MOVED_ON = "042", dt.date(2026, 4, 1)
HOSTILE_LEVEL = "<b>[yes](http://evil.example)</b>"
_BEGIN, _END = dt.date(1, 1, 1), dt.date(9999, 12, 31)


def _is_open(number: int) -> bool:
    return number % 2 == 0


def _spans(vans: pl.DataFrame) -> pl.DataFrame:
    rows = []
    for number, van in enumerate(vans["van"]):
        place = "open" if _is_open(number) else "shaded"
        guard = HOSTILE_LEVEL if number % 3 == 0 else "no"
        cuts = [_BEGIN, MOVED_ON, _END] if van == MOVED else [_BEGIN, _END]
        for k, (start, end) in enumerate(pairwise(cuts)):
            parked = "open" if van == MOVED and k == 1 else place
            rows += [
                {"van": van, "span_from": start, "span_to": end, "attribute": attribute, "level": name.lower(), "level_name": name}
                for attribute, name in (("parking", parked), ("guard", guard))
            ]  # fmt: skip
    return pl.DataFrame(rows)


def _levels(levels: pl.DataFrame, spans: pl.DataFrame) -> pl.DataFrame:
    """Means per van and span, the sun's share put in by hand."""
    parked = spans.filter(pl.col("attribute") == "parking").select("van", "span_from", "span_to", "level")
    sun = (
        pl.when((pl.col("parameter") == "intake_air_temp") & (pl.col("level") == "open"))
        .then(SUN)
        .otherwise(0.0)
    )
    day = pl.col("scanned_at").dt.date()
    return (
        levels.join(parked, on="van")
        .filter((day >= pl.col("span_from")) & (day < pl.col("span_to")))
        .group_by("van", "cohort_id", "span_from", "parameter", "state", maintain_order=True)
        .agg(
            (pl.col("value") + sun).mean().alias("y"),
            pl.len().alias("m"),
            pl.col("scanned_at").min().alias("first_at"),
            pl.col("scanned_at").max().alias("last_at"),
        )
    )


def _effect(
    rows: pl.DataFrame, contrast: tuple[str, str, str, str, str], parameter: str, state: str, unit: str
) -> dict[str, Any]:
    attribute, level, level_name, other, other_name = contrast
    side = rows.group_by("van", "cohort_id", "is_exposed", maintain_order=True).agg(
        (pl.col("y") * pl.col("m")).sum() / pl.col("m").sum()
    )
    both = side.filter(pl.len().over("van") == 2)
    one = side.filter(pl.len().over("van") == 1)
    pairs = (
        both.filter("is_exposed")
        .join(both.filter(~pl.col("is_exposed")), on="van")
        .select(pl.col("y") - pl.col("y_right"))
        .to_series()
    )
    cohorts = one["cohort_id"].unique().sort().to_list()
    found = compare_levels(
        one["y"].to_numpy(),
        np.array([cohorts.index(c) for c in one["cohort_id"]]),
        one["is_exposed"].to_numpy(),
        np.zeros(one.height, np.int64),
        pair_difference=pairs.to_numpy(),
        pair_cell=np.zeros(len(pairs), np.int64),
        n_cells=1,
    )
    p = float(found.p[0])
    sure = parameter == "intake_air_temp" and attribute == "parking"
    return {
        "attribute": attribute, "level": level, "level_name": level_name, "other_level": other,
        "other_level_name": other_name, "parameter": parameter, "state": state, "unit": unit, "is_tested": True,
        "effect": float(found.shift[0]) if sure else 0.0, "shift": float(found.shift[0]),
        "shift_low": float(found.low[0]), "shift_high": float(found.high[0]), "shift_alone": float(found.shift[0]),
        "score": float(found.z[0]), "p": p, "q": p * 5 if sure else min(1.0, p * 22), "p_alone": p,
        "n_vans": int(found.n_exposed[0]), "n_vans_other": int(found.n_other[0]), "n_cohorts": int(found.n_strata[0]),
        "n_pairs": len(pairs), "n_scans": int(rows["m"].sum()), "first_seen": rows["first_at"].min(),
        "last_seen": rows["last_at"].max(), "pair_shift": float(np.mean(pairs.to_numpy())) if len(pairs) else None,
        "pair_low": None, "pair_high": None, "pair_p": None,
        "twin_attribute": "depot" if sure else None, "twin_level": "mill lane" if sure else None,
    }  # fmt: skip


def _exposures(levels: pl.DataFrame, spans: pl.DataFrame) -> dict[str, pl.DataFrame]:
    units = {p.key: p.unit for p in vocabulary.parameters()}
    effects, strata = [], []
    for contrast in (
        ("parking", "open", "open", "shaded", "shaded"),
        ("guard", HOSTILE_LEVEL.lower(), HOSTILE_LEVEL, "no", "no"),
    ):
        sides = spans.filter(pl.col("attribute") == contrast[0]).select(
            "van", "span_from", (pl.col("level") == contrast[1]).alias("is_exposed")
        )
        sided = levels.join(sides, on=["van", "span_from"], maintain_order="left")
        for (parameter, state), rows in sided.group_by("parameter", "state", maintain_order=True):
            effects.append(_effect(rows, contrast, str(parameter), str(state), units[str(parameter)]))
            for (cohort,), mine in rows.group_by("cohort_id", maintain_order=True):
                here = mine.filter(pl.col("van") != MOVED) if contrast[0] == "parking" else mine
                a, b = (here.filter(pl.col("is_exposed") == s)["y"].to_numpy() for s in (True, False))
                if len(a) and len(b):
                    strata.append(
                        {"attribute": contrast[0], "level": contrast[1], "other_level": contrast[3],
                         "parameter": parameter, "state": state, "cohort_id": cohort, "n_vans": len(a),
                         "n_vans_other": len(b), "median_shift": float(np.median(a[:, None] - b[None, :]))}
                    )  # fmt: skip
    overlaps = [
        {"attribute": "parking", "level": "open", "rival": "depot", "rival_level": "mill lane", "n_same": 29, "n_vans": 30},
        {"attribute": "parking", "level": "open", "rival": "guard", "rival_level": "no", "n_same": 16, "n_vans": 30},
        {"attribute": "parking", "level": "open", "rival": "odometer_km", "rival_level": "", "n_vans": 29,
         "shift": -6200.0, "shift_low": -9900.0, "shift_high": -2700.0, "p": 0.003},
        {"attribute": "parking", "level": "open", "rival": "age_years", "rival_level": "", "n_vans": 30,
         "shift": 0.1, "shift_low": -0.2, "shift_high": 0.3, "p": 0.4},
    ]  # fmt: skip
    return {
        "exposure_effects": pl.DataFrame(effects, infer_schema_length=None).with_columns(
            pl.col("shift_low", "shift_high").fill_nan(None)
        ),
        "exposure_strata": pl.DataFrame(strata, infer_schema_length=None),
        "exposure_overlaps": pl.DataFrame(overlaps, infer_schema_length=None),
        "exposure_levels": levels,
        "exposure_spans": spans,
    }


def _reader_tables(vans: pl.DataFrame, scans: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """The tablet shows 1.4 degrees more on six vans, two of them read twice by both; it knows no fuel."""
    blue, tablet = "Blue handheld", "Yard tablet"
    at: dt.datetime = max(scans["scanned_at"].to_list())
    shown = {"041": (1.4,), "042": (1.5, 1.7), "043": (1.2,), "044": (1.6, 1.4), "045": (1.3,), "046": (1.4,)}
    pairs = [
        {"van": van, "reader": blue, "other_reader": tablet, "parameter": "coolant_temp", "state": "warm_idle",
         "scan_key": f"{blue}/{van}{k}", "other_scan_key": f"{tablet}/{van}{k}", "scanned_at": at, "other_scanned_at": at,
         "value": 86.0 + n + k, "other_value": 86.0 + n + k + d, "difference": -d, "average": 86.0 + n + k + d / 2}
        for n, (van, differences) in enumerate(shown.items())
        for k, d in enumerate(differences)
    ]  # fmt: skip
    held = {"reader": tablet, "reference": blue, "is_linked": True, "n_vans": 28}
    effects = [
        held | {"parameter": "coolant_temp", "state": "warm_idle", "unit": "°C", "effect": 1.4, "estimate": 1.4,
                "low": 1.1, "high": 1.7, "p": 1e-6, "q": 1e-5},
        held | {"parameter": "engine_load", "state": "warm_idle", "unit": "%", "effect": 0.0, "estimate": 0.2,
                "low": -0.6, "high": 1.0, "p": 0.6, "q": 0.8},
    ]  # fmt: skip
    moved = {"reader": tablet, "version_before": "11", "reader_version": "12", "since": dt.datetime(2026, 2, 3),
             "state": "warm_idle", "n_vans": 20, "n_vans_other": 24, "reason": None}  # fmt: skip
    updates = [
        moved | {"parameter": "coolant_temp", "unit": "°C", "step": 3.0, "low": 2.3, "high": 3.7, "p": 1e-6, "q": 1e-5,
                 "is_shown": True},
        moved | {"parameter": "engine_load", "unit": "%", "step": 0.2, "low": -0.6, "high": 1.0, "p": 0.6, "q": 0.8,
                 "is_shown": False},
    ]  # fmt: skip
    month = at.date().replace(day=1)
    coverage = [
        {"scan_month": month, "reader": reader, "family_id": "f", "parameter": parameter, "n_scans": 40}
        for reader in (blue, tablet)
        for parameter in ("coolant_temp", "engine_load", "egr_command", "rail_pressure")
        if (reader, parameter) != (tablet, "rail_pressure")
    ]
    modules = [
        {"van": van, "reader": reader, "module": module, "n_scans": 7, "n_answered": 7 if module == "engine" else 0,
         "n_silent": 2 if module == "brakes" else 0, "n_not_asked": 7 if module == "airbag" else 0, "n_unknown": 0,
         "n_fresh": 0, "last_answered_at": at}
        for van in vans["van"]
        for reader in (blue, tablet)
        for module in ("engine", "brakes", "airbag")
    ]  # fmt: skip
    undecoded = {"reader": tablet, "parameter": "egr_command", "value_least": 25.0, "value_most": 25.0, "n_vans": 12,
                 "n_scans": 60, "n_vans_moving_elsewhere": 9, "first_seen": at, "last_seen": at}  # fmt: skip
    unseen = {"van": "045", "cohort_id": vans["cohort_id"][0], "parameter": "oil_temp", "state": "warm_idle",
              "reader": tablet, "n_readers": 1, "is_one_value": False, "n_siblings": 11, "n_scans": 14,
              "reason": f"not decoded by {tablet}, the only reader of this van in that state"}  # fmt: skip
    return {
        "reader_pairs": pl.DataFrame(pairs),
        "reader_effects": pl.DataFrame(effects),
        "reader_updates": pl.DataFrame(updates),
        "reader_coverage": pl.DataFrame(coverage),
        "module_coverage": pl.DataFrame(modules),
        "undecoded_readings": pl.DataFrame([undecoded]),
        "unseen_readings": pl.DataFrame([unseen]),
    }


def _expected(levels: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Air mass beside what the cylinders hold: 72 % of it on every van, and half of that on 044."""
    bounds = {"parameter": "air_mass_per_stroke", "state": "warm_idle", "expected_by": "air_mass_expected", "relation": "ratio",
              "low": 0.43, "high": 1.13, "says": "what the cylinders hold at that manifold pressure"}  # fmt: skip
    own = levels.filter((pl.col("parameter") == "air_mass_per_stroke") & (pl.col("state") == "warm_idle"))
    rows = []
    for (van, cohort, family), mine in own.group_by("van", "cohort_id", "family_id", maintain_order=True):
        share = 0.36 if van == "044" else 0.72 + 0.01 * (int(hash_of(str(van))) % 3 - 1)
        measured = float(np.median(mine["value"].to_numpy()))
        rows.append(
            bounds
            | {"van": van, "cohort_id": cohort, "family_id": family, "measured": measured, "expected": measured / share,
               "departure": share, "is_plausible": share >= 0.43, "n_scans": mine.height,
               "first_seen": mine["scanned_at"].min(), "last_seen": mine["scanned_at"].max()}
        )  # fmt: skip
    vans = pl.DataFrame(rows)
    cohorts = vans.group_by("cohort_id", "family_id", *bounds, maintain_order=True).agg(
        pl.col("measured", "expected", "departure").median(),
        pl.col("departure").min().alias("departure_least"),
        pl.col("departure").max().alias("departure_most"),
        pl.len().alias("n_vans"),
        pl.col("is_plausible").sum().alias("n_vans_plausible"),
        pl.col("n_scans").sum(),
        pl.col("first_seen").min(),
        pl.col("last_seen").max(),
        pl.lit(800.0).alias("engine_speed_rpm"),
        pl.lit(4.0).alias("cylinders"),
    )
    return {"van_expectations": vans, "cohort_expectations": cohorts}


def hash_of(name: str) -> int:
    """A number of a name that is the same in every run."""
    return sum(map(ord, name))


def build_compare_tables(
    vans: pl.DataFrame, scans: pl.DataFrame, levels: pl.DataFrame
) -> dict[str, pl.DataFrame]:
    """Return the published tables on exposures, readers and physics of the invented fleet."""
    spans = _spans(vans)
    return _exposures(_levels(levels, spans), spans) | _reader_tables(vans, scans) | _expected(levels)
