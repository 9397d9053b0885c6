"""Worked pictures of invented vans, drawn by the same charts as the pages, to learn the marks from."""

from __future__ import annotations

import datetime as dt
from typing import Any

import polars as pl

from dashboard.charts.code_names import Code
from dashboard.charts.code_strips import draw_strips
from dashboard.charts.frame import Chart
from dashboard.charts.palette import Theme
from dashboard.charts.siblings import draw_siblings
from dashboard.charts.van import draw_van
from dashboard.charts.words import Reading

_GROUP = "Ten vans of one model year"
_RANGE = (85.4, 90.6)
_LEVELS = (86.2, 86.9, 87.3, 87.6, 87.9, 88.1, 88.4, 88.8)
_COOLANT = Reading("coolant_temp", "warm_idle", "Engine coolant temperature", "warm idle", "°C", 1)


def _cell(van: str, value: float, verdict: str = "within", **more: Any) -> dict[str, Any]:
    """One van in one reading, as the question behind the chart would give it."""
    return {
        "van": van, "cohort_id": "a", "cohort": _GROUP, "value": value, "verdict": verdict, "expected": 88.0,
        "difference": value - 88.0, "interval_low": value - 88.7, "interval_high": value - 87.3, "n_scans": 14,
        "n_siblings": 9, "sibling_low": _RANGE[0], "sibling_median": 88.0, "sibling_high": _RANGE[1], "is_fallback": False,
        "reason": None,
    } | more  # fmt: skip


def draw_worked_strip(theme: Theme) -> Chart:
    """One reading across ten invented vans: one below, one not judged, the rest within."""
    cells = [_cell(f"{n:02d}", value) for n, value in enumerate(_LEVELS, 1)]
    cells.append(_cell("09", 79.5, "below"))
    cells.append(_cell("10", 89.7, "not_judged", n_scans=1, reason="one scan is too few"))
    ranges = [{
        "cohort_id": "a", "cohort": _GROUP, "n_vans": 10, "n_scans": 127, "sibling_low": _RANGE[0],
        "sibling_median": 88.0, "sibling_high": _RANGE[1], "is_fallback": False, "reason": None,
    }]  # fmt: skip
    return draw_siblings(pl.DataFrame(cells), pl.DataFrame(ranges), _COOLANT, "09", theme)


def draw_worked_van(theme: Theme) -> Chart:
    """Three readings of one invented van: clearly out, out but unsure, within."""
    rows = [
        ("Battery resting voltage", "key on, engine off", "V", "below", -0.55, (-0.62, -0.48), 0.22, 12),
        ("Manifold pressure", "warm idle", "kPa", "borderline", 1.6, (0.2, 3.0), 1.3, 3),
        ("Engine coolant temperature", "warm idle", "°C", "within", 0.4, (-0.3, 1.1), 2.4, 14),
    ]
    cells = [
        {
            "parameter": name, "state": state, "parameter_name": name, "state_name": state, "unit": unit,
            "smallest_useful": 0.15 if unit == "V" else 1.0, "resolution": 0.01, "channel": "level",
            "verdict": verdict, "value": difference, "expected": 0.0, "difference": difference,
            "interval_low": low, "interval_high": high, "sibling_low": -reach, "sibling_high": reach,
            "n_scans": n, "n_siblings": 9, "reason": None,
        }
        for name, state, unit, verdict, difference, (low, high), reach, n in rows
    ]  # fmt: skip
    return draw_van("09", pl.DataFrame(cells), theme)


def draw_worked_code(theme: Theme) -> Chart:
    """One code on three invented vans: steady, gone after clearing, and a module that stays silent."""
    told = {
        "03": ("present",) * 5,
        "07": ("present", "present", "absent", "absent", "absent"),
        "08": ("present", "not_answered", "unknown", "absent", "present"),
    }
    start = dt.datetime(2026, 3, 2, 8)
    scans = [
        {
            "van": van, "scanned_at": start + dt.timedelta(days=21 * n), "standing": standing, "reader": "Yard tablet",
            "why_unknown": "not_asked" if standing == "unknown" else None, "status": None, "lamp": False,
            "is_low_voltage": False,
        }
        for van, answers in told.items()
        for n, standing in enumerate(answers)
    ]  # fmt: skip
    vans = [
        {"van": "03", "n_later_present": 4, "n_later_covered": 4, "share_low": 0.51, "share_high": 1.0},
        {"van": "07", "n_later_present": 1, "n_later_covered": 4, "share_low": 0.05, "share_high": 0.70},
        {"van": "08", "n_later_present": 1, "n_later_covered": 2, "share_low": 0.09, "share_high": 0.91},
    ]
    clears = [{"van": "07", "cleared_at": start + dt.timedelta(days=30)}]
    code = Code("engine", "P0401", "exhaust gas recirculation flow too low", "standard")
    listed = pl.DataFrame(vans).with_columns(has_shown=pl.lit(True), cohort=pl.lit("one model year"))
    return draw_strips(code, listed, pl.DataFrame(scans), pl.DataFrame(clears), theme)
