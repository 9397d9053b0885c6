"""A small invented fleet, published as the warehouse publishes: 31 vans of a laundry-and-linen hire firm.

Levels are drawn, sibling scores are the plain leave-one-out t of Crawford and Howell (1998) without
moderation, and findings are written by hand, so the pages have every tier, verdict and kind to show.
"""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl
from scipy import stats

from pipeline import vocabulary
from tests.dashboard.code_fleet import build_code_tables
from tests.dashboard.compare_fleet import build_compare_tables
from tests.dashboard.repair_fleet import build_repair_tables

HOSTILE_VAN = '=1+2"><img src=x onerror=alert(1)>[free](http://evil.example)'
HOSTILE_NOTE = (
    '=HYPERLINK("http://evil.example") ![x](http://evil.example/p.png) \u202eevil\u202c <script>x</script>'
)
DATA_TO = dt.datetime(2026, 9, 30, 17, 30)
READERS = ("Blue handheld", "Yard tablet")

# cohort: make, model, engine, litres, model year, names of its vans. Invented.
COHORTS: tuple[tuple[str, str, str, float, int, tuple[str, ...]], ...] = (
    ("Tarnwell", "Bracken 22", "2.2D", 2.2, 2014, tuple(f"{n:03d}" for n in range(41, 53))),
    ("Tarnwell", "Bracken 22", "2.2D", 2.2, 2016, (*(f"{n:03d}" for n in range(61, 69)), HOSTILE_VAN)),
    ("Ostrey", "Pell", "3.0D", 3.0, 2015, tuple(f"{n:03d}" for n in range(71, 78))),
    ("Ostrey", "Pell", "3.0D", 3.0, 2018, ("081", "082", "083")),
)
# parameter, state, level, shift per cohort, spread between vans, spread between scans. Invented.
CELLS: tuple[tuple[str, str, float, float, float, float], ...] = (
    ("coolant_temp", "warm_idle", 86.0, 1.5, 1.4, 1.2),
    ("coolant_temp", "steady_cruise", 88.0, 1.2, 1.3, 1.0),
    ("air_mass_per_stroke", "warm_idle", 310.0, 22.0, 11.0, 9.0),
    ("air_mass_per_stroke", "steady_cruise", 520.0, 30.0, 16.0, 14.0),
    ("rail_pressure", "warm_idle", 28.0, 0.8, 0.5, 0.4),
    ("egr_command", "warm_idle", 34.0, 3.0, 3.2, 3.0),
    ("engine_load", "warm_idle", 22.0, 1.0, 1.6, 1.5),
    ("intake_air_temp", "warm_idle", 27.0, 0.5, 2.6, 3.5),
    ("supply_voltage", "warm_idle", 14.1, 0.05, 0.09, 0.07),
    ("injection_quantity", "warm_idle", 7.6, 0.5, 0.35, 0.3),
    ("battery_rest_voltage", "engine_off", 12.55, 0.02, 0.08, 0.09),
)
PLANTED: dict[tuple[str, str, str], float] = {
    ("047", "coolant_temp", "warm_idle"): -11.0,
    ("047", "coolant_temp", "steady_cruise"): -9.0,
    ("044", "air_mass_per_stroke", "warm_idle"): -72.0,
    ("066", "supply_voltage", "warm_idle"): -0.55,
    (HOSTILE_VAN, "rail_pressure", "warm_idle"): 3.2,
    ("073", "egr_command", "warm_idle"): 14.0,
}
DRIFTED = ("051", "injection_quantity", "warm_idle", 2.4)


@dataclass(frozen=True)
class Fleet:
    """Where the invented fleet was published and what a test needs to name in it."""

    home: Path
    build_id: str


