"""The pages on what the pipeline really publishes: a few tidy files, loaded, built, looked at."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import duckdb
import polars as pl
import pytest

from dashboard.exports import Asked, chart_file, handout_file
from dashboard.parts.page_files import PAGES
from pipeline import build as building
from pipeline import ingest
from pipeline.settings import Home
from tests.dashboard.shown import open_page

HANDMADE = ("marts.sql", "code_marts.sql", "compare_marts.sql", "repair_marts.sql")


def _write_files(folder: Path) -> None:
    """Six invented vans with five scans each; van 006 runs cold."""
    vans = [f"{n:03d}" for n in range(1, 7)]
    pl.DataFrame(
        {"van": vans, "make": "Tarnwell", "model": "Bracken 22", "model_year": 2016, "engine": "2.2D",
         "depot": "Mill Lane", "parking": ["open", "shaded"] * 3}
    ).write_csv(folder / "register.csv")  # fmt: skip
    scans, readings = [], []
    for n, van in enumerate(vans):
        for k in range(5):
            at = dt.datetime(2026, 3, 2, 8) + dt.timedelta(days=30 * k, minutes=n)
            scan = f"s{van}{k}"
            scans.append(
                {"scan_id": scan, "van": van, "reader": "Yard tablet", "scanned_at": at.isoformat(),
                 "odometer_km": 100_000 + 500 * k, "modules": "engine", "rest_v": 12.5}
            )  # fmt: skip
            coolant = 86.0 + 0.3 * n + 0.2 * k - 12 * (van == "006")
            for parameter, value, unit in (
                ("engine_speed", 800, "rpm"),
                ("vehicle_speed", 0, "km/h"),
                ("coolant_temp", coolant, "°C"),
            ):
                readings.append(
                    {
                        "scan_id": scan,
                        "at": at.isoformat(),
                        "parameter": parameter,
                        "value": value,
                        "unit": unit,
                        "state": "warm_idle",
                    }
                )
    pl.DataFrame(scans).write_csv(folder / "scans.csv")
    pl.DataFrame(readings, strict=False).write_csv(folder / "readings.csv")


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Home:
    place = Home(tmp_path_factory.mktemp("real")).ensure()
    _write_files(place.inbox)
    ingest.load(place, [place.inbox])
    building.build(place)
    return place


def _columns(connection: duckdb.DuckDBPyConnection) -> set[tuple[str, str]]:
    asked = "select table_name, column_name from information_schema.columns where table_schema = 'main'"
    return set(connection.execute(asked).fetchall())


def test_every_column_of_the_hand_made_fleet_is_really_published(home: Home) -> None:
    """What the pages are tested on elsewhere is what they read here."""
    with duckdb.connect() as connection:
        for name in HANDMADE:
            connection.execute(Path(__file__).with_name(name).read_text(encoding="utf-8"))
        expected = _columns(connection)
    newest = max(home.warehouse.glob("marts-*.duckdb"))
    with duckdb.connect(str(newest), read_only=True) as connection:
        published = _columns(connection)
    assert sorted(expected - published) == []


@pytest.mark.parametrize("page", list(PAGES))
def test_every_page_opens_on_a_real_build(home: Home, page: str, monkeypatch: pytest.MonkeyPatch) -> None:
    at = open_page(home.path, page, monkeypatch, **{"reading_van" if page == "reading" else "van": "006"})
    assert not at.exception
    assert not at.error


def test_the_cold_van_is_shown_below_its_siblings(home: Home, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = {"reading_van": "006", "reading": "Engine coolant temperature, warm idle"}
    at = open_page(home.path, "reading", monkeypatch, **asked)
    told = next(m.value for m in at.markdown if "006" in m.value)
    assert "▼" in told
    assert "below its siblings" in told


def test_charts_and_handouts_are_written_from_a_real_build(home: Home, tmp_path: Path) -> None:
    chart_file(home.path, "siblings", Asked("006", "coolant_temp", "warm_idle"), tmp_path / "strip.svg")
    handout_file(home.path, tmp_path / "handout.pdf", van="006")
    assert "Van 006 reads below its siblings" in (tmp_path / "strip.svg").read_text(encoding="utf-8")
    assert (tmp_path / "handout.pdf").read_bytes().startswith(b"%PDF-")
