"""SQL that other engines answer differently is refused; the rest is put into Spark's dialect."""

from __future__ import annotations

import pytest

from pipeline.warehouse import models, portable

REFUSED = [
    "mad(x)",
    "list(x order by y)",
    "array_agg(x)",
    "date_diff('day', a, b)",
    "date_diff('month', a::date, b::date)",
    "x::int",
    "cast(x as bigint)",
    "cast(1.5 as integer)",
    "log(x)",
    "approx_quantile(x, 0.5)",
    "approx_count_distinct(x)",
    "percentile_cont(0.5) within group (order by x)",
    "extract(dow from d)",
    "extract(epoch from d)",
    "mode(x)",
    "any_value(x)",
    "x / (a - b)",
    "x / 0",
    "x / n",
    "count(distinct x) over ()",
    "median(x) over (order by y rows between 1 preceding and current row)",
    "list_aggregate(x, 'median')",
    "skewness(x)",
    "kurtosis(x)",
    "first(x order by y)",
    "isnan(x)",
]
ALLOWED = [
    "date_diff('day', cast(a as date), cast(b as date))",
    "cast(round(x) as bigint)",
    "cast(count(*) as bigint)",
    "x / nullif(n, 0)",
    "x / 3.6",
    "x / greatest(n, 0.001)",
    "median(x)",
    "quantile_cont(cast(x as double), 0.25)",
    "row_number() over (partition by a order by b)",
    "arg_max(x, y) filter (where x is not null)",
    "ln(x)",
    "log10(x)",
]


@pytest.mark.parametrize("sql", REFUSED)
def test_unportable_sql_is_refused(sql: str) -> None:
    assert portable.complaints(models.parse(f"select {sql} as v from t"))


@pytest.mark.parametrize("sql", ALLOWED)
def test_portable_sql_is_not(sql: str) -> None:
    assert portable.complaints(models.parse(f"select {sql} as v from t")) == []


@pytest.mark.parametrize(
    "sql",
    [
        "select a.x from a asof join b on a.t >= b.t",
        "select a.x from a positional join b",
        "select * exclude (x) from t",
        "select * replace (x + 1 as x) from t",
        "select * from t pivot (sum(x) for y in ('a', 'b'))",
    ],
)
def test_unportable_shapes_are_refused(sql: str) -> None:
    assert portable.complaints(models.parse(sql))


def test_an_exact_quantile_stays_exact() -> None:
    """PERCENTILE is Spark's exact, interpolating quantile; PERCENTILE_APPROX is not.

    source: Spark SQL's function reference, percentile(col, percentage): "exact percentile value"
    """
    query = models.parse("select quantile_cont(cast(x as double), 0.25) as q from t")
    assert portable.spark_sql(query) == "SELECT PERCENTILE(CAST(x AS DOUBLE), 0.25) AS q FROM t"