def _vans() -> pl.DataFrame:
    rows = []
    for make, model, engine, litres, year, names in COHORTS:
        for number, van in enumerate(names):
            rows.append(
                {
                    "van": van,
                    "vin": None,
                    "vin_status": None,
                    "make": make,
                    "model": model,
                    "engine": engine,
                    "model_year": year,
                    "cohort_id": f"{make}|{model}|{engine}|{year}",
                    "cohort": f"{make} {model} {engine} {year}",
                    "family_id": f"{make}|{model}|{engine}",
                    "family": f"{make} {model} {engine}",
                    "fuel": "diesel",
                    "displacement_l": litres,
                    "depot": ("Mill Lane", "Harbour Road")[number % 2],
                    "in_service": dt.date(year, 3 + number % 9, 14),
                    "out_of_service": None,
                    "age_years": round(2026.75 - year - number / 12, 1),
                    "odometer_km": None if van == "083" else 15_000.0 * (2027 - year) + 2_900 * number,
                }
            )
    return pl.DataFrame(rows, infer_schema_length=None)


def _scans(vans: pl.DataFrame, random: np.random.Generator) -> pl.DataFrame:
    rows = []
    for number, van in enumerate(vans["van"]):
        n_scans = 1 if van == "083" else 12 + number % 5
        for k in range(n_scans):
            at = DATA_TO - dt.timedelta(days=7 + 29 * k + number % 7, hours=number % 9)
            rows.append(
                {
                    "scan_key": f"{READERS[(number + k) % 2]}/s-{number:02d}-{k:02d}",
                    "scan_id": f"s-{number:02d}-{k:02d}",
                    "van": van,
                    "reader": READERS[(number + k) % 2],
                    "reader_version": "4.1",
                    "scanned_at": at,
                    "odometer_km": 200_000.0 - 800 * k,
                    "ambient_c": 12.0,
                    "rest_v": 12.5 + float(random.normal(0, 0.05)),
                    "standing_days": 1.0,
                    "coverage_known": True,
                    "n_readings": 30,
                    "n_codes": number % 3,
                    "n_modules_answered": 3,
                    "n_modules_silent": k % 2,
                }
            )
    return pl.DataFrame(rows, infer_schema_length=None)


def _levels(vans: pl.DataFrame, scans: pl.DataFrame, random: np.random.Generator) -> pl.DataFrame:
    cohorts = vans["cohort_id"].unique(maintain_order=True).to_list()
    order = {van: cohorts.index(cohort) for van, cohort in vans.select("van", "cohort_id").iter_rows()}
    frames = []
    for parameter, state, level, shift, between, within in CELLS:
        own = {v: level + shift * order[v] + random.normal(0, between) for v in order}
        planted = {v: own[v] + PLANTED.get((v, parameter, state), 0.0) for v in own}
        value = np.array([planted[v] for v in scans["van"]]) + random.normal(0, within, len(scans))
        if (parameter, state) == DRIFTED[1:3]:
            late = (scans["scanned_at"] > DATA_TO - dt.timedelta(days=90)) & (scans["van"] == DRIFTED[0])
            value = value + late.to_numpy() * DRIFTED[3]
        frame = scans.select("scan_key", "van", "reader", "scanned_at").with_columns(
            pl.lit(parameter).alias("parameter"),
            pl.lit(state).alias("state"),
            pl.Series("value", value),
            pl.lit(6).alias("n_rows"),
            pl.lit(6).alias("n_limit_rows"),
            pl.lit(0).alias("n_outside_rows"),
            pl.lit(None, pl.Float64).alias("low"),
            pl.lit(None, pl.Float64).alias("high"),
            pl.col("scanned_at").dt.truncate("1mo").dt.date().alias("scan_month"),
        )
        frames.append(frame)
    return pl.concat(frames).join(vans.select("van", "cohort_id", "family_id"), on="van")


