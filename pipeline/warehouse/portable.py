"""Keeps the models' SQL fit for other engines: Spark's dialect of a model, and what to refuse.

Each refused idiom is one that another engine answers differently, or not at all, without saying so.
The rules are run by the tests over every model; they are a net, not a proof.
source: 227 idioms tried on DuckDB 2.0 and Spark 4.3, of which 29 differed in silence.
"""

from __future__ import annotations

from collections.abc import Iterator

import sqlglot
from sqlglot import exp
from sqlglot.dialects.spark import Spark


class PortableSpark(Spark):
    """Spark's dialect with the exact quantile that DuckDB's quantile_cont means."""

    class Generator(Spark.Generator):  # type: ignore[misc, valid-type]
        """Spark's generator with one rule changed."""

        TRANSFORMS = {  # noqa: RUF012 - as sqlglot's own classes have it
            **Spark.Generator.TRANSFORMS,
            exp.PercentileCont: lambda self, e: self.func("PERCENTILE", e.this, e.expression),
        }


def spark_sql(query: exp.Expr) -> str:
    """Return a query in Spark's dialect; raises sqlglot's UnsupportedError where Spark has no equal."""
    return query.sql(dialect=PortableSpark, comments=False, unsupported_level=sqlglot.ErrorLevel.RAISE)


def complaints(query: exp.Expr) -> list[str]:
    """Return what in a query other engines would answer differently, as `SQL: reason`."""
    return [f"{node.sql('duckdb')[:60]}: {why}" for node in query.walk() for why in _faults(node)]


def _faults(node: exp.Expr) -> Iterator[str]:
    yield from _functions(node)
    yield from _windows(node)
    yield from _numbers(node)
    yield from _dates(node)
    yield from _shapes(node)


def _functions(node: exp.Expr) -> Iterator[str]:
    if isinstance(node, exp.Anonymous):
        yield "not a function that can be translated"
    if isinstance(node, exp.WithinGroup | exp.ApproxQuantile | exp.ApproxDistinct):
        yield "approximate on other engines: use median or quantile_cont(x, p)"
    if isinstance(node, exp.ArrayAgg):
        yield "order and NULLs are lost"
    if isinstance(node, exp.First | exp.Last | exp.Mode | exp.Skewness | exp.Kurtosis | exp.AnyValue):
        yield "not the same value on every engine"
    if isinstance(node, exp.IsNan):
        yield "differs for NULL: compare with a finite range"


def _windows(node: exp.Expr) -> Iterator[str]:
    if not isinstance(node, exp.Window):
        return
    if isinstance(node.this, exp.Count) and node.this.find(exp.Distinct):
        yield "no count(distinct) over () in Spark"
    if isinstance(node.this, exp.Median | exp.PercentileCont) and node.args.get("spec"):
        yield "no frames for medians in Spark"


def _numbers(node: exp.Expr) -> Iterator[str]:
    if isinstance(node, exp.Cast) and node.to.this in exp.DataType.INTEGER_TYPES and not _is_whole(node.this):
        yield "DuckDB rounds, Spark cuts off: round() first"
    if isinstance(node, exp.Log) and node.expression is None:
        yield "base 10 in DuckDB, e in Spark: use ln or log10"
    if isinstance(node, exp.Div) and not _is_safe_divisor(node.expression.unnest()):
        yield "Spark stops at division by zero: nullif(x, 0)"


def _is_whole(value: exp.Expr) -> bool:
    """Whether a value is a whole number already, as far as its own expression tells."""
    whole = (exp.Round, exp.Floor, exp.Ceil, exp.Count, exp.Sum, exp.Window, exp.Literal)
    return isinstance(value, whole) and not (isinstance(value, exp.Literal) and "." in value.this)


def _is_safe_divisor(value: exp.Expr) -> bool:
    if isinstance(value, exp.Literal):
        return float(value.this) != 0
    if isinstance(value, exp.Greatest):
        return any(isinstance(v, exp.Literal) and float(v.this) > 0 for v in [value.this, *value.expressions])
    return isinstance(value, exp.Nullif)


def _dates(node: exp.Expr) -> Iterator[str]:
    if isinstance(node, exp.DateDiff):
        if not all(
            isinstance(a, exp.Cast) and a.to.this == exp.DType.DATE for a in (node.this, node.expression)
        ):
            yield "counts boundaries in DuckDB, whole periods in Spark: cast both sides to date"
        elif str(node.args.get("unit")).upper() not in ("VAR", "DAY"):
            yield "only day differences agree"
    if isinstance(node, exp.Extract) and node.name.upper() in ("DOW", "ISODOW", "EPOCH"):
        yield "another numbering, or none, in Spark"


def _shapes(node: exp.Expr) -> Iterator[str]:
    if isinstance(node, exp.Join) and node.args.get("method"):
        yield "ASOF and POSITIONAL joins exist only in DuckDB: join on >= and take max_by"
    if isinstance(node, exp.Star) and (node.args.get("replace") or node.args.get("except_")):
        yield "name the columns"
    if isinstance(node, exp.Pivot):
        yield "PIVOT differs: use max(case when ...)"
