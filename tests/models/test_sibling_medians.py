"""The median of the others, told from the middle of a group and its two neighbours, against numpy's own median."""

from __future__ import annotations

import duckdb
import numpy as np
import pytest

from pipeline.warehouse import models

MODEL = {m.name: m for m in models.load()}["int_sibling_months"]
N_VANS = 10


def _siblings_of(level: np.ndarray, amount: np.ndarray) -> dict[tuple[int, int], float]:
    """Sibling median by van and group, of vans with a level (group, van) that stand so far from it in one month."""
    rows = [
        (g, g * N_VANS + v, float(level[g, v]), float(amount[g, v]))
        for g in range(len(level))
        for v in range(g + 2)
    ]
    with duckdb.connect() as con:
        con.execute("create table given (group_no int, van_no int, level double, amount double)")
        con.executemany("insert into given values (?, ?, ?, ?)", rows)
        con.execute("create table stg_settings as select 1 as min_siblings")
        con.execute("create table int_fleet as select timestamp '2026-03-02' as data_to")
        con.execute(
            "create table int_sibling_groups as select *, 1 as cell_no, true as is_judged, false as is_fallback from given"
        )
        con.execute(
            "create table int_followed_epochs as select *, 1 as cell_no, 0 as epoch, 4 as n_scans, true as is_last from given"
        )
        con.execute(
            """
            create table int_followed_months as
            select van_no, 1 as cell_no, 0 as epoch, date '2026-01-01' as scan_month, 1 as n_scans,
                level + amount as value_compared, 9 as age_days, 1 as first_no, 1 as last_no
            from given
            """
        )
        found = con.execute(f"select van_no, sibling_median from ({MODEL.text})").fetchall()
    return {divmod(van, N_VANS): median for van, median in found}


@pytest.mark.parametrize("step", [0.001, 1.0, 100.0], ids=["apart", "some alike", "all alike"])
def test_the_median_of_the_others_is_numpys(step: float) -> None:
    """Groups of 2 to 10 vans, values rounded to a step so that some, or all, are alike."""
    rng = np.random.default_rng(20261128)
    level, amount = np.round(rng.normal(0, 2, (2, N_VANS - 1, N_VANS)) / step) * step
    found = _siblings_of(level, amount)
    assert len(found) == sum(range(2, N_VANS + 1))
    for (g, v), median in found.items():
        others = np.delete(np.arange(g + 2), v)
        expected = np.median(level[g, others]) + np.median(amount[g, others])
        assert median == pytest.approx(expected, abs=1e-12)