def _unscored(reason: str, n_siblings: int) -> dict[str, Any]:
    empty = dict.fromkeys(
        (
            "expected",
            "difference",
            "interval_low",
            "interval_high",
            "score",
            "df",
            "p",
            "q",
            "detectable",
            "sibling_median",
            "sibling_low",
            "sibling_high",
            "shrunken_difference",
        )
    )
    return empty | {
        "robust": False,
        "tier": "not_enough_evidence",
        "verdict": "not_judged",
        "reason": reason,
        "n_siblings": n_siblings,
        "n_clean": n_siblings,
        "is_small_group": True,
    }


def _judge(y: np.ndarray, i: int, cutoffs: tuple[float, float]) -> dict[str, Any]:
    """Score one van against the others of its cohort (Crawford and Howell 1998)."""
    others = np.delete(y, i)
    n = len(others)
    if n < 3:
        return _unscored(f"only {n} siblings have this reading; 3 are needed", n)
    clean = others[np.abs(others - np.median(others)) <= 5 * stats.median_abs_deviation(others) + 1e-9]
    spread = clean.std(ddof=1) * np.sqrt(1 + 1 / len(clean))
    t = (y[i] - clean.mean()) / spread
    p = float(2 * stats.t.sf(abs(t), len(clean) - 1))
    half = float(stats.t.isf(0.025, len(clean) - 1) * spread)
    tier = "finding" if p < cutoffs[0] else "likely" if p < cutoffs[1] else "none"
    side = "above" if t > 0 else "below"
    return {
        "expected": clean.mean(),
        "difference": y[i] - clean.mean(),
        "interval_low": y[i] - clean.mean() - half / 3,
        "interval_high": y[i] - clean.mean() + half / 3,
        "score": t,
        "df": float(len(clean) - 1),
        "p": p,
        "q": min(1.0, p * 40),
        "robust": p < 1e-5,
        "is_small_group": n <= 4,
        "detectable": 4 * float(spread),
        "n_siblings": n,
        "n_clean": len(clean),
        "sibling_median": np.median(clean),
        "sibling_low": clean.mean() - half,
        "sibling_high": clean.mean() + half,
        "shrunken_difference": 0.8 * (y[i] - clean.mean()),
        "tier": tier,
        "verdict": {"finding": side, "likely": "borderline"}.get(tier, "within"),
        "reason": None,
    }


def _scores(levels: pl.DataFrame) -> pl.DataFrame:
    recent = pl.col("scanned_at") > DATA_TO - dt.timedelta(days=90)
    per_van = levels.group_by("van", "cohort_id", "parameter", "state", maintain_order=True).agg(
        pl.col("value").mean().alias("level"),
        pl.len().alias("n_scans"),
        (pl.col("value").filter(recent).mean() - pl.col("value").filter(~recent).mean()).alias("change"),
        recent.sum().alias("n_recent"),
        pl.col("scanned_at").min().alias("first_seen"),
        pl.col("scanned_at").max().alias("last_seen"),
    )
    units = {p.key: p.unit for p in vocabulary.parameters()}
    rows = []
    for channel in ("level", "change"):
        for (cohort, parameter, state), cell in per_van.drop_nulls(channel).group_by(
            "cohort_id", "parameter", "state", maintain_order=True
        ):
            y = cell[channel].to_numpy()
            for i, row in enumerate(cell.iter_rows(named=True)):
                rows.append(
                    _judge(y, i, (4e-4, 4e-3))
                    | {
                        "channel": channel,
                        "van": row["van"],
                        "cohort_id": cohort,
                        "is_fallback": False,
                        "parameter": parameter,
                        "state": state,
                        "unit": units[parameter],
                        "value": row[channel],
                        "n_vans": len(y),
                        "first_seen": row["first_seen"],
                        "last_seen": row["last_seen"],
                        "n_scans": row["n_scans"] if channel == "level" else row["n_recent"],
                        "n_scans_earlier": 0 if channel == "level" else row["n_scans"] - row["n_recent"],
                    }
                )
    return pl.DataFrame(rows, infer_schema_length=None)


