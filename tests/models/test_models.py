"""Every model and every check against hand-written rows, and the rules that all models keep."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from pathlib import Path

import duckdb
import pytest
import sqlglot
from sqlglot import exp

from pipeline.warehouse import checks, documentation, models, portable
from pipeline.warehouse.engines import DuckDB
from pipeline.warehouse.models import Model
from tests.models import case_tables

HERE = Path(__file__).parent
MODELS = {m.name: m for m in models.load()}
CHECKS = {c.name: c for c in checks.load()}
CASES = sorted(p.parent for p in HERE.glob("*/*/expect.csv"))


@pytest.fixture(scope="session")
def house() -> DuckDB:
    """All models on no rows: what columns and types there are."""
    return documentation.empty_house()


@pytest.fixture(scope="session")
def server() -> duckdb.DuckDBPyConnection:
    """One DuckDB for all cases: to start one costs more than a case."""
    return duckdb.connect()


@pytest.fixture
def connection(server: duckdb.DuckDBPyConnection) -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection to an empty database of the test's own."""
    with server.cursor() as connection:
        connection.execute("attach ':memory:' as this_case; use this_case")
        yield connection
        connection.execute("use memory; detach this_case")


@cache
def parsed(name: str) -> exp.Select:
    """The tree of a model or check; tests only look at it."""
    return MODELS[name].query if name in MODELS else models.parse(CHECKS[name].text, name)


def test_every_model_and_check_has_a_case() -> None:
    with_case = {case.parent.name for case in CASES}
    assert set(MODELS) | set(CHECKS) == with_case


@pytest.mark.parametrize("case", CASES, ids=lambda p: f"{p.parent.name}-{p.name}")
def test_case(case: Path, house: DuckDB, connection: duckdb.DuckDBPyConnection) -> None:
    name = case.parent.name
    text = MODELS[name].text if name in MODELS else CHECKS[name].text
    read = models.tables_read(text)
    given = {p.name.removesuffix(".csv"): p for p in case.glob("*.csv") if p.name != "expect.csv"}
    assert set(given) <= read, f"not read: {sorted(set(given) - read)}"
    for table in read:
        case_tables.make_table(connection, house, table, given.get(table))
    result = connection.sql(text)
    types = dict(zip(result.columns, map(str, result.types), strict=True))
    header, expected = case_tables.expected_rows(connection, case / "expect.csv", types)
    found = result.select(*(f'"{c}"' for c in header)).fetchall()
    assert case_tables.differences(found, expected) == []


def test_a_wrong_expectation_is_noticed() -> None:
    assert case_tables.differences([(1, "a")], [(1, "b")])
    assert case_tables.differences([(1.0,)], [(1.0,), (1.0,)]) == ["rows are doubled"]
    assert not case_tables.differences([(None, 1.0), (2, 0.3)], [(2, 0.1 + 0.2), (None, 1.0)])


@pytest.mark.parametrize("model", MODELS.values(), ids=lambda m: m.name)
def test_model_is_documented(model: Model, house: DuckDB) -> None:
    assert documentation.undocumented(model, house.columns(model.name)) == []


@pytest.mark.parametrize("model", MODELS.values(), ids=lambda m: m.name)
def test_model_ends_with_its_last_step(model: Model) -> None:
    """One SELECT: import steps, one job a step, and the last line picks up the last step."""
    last = model.query.ctes[-1].alias
    assert model.query.sql("duckdb", comments=False).endswith(f"SELECT * FROM {last}")


@pytest.mark.parametrize("name", [*MODELS, *CHECKS])
def test_tables_read_are_those_of_the_parsed_tree(name: str) -> None:
    text = (MODELS[name] if name in MODELS else CHECKS[name]).text
    steps = {cte.alias for cte in parsed(name).find_all(exp.CTE)}
    tables = {f"{t.db}.{t.name}" if t.db else t.name for t in parsed(name).find_all(exp.Table)}
    assert models.tables_read(text) == tables - steps


@pytest.mark.parametrize("name", [*MODELS, *CHECKS])
def test_sql_is_portable(name: str) -> None:
    assert portable.complaints(parsed(name)) == []
    assert sqlglot.parse_one(portable.spark_sql(parsed(name)), dialect="spark")


def test_models_page_is_fresh() -> None:
    written = HERE.parents[1] / "docs" / "models.md"
    assert written.read_text("utf-8") == documentation.models_page()
