"""Codes of the invented fleet: one that comes and goes, one that stands, one number without a text, one storm."""

from __future__ import annotations

import datetime as dt
from typing import Any

import polars as pl

from pipeline.compare.intervals import wilson

FLOW, NUMBER, STORM = ("engine", "P0401"), ("body", "51207"), ("brakes", "U0100")
HOSTILE_TITLE = "<b>[text](http://evil.example)</b>"
TITLES = {FLOW: "exhaust gas recirculation flow too low", NUMBER: None, STORM: HOSTILE_TITLE}
STEADY, STORMY = "047", "066"


def _answer(key: tuple[str, str], van: str, number: int, k: int) -> tuple[str, str | None] | None:
    """What scan k of a van says about a code: standing and why it is unknown; None where the van never showed it."""
    if key == FLOW:
        if van == STEADY:
            return ("absent", None) if k == 3 else ("present", None)
        return (("present", None) if k in (5, 9) else ("absent", None)) if number % 5 == 0 else None
    if key == NUMBER:
        if number % 2:
            return None
        if k % 6 == 1:
            return "not_answered", None
        if k % 6 == 4:
            return "unknown", ("not_asked", "not_said", "cleared")[(k // 6 + number // 2) % 3]
        return ("present", None) if k % 2 == 0 else ("absent", None)
    return (("present", None) if k == 0 else ("absent", None)) if van == STORMY else None


def _scan_rows(vans: pl.DataFrame, scans: pl.DataFrame) -> pl.DataFrame:
    rows: list[dict[str, Any]] = []
    by_van = {key[0]: group for key, group in scans.group_by("van", maintain_order=True)}
    for key in (FLOW, NUMBER, STORM):
        for number, van in enumerate(vans["van"]):
            for k, scan in enumerate(by_van[van].iter_rows(named=True)):
                answer = _answer(key, van, number, k)
                if answer is None:
                    continue
                standing, why = answer
                shown, storm = standing == "present", key == STORM
                rows.append(
                    {"van": van, "module": key[0], "code": key[1], "scan_key": scan["scan_key"], "reader": scan["reader"],
                     "scanned_at": scan["scanned_at"], "standing": standing, "why_unknown": why,
                     "status": "stored" if shown else None, "lamp": shown if key == FLOW else None,
                     "is_low_voltage": shown and storm, "is_counted": standing in ("present", "absent") and not (shown and storm),
                     "is_in_window": True}
                )  # fmt: skip
    return pl.DataFrame(rows, infer_schema_length=None)


def _share(k: int, n: int) -> dict[str, float | None]:
    if not n:
        return {"share": None, "share_low": None, "share_high": None}
    low, high = wilson(k, n)
    return {"share": k / n, "share_low": float(low), "share_high": float(high)}


def _entries(answers: pl.DataFrame, cohort_of: dict[str, str]) -> pl.DataFrame:
    rows = []
    for (van, module, code), group in answers.sort("scanned_at").group_by(
        "van", "module", "code", maintain_order=True
    ):
        shown = group.filter(pl.col("standing") == "present")
        if shown.is_empty():
            continue
        told = group.filter("is_counted")
        first = told.filter(pl.col("standing") == "present")["scanned_at"].min()
        later = told.filter(pl.col("scanned_at") > first) if first is not None else told.head(0)
        n_present = later.filter(pl.col("standing") == "present").height
        rows.append(
            {"van": van, "cohort_id": cohort_of[str(van)], "module": module, "code": code, "title": TITLES[str(module), str(code)],
             "structure": "number" if (module, code) == NUMBER else "standard", "first_seen": shown["scanned_at"].min(),
             "last_seen": shown["scanned_at"].max(), "n_present": shown.height, "n_readers": shown["reader"].n_unique(),
             "last_status": "stored", "had_lamp": True if (module, code) == FLOW else None,
             "n_low_voltage": int(group["is_low_voltage"].sum()), "n_later_covered": later.height,
             "n_later_present": n_present, **_share(n_present, later.height), "n_absent_since": 0,
             "chance_of_absence": 1.0, "n_cannot_tell": group.height - told.height, "n_present_uncovered": 0,
             "n_clears": int(van == STEADY and (module, code) == FLOW), "n_clears_survived": int(van == STEADY and (module, code) == FLOW)}
        )  # fmt: skip
    return pl.DataFrame(rows, infer_schema_length=None)


def _standings(answers: pl.DataFrame, vans: pl.DataFrame) -> pl.DataFrame:
    """Every van of a cohort in which a code stands: on one of its last four scans that can tell."""
    rows = []
    told = answers.filter("is_counted").sort("scanned_at", descending=True)
    for module, code in (FLOW, NUMBER):
        own = told.filter((pl.col("module") == module) & (pl.col("code") == code))
        having = set(vans.filter(pl.col("van").is_in(own["van"].unique().to_list()))["cohort_id"])
        for row in vans.filter(pl.col("cohort_id").is_in(list(having))).iter_rows(named=True):
            newest = own.filter(pl.col("van") == row["van"]).head(4)
            n_present = newest.filter(pl.col("standing") == "present").height
            never_asked = row["van"] == "083"
            rows.append(
                {"cohort_id": row["cohort_id"], "module": module, "code": code, "van": row["van"],
                 "standing": "unknown" if never_asked else "with" if n_present else "without",
                 "n_scans": 0 if never_asked else 4, "n_present": 0 if never_asked else n_present,
                 "first_at": newest["scanned_at"].min(), "last_at": newest["scanned_at"].max()}
            )  # fmt: skip
    return pl.DataFrame(rows, infer_schema_length=None)


def _prevalence(standings: pl.DataFrame) -> pl.DataFrame:
    rows = []
    for (cohort, module, code), group in standings.group_by(
        "cohort_id", "module", "code", maintain_order=True
    ):
        known = group.filter(pl.col("standing") != "unknown")
        with_it = known.filter(pl.col("standing") == "with").height
        is_flow = (module, code) == FLOW
        rows.append(
            {"cohort_id": cohort, "module": module, "code": code, "title": TITLES[str(module), str(code)],
             "structure": "standard" if is_flow else "number", "n_vans": known.height, "n_vans_with": with_it,
             "n_vans_unknown": group.height - known.height, **_share(with_it, known.height),
             "n_scans": int(known["n_scans"].sum()), "n_vans_lamp": with_it if is_flow else 0,
             "n_vans_lamp_known": with_it if is_flow else 0}
        )  # fmt: skip
    return pl.DataFrame(rows, infer_schema_length=None)


def _returns(vans: pl.DataFrame, until: dt.datetime) -> pl.DataFrame:
    """Six vans cleared: four came back, two stayed without."""
    rows = []
    for n, row in enumerate(vans.head(6).iter_rows(named=True)):
        came = n not in (2, 5)
        low, high = 10 + 7 * n, (24 + 7 * n if came else None)
        rows.append(
            {"van": row["van"], "cohort_id": row["cohort_id"], "module": FLOW[0], "code": FLOW[1],
             "cleared_at": until - dt.timedelta(days=120), "has_returned": came, "days_low": low, "days_high": high,
             "days": (low + high) / 2 if high else float(low), "km_low": 40.0 * low, "km_high": 40.0 * high if high else None,
             "km": 40.0 * ((low + high) / 2 if high else low), "n_scans": 3}
        )  # fmt: skip
    return pl.DataFrame(rows, infer_schema_length=None)


def build_code_tables(vans: pl.DataFrame, scans: pl.DataFrame, until: dt.datetime) -> dict[str, pl.DataFrame]:
    """Return the published tables on codes of the invented fleet."""
    answers = _scan_rows(vans, scans)
    standings = _standings(answers, vans)
    storm = answers.filter("is_low_voltage").row(0, named=True)
    held = (
        ("supply_code", 3, "a code for low supply voltage"),
        ("weak_voltage", 2, "the battery was low at rest or while cranking"),
        ("stood_or_drained", 2, "the van had stood for days"),
    )
    association = {
        "attribute": "parking", "level": "open", "level_name": "open", "module": NUMBER[0], "code": NUMBER[1], "is_tested": True,
        "odds_ratio": 12.4, "odds_low": 2.1, "odds_high": None, "p": 0.002, "q": 0.01, "method": "exact", "n_vans": 30,
        "n_strata": 4, "n_exposed_with": 14, "n_exposed_without": 2, "n_other_with": 2, "n_other_without": 12, "tier": "finding",
    }  # fmt: skip
    guard = association | {
        "attribute": "windscreen_guard", "level": "no", "level_name": "no", "odds_ratio": 2.2, "odds_low": 0.4, "odds_high": 9.0,
        "p": 0.04, "q": 0.2, "rival_attribute": "parking", "rival_level": "open", "p_beside_rival": 0.4, "tier": "none",
    }  # fmt: skip
    return {
        "code_scans": answers,
        "van_codes": _entries(answers, dict(vans.select("van", "cohort_id").iter_rows())),
        "code_vans": standings,
        "code_prevalence": _prevalence(standings),
        "code_returns": _returns(vans, until),
        "code_pairs": pl.DataFrame(
            {"module": [NUMBER[0]], "code": [NUMBER[1]], "other_module": [FLOW[0]], "other_code": [FLOW[1]], "n_scans": [300],
             "n_with": [90], "n_with_other": [40], "n_both": [20], "lift": [1.67], "overlap": [0.18], "n_vans": [31],
             "n_vans_with": [16], "n_vans_with_other": [7], "n_vans_both": [4]}
        ),
        "code_associations": pl.DataFrame([association, guard], infer_schema_length=None),
        "code_endings": pl.DataFrame(
            {"van": ["061", "063"], "module": [NUMBER[0]] * 2, "code": [NUMBER[1]] * 2, "at": [until] * 2,
             "what": ["replaced"] * 2, "part": ["door lock"] * 2, "last_seen": [until] * 2, "absent_at": [until] * 2,
             "n_absent_since": [4, 6]}
        ),
        "code_readers": pl.DataFrame(
            {"reader": ["Blue handheld"], "other_reader": ["Yard tablet"], "module": [FLOW[0]], "code": [FLOW[1]], "n_asked": [6],
             "n_pairs": [5], "n_both": [3], "n_only": [2], "n_only_other": [0], "n_only_faint": [1], "n_only_other_faint": [0],
             "n_vans": [2]}
        ),
        "code_failure_types": pl.DataFrame(
            {"van": ["061", "063"], "module": [FLOW[0]] * 2, "code": [FLOW[1]] * 2, "failure_type": ["22", "22"],
             "failure_says": ["signal amplitude above maximum"] * 2, "n_scans": [3, 1], "last_seen": [until] * 2}
        ),
        "code_freeze_frames": pl.DataFrame(
            [{"module": FLOW[0], "code": FLOW[1], "state": state, "parameter": parameter, "n_vans": n, "n_frames": n + 2,
              "value": value, "value_low": value * 0.9, "value_high": value * 1.1, "n_fleet_vans": fleet,
              "fleet_value": 0.95 * value if fleet else None, "fleet_low": 0.9 * value if fleet else None,
              "fleet_high": value if fleet else None}
             for state, n, fleet in (("warm_idle", 5, 22), ("any", 6, 0))
             for parameter, value in (("engine_speed", 812.0), ("coolant_temp", 84.0))],
            infer_schema_length=None,
        ),
        "low_voltage_scans": pl.DataFrame(
            {"scan_key": [storm["scan_key"]], "scan_id": [storm["scan_key"].split("/")[1]], "van": [storm["van"]],
             "reader": [storm["reader"]], "scanned_at": [storm["scanned_at"]], "points": [7], "verdict": ["likely"],
             "is_cluster": [True], "is_over": [False], "n_codes": [1], "n_modules": [1], "standing_days": [9.0], "rest_v": [11.8]}
        ),
        "low_voltage_evidence": pl.DataFrame(
            [{"scan_key": storm["scan_key"], "van": storm["van"], "scanned_at": storm["scanned_at"], "rule": r, "points": p, "says": s}
             for r, p, s in held]
        ),
    }  # fmt: skip
