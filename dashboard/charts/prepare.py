"""Build every chart's spec before anybody waits for it."""

from __future__ import annotations

from importlib import import_module

from dashboard.charts import (
    ages,
    agreement,
    code_returns,
    code_shares,
    code_strips,
    costs,
    exposures,
    repairs,
    series,
    shares,
    shift_rows,
    siblings,
    van,
)
from dashboard.charts.palette import DARK, LIGHT


def prepare_charts() -> None:
    """Build and check each spec in light and dark; later only data and titles are swapped in."""
    # Altair looks whether pandas is loaded; found half loaded by another thread, it fails. Importing waits for the whole.
    import_module("pandas")
    for theme in (LIGHT, DARK):
        for chart in (
            siblings,
            van,
            series,
            code_shares,
            code_strips,
            code_returns,
            exposures,
            shift_rows,
            repairs,
            costs,
            agreement,
            shares,
        ):
            chart.build_template(theme.name)
        for kind in ("date", "number"):
            ages.build_template(theme.name, kind)