def _shares() -> pl.DataFrame:
    """Two readings shared out: one by vans, one from scan to scan with a reader that cannot be told."""
    parts = {
        ("coolant_temp", "°C"): {
            "model_year": 0.05,
            "van": 0.65,
            "reader": 0.02,
            "exposure": None,
            "rest": 0.28,
        },
        ("intake_air_temp", "°C"): {
            "model_year": 0.0,
            "van": 0.16,
            "reader": None,
            "exposure": 0.2,
            "rest": 0.64,
        },
    }
    return pl.DataFrame(
        [
            {
                "parameter": parameter,
                "state": "warm_idle",
                "unit": unit,
                "part": part,
                "share": share,
                "low": None if share is None or part == "exposure" else share * 0.8,
                "high": None if share is None or part == "exposure" else min(1.0, share * 1.2 + 0.02),
                "deviation": None if share is None else 2 * share**0.5,
                "n_levels": 4,
                "n_vans": 31,
                "n_scans": 400,
                "reason": "one reader only" if share is None else None,
            }
            for (parameter, unit), shares in parts.items()
            for part, share in shares.items()
        ],
        infer_schema_length=None,
    )


def _finding(number: int, kind: str, tier: str, claim: str, **more: Any) -> dict[str, Any]:
    return {
        "finding_id": f"f{number:03d}",
        "kind": kind,
        "tier": tier,
        "rank": number,
        "claim": claim,
        "also": "[]",
        "rivals": json.dumps(more.pop("rivals", ["another model year of the same part"])),
        "next_check": more.pop("next_check", "Read it again on this van and two siblings, same state."),
        "cautions": json.dumps(more.pop("cautions", [])),
        "robust": False,
        "first_seen": DATA_TO - dt.timedelta(days=340),
        "last_seen": DATA_TO - dt.timedelta(days=7),
        **more,
    }


def _cell_findings(scores: pl.DataFrame) -> list[dict[str, Any]]:
    """Level and change findings, from the cells whose tier says so."""
    names = {p.key: p.name for p in vocabulary.parameters()}
    states = {s.key: s.name for s in vocabulary.states()}
    kept = (
        "value",
        "expected",
        "difference",
        "unit",
        "interval_low",
        "interval_high",
        "score",
        "p",
        "q",
        "robust",
        "detectable",
        "n_siblings",
        "n_vans",
        "n_scans",
        "van",
        "cohort_id",
        "parameter",
        "state",
    )
    rows = []
    flagged = scores.filter(pl.col("tier").is_in(["finding", "likely"])).sort("p")
    for number, row in enumerate(flagged.iter_rows(named=True), 1):
        side = "higher" if row["difference"] > 0 else "lower"
        moved = "has moved" if row["channel"] == "change" else "reads"
        claim = (
            f"Van {row['van']} {moved} {abs(row['difference']):.2f} {row['unit']} {side} than its"
            f" {row['n_siblings']} siblings: {names[row['parameter']]}, {states[row['state']]}."
        )
        kind = "van_change" if row["channel"] == "change" else "van_level"
        cautions = [
            "Hot coolant is under pressure: do not open until cold. A fan may start with the key off."
        ]
        more = {key: row[key] for key in kept} | {"against": "siblings"}
        more["cautions"] = cautions if row["parameter"] == "coolant_temp" else []
        rows.append(_finding(number, kind, row["tier"], claim, **more))
    return rows


