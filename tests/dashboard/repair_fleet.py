"""The invented fleet over time: a thermostat that did not help, a code that came back, a drift, and what vans cost."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any

import polars as pl

from pipeline.compare.intervals import wilson

VAN, PART = "047", "thermostat"
HOSTILE_RIVAL = "<b>[chance](http://evil.example)</b>"
CLAIM = "Van 047: did not hold: thermostat replaced, still 9.0 °C below its siblings after (2 scans)."


def _repair(at: dt.datetime, cohort: str) -> dict[str, Any]:
    return {
        "van": VAN, "worked_at": at, "what": "replaced", "part": PART, "parameter": "coolant_temp",
        "state": "warm_idle", "unit": "°C", "relearn": "not_needed", "cohort_id": cohort, "is_fallback": False,
        "n_before": 8, "n_after": 2, "n_late": 0, "n_needed": 2, "n_over_work": 0, "n_same_day": 0,
        "before_value": 77.0, "after_value": 77.4, "sibling_before": 86.4, "sibling_after": 86.4,
        "before_difference": -9.4, "before_p": 1e-6, "after_difference": -9.0, "after_p": 1e-5, "after_low": 83.0,
        "after_high": 89.0, "effect": 0.4, "effect_low": -1.1, "effect_high": 1.9, "effect_t": 0.5, "effect_df": 12.0,
        "effect_p": 0.6, "effect_q": 0.8, "after_q": 1e-4, "expected_return": 0.3, "beyond_p": 0.9, "n_siblings": 11,
        "n_left_out": 0, "own_from": (at - dt.timedelta(days=240)).date(), "work_day": at.date(),
        "own_to": (at + dt.timedelta(days=65)).date(), "verdict": "not_held", "reason": "still_off", "claim": CLAIM,
        "rivals": json.dumps([HOSTILE_RIVAL]), "next_check": "Read it cold and warm beside one sibling.",
        "strength_rank": 1,
    }  # fmt: skip


def _drifts(cohort: str, to: dt.datetime) -> pl.DataFrame:
    """Van 047: one reading falls away, one shows nothing, one has too few scans."""
    shared: dict[str, Any] = {
        "van": VAN, "cohort_id": cohort, "unit": "°C", "n_siblings": 11, "is_fallback": False,
        "first_seen": to - dt.timedelta(days=500), "last_seen": to, "is_step": False,
        "step_at": to - dt.timedelta(days=200), "has_left": False,
    }  # fmt: skip
    judged = {"months": 16.4, "detectable": 5.5, "n_scans": 20, "n_months": 15}
    falls = {
        "parameter": "coolant_temp", "state": "warm_idle", "slope": -0.55, "slope_low": -0.7, "slope_high": -0.4,
        "difference": -9.0, "interval_low": -11.5, "interval_high": -6.6, "p": 1e-7, "q": 1e-4, "tier": "finding",
        "step_size": -5.2, "step_low": -6.4, "step_high": -4.0, "step_end": -5.0, "leaves_at": to + dt.timedelta(days=60), "leaves_from": to + dt.timedelta(days=40),
        "leaves_to": None,
    }  # fmt: skip
    still = falls | {
        "state": "steady_cruise", "slope": 0.02, "slope_low": -0.1, "slope_high": 0.2, "difference": 0.3,
        "interval_low": -1.6, "interval_high": 3.3, "p": 0.7, "q": 1.0, "tier": "none", "step_size": 0.4,
        "leaves_at": None, "leaves_from": None,
    }  # fmt: skip
    short = {"parameter": "coolant_temp", "state": "hot_idle", "n_scans": 3, "n_months": 3,
             "tier": "not_enough_evidence", "reason": "a drift needs 8 scans since the last work on the part"}  # fmt: skip
    return pl.DataFrame(
        [shared | judged | falls, shared | judged | still, shared | short], infer_schema_length=None
    )


def _costs(vans: pl.DataFrame, to: dt.date) -> pl.DataFrame:
    """Every third van without a figure; 047 the dearest of its group."""
    rows = []
    for number, row in enumerate(vans.iter_rows(named=True)):
        known = number % 3 != 2 or row["van"] == VAN
        rate = 900.0 if row["van"] == VAN else 100.0 + 10 * (number % 7) if known else None
        rows.append(
            {"van": row["van"], "cohort_id": row["cohort_id"], "window_from": to - dt.timedelta(days=730),
             "window_to": to, "n_work": 4 if known else 1, "n_costed": 3 if known else 0,
             "cost": 2 * rate if rate else None, "n_standing": 2 if known else 0, "days_standing": 3.5 if known else None,
             "km": 20_000.0, "n_work_driven": 4 if known else 1, "n_costed_driven": 3 if known else 0,
             "cost_driven": 2 * rate if rate else None, "days_driven": 3.5 if known else None, "cost_per_10000_km": rate,
             "work_per_10000_km": 2.0 if known else 0.5, "days_per_10000_km": 1.75 if known else None,
             "n_siblings": 7, "sibling_median": 130.0, "sibling_low": 100.0, "sibling_high": 160.0,
             "n_siblings_days": 7, "sibling_days": 1.75, "sibling_days_low": 1.0, "sibling_days_high": 2.0}
        )  # fmt: skip
    return pl.DataFrame(rows, infer_schema_length=None)


def build_repair_tables(vans: pl.DataFrame, data_to: dt.datetime) -> dict[str, pl.DataFrame]:
    """Return the published tables on work and costs."""
    at = data_to - dt.timedelta(days=70)
    cohort = str(vans.filter(pl.col("van") == VAN)["cohort_id"][0])
    low, high = wilson(1, 2)
    return {
        "van_drifts": _drifts(cohort, data_to),
        "repairs": pl.DataFrame([_repair(at, cohort)], infer_schema_length=None),
        "work_codes": pl.DataFrame(
            {"van": [VAN], "worked_at": [at], "what": ["replaced"], "part": [PART], "work_code": [""],
             "module": ["engine"], "code": ["P0401"], "seen_at": [at - dt.timedelta(days=9)], "n_after": [2],
             "n_present_after": [1], "n_absent_first": [1], "returned_at": [at + dt.timedelta(days=40)],
             "was_cleared": [True], "outcome": ["returned"]}
        ),
        "repair_codes": pl.DataFrame(
            {"what": ["replaced"], "part": [PART], "module": ["engine"], "code": ["P0401"], "n_vans": [3],
             "n_judged": [2], "n_ended": [1], "n_named": [0], "share": [0.5], "share_low": [float(low)],
             "share_high": [float(high)]}
        ),
        "van_costs": _costs(vans, data_to.date()),
        "van_cost_years": pl.DataFrame(
            {"van": [VAN, VAN], "cost_year": [2025, 2026], "n_work": [2, 2], "n_costed": [1, 2],
             "cost": [148.0, 1652.0], "n_standing": [1, 1], "days_standing": [1.0, 2.5], "km": [11_000.0, 9_000.0]}
        ),
    }  # fmt: skip