def _findings(scores: pl.DataFrame) -> pl.DataFrame:
    rows = _cell_findings(scores)
    number = len(rows)
    cohort = {
        "cohort_id": "Tarnwell|Bracken 22|2.2D|2016",
        "make": "Tarnwell",
        "model": "Bracken 22",
        "engine": "2.2D",
        "model_year": 2016,
    }
    rows += [
        _finding(
            number + 1,
            "code_fleetwide",
            "finding",
            "7 of 9 vans of this group carry P0401 (recirculation flow too low).",
            code="P0401",
            module="engine",
            n_vans=9,
            n_scans=118,
            against="siblings",
            **cohort,
        ),
        _finding(
            number + 2,
            "reader_bias",
            "likely",
            "Yard tablet reads 1.4 °C above Blue handheld on the same vans.",
            reader="Yard tablet",
            parameter="coolant_temp",
            state="warm_idle",
            difference=1.4,
            unit="°C",
            interval_low=0.9,
            interval_high=1.9,
            n_vans=28,
            n_scans=390,
            against="other_reader",
        ),
        _finding(
            number + 3,
            "record_conflict",
            "watch",
            "Van 061 went back 41,000 km between two scans.",
            van="061",
            scan_id="s-12-03",
            n_scans=2,
            against="own_past",
        ),
    ]
    return pl.DataFrame(rows, infer_schema_length=None)


def _records(vans: pl.DataFrame, scans: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Everything that is written down rather than measured."""
    at = DATA_TO - dt.timedelta(days=70)
    exposures = [
        {"van": v, "attribute": "parking", "value": ("open", "shaded")[n % 2], "is_current": True}
        for n, v in enumerate(vans["van"])
    ]
    codes = (
        scans.filter(pl.col("n_codes") > 0)
        .select("scan_key", "van", "scanned_at", "reader")
        .with_columns(
            pl.lit("engine").alias("module"),
            pl.lit("P0401").alias("code"),
            pl.lit("standard").alias("structure"),
            pl.lit("stored").alias("status"),
            pl.lit(False).alias("lamp"),
            pl.lit(None, pl.String).alias("text"),
        )
    )
    coverage = (
        scans.group_by("van", maintain_order=True)
        .agg(
            pl.len().alias("n_scans"),
            pl.col("scanned_at").max().alias("last_scan_at"),
            pl.col("reader").n_unique().alias("n_readers"),
        )
        .with_columns(
            ((pl.lit(DATA_TO) - pl.col("last_scan_at")).dt.total_days())
            .cast(pl.Float64)
            .alias("days_since_scan"),
            pl.lit(9).alias("n_parameters"),
            pl.lit(18).alias("n_cells_scored"),
            pl.lit(3).alias("n_cells_not_judged"),
        )
    )
    file = {"batch_id": 1, "file_id": "0" * 64, "file": "readings_september.csv"}
    return {
        "van_exposures": pl.DataFrame(exposures),
        "variance_shares": _shares(),
        "scan_codes": codes,
        "coverage": coverage,
        "work": pl.DataFrame(
            {
                "van": ["047", "044"],
                "at": [at, at],
                "what": ["replaced", "cleared"],
                "part": ["thermostat", None],
                "relearn": ["not_needed", None],
                "note": [HOSTILE_NOTE, None],
                "cost": [148.0, None],
            }
        ),
        "notes": pl.DataFrame(
            {
                "van": ["047", HOSTILE_VAN],
                "at": [at, at],
                "who": ["driver", "driver"],
                "text": ["slow to warm up, heater weak", HOSTILE_NOTE],
            }
        ),
        "rejects": pl.DataFrame(
            [
                file
                | {
                    "table_name": "readings",
                    "line": 7,
                    "column_name": "value",
                    "value": "12,5,1",
                    "reason": "not a number",
                    "remedy": "Write one decimal point.",
                }
            ]
        ),
        "files": pl.DataFrame(
            [
                file
                | {
                    "layout": "tidy",
                    "table_name": "readings",
                    "size_bytes": 81_220,
                    "loaded_at": DATA_TO,
                    "taken": 4_100,
                    "duplicates": 12,
                    "rejected": 1,
                }
            ]
        ),
        "record_conflicts": pl.DataFrame(
            {
                "conflict_kind": ["odometer_back"],
                "van": ["061"],
                "scan_key": ["Blue handheld/s-12-03"],
                "other_scan_key": ["Blue handheld/s-12-04"],
                "at": [at],
                "value": [160_000.0],
                "other_value": [201_000.0],
                "unit": ["km"],
                "detail": ["The odometer went back 41,000 km."],
            }
        ),
        "limit_shares": pl.DataFrame(
            {
                "cohort_id": ["Tarnwell|Bracken 22|2.2D|2014"],
                "parameter": ["coolant_temp"],
                "state": ["warm_idle"],
                "reader": ["Blue handheld"],
                "source": ["row"],
                "low": [80.0],
                "high": [98.0],
                "n_vans": [12],
                "n_vans_outside": [1],
                "n_above": [0],
                "n_below": [1],
                "n_scans": [84],
            }
        ),
    }


def build_tables(seed: int = 4) -> dict[str, pl.DataFrame]:
    """Return every published table of the invented fleet but `builds`; the tables are drawn once, the dict is the caller's."""
    return dict(_draw_tables(seed))


@cache
def _draw_tables(seed: int) -> dict[str, pl.DataFrame]:
    random = np.random.default_rng(seed)
    vans = _vans()
    scans = _scans(vans, random)
    levels = _levels(vans, scans, random)
    scores = _scores(levels)
    seen = scans.group_by("van").agg(
        pl.len().alias("n_scans"),
        pl.col("scanned_at").min().alias("first_scan_at"),
        pl.col("scanned_at").max().alias("last_scan_at"),
    )
    return {
        "vans": vans.join(seen, on="van", how="left", maintain_order="left"),
        "scans": scans,
        "scan_levels": levels,
        "sibling_scores": scores,
        **build_repair_tables(vans, DATA_TO),
        "findings": _findings(scores),
        **_records(vans, scans),
        **build_code_tables(vans, scans, DATA_TO),
        **build_compare_tables(vans, scans, levels),
    }


def publish(home: Path, build: int = 1, *, tables: dict[str, pl.DataFrame] | None = None) -> Fleet:
    """Write the fleet as build number `build` into `home` and point to it."""
    tables = build_tables() if tables is None else tables
    folder = home / "warehouse"
    folder.mkdir(parents=True, exist_ok=True)
    name, build_id = f"marts-{build:06d}.duckdb", f"b{build:07d}"
    built_at = DATA_TO + dt.timedelta(hours=build)
    builds = pl.DataFrame(
        [
            {
                "build_id": build_id,
                "built_at": built_at,
                "data_to": DATA_TO,
                "vans": tables["vans"].height,
                "scans": tables["scans"].height,
                "readings": tables["scan_levels"].height * 6,
                "cells_tested": tables["sibling_scores"]["p"].count(),
                "p_cutoff": 4e-4,
                "expected_by_chance": tables["sibling_scores"]["p"].count() * 4e-4,
                "n_findings": tables["findings"].filter(pl.col("tier") == "finding").height,
            }
        ]
    )
    with duckdb.connect(str(folder / name)) as connection:
        connection.begin()  # one commit, for every commit waits for the disk
        for seam in ("marts.sql", "code_marts.sql", "compare_marts.sql", "repair_marts.sql"):
            connection.execute(Path(__file__).with_name(seam).read_text(encoding="utf-8"))
        for table, rows in {"builds": builds, **tables}.items():
            connection.register("given", rows.to_arrow())
            connection.execute(f"insert into {table} by name select * from given")
            connection.unregister("given")
        for table in ("parameters", "states", "cautions", "parameter_cautions", "code_titles"):
            connection.register("given", vocabulary.tables()[table])
            connection.execute(f"create table {table} as select * from given")
            connection.unregister("given")
        connection.commit()
    pointer = {"file": name, "build_id": build_id, "built_at": built_at.isoformat()}
    (folder / "current.json").write_text(json.dumps(pointer), encoding="utf-8")
    return Fleet(home, build_id)
