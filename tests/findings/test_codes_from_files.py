"""Codes from files to findings: what cannot be told is not told, what was just cleared is not free, storms by files."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline import ingest
from pipeline.build import build
from pipeline.settings import Home
from pipeline.warehouse import publish

FIRST = datetime(2026, 1, 5, 8)
HOSTILE = "'; drop table vans; --<img src=x>"
SAYS_SO = ("finding", "likely")


class Files:
    """Tidy files of a small fleet, row by row; a scan a fortnight, 500 km apart."""

    def __init__(self) -> None:
        self.register = ["van,make,model,model_year,engine,parking"]
        self.scans = ["scan_id,van,reader,scanned_at,odometer_km,rest_v,standing_days,modules,modules_silent"]
        self.codes = ["scan_id,module,code,status,lamp,text,first_seen_km,ff_supply_voltage,ff_engine_speed"]
        self.work = ["van,at,what,odometer_km,part,code"]
        self.numbers: dict[str, int] = {}

    def van(self, van: str, parking: str = "open", year: int = 2018) -> None:
        self.register.append(f"{van},Tarnwell,Bracken 22,{year},2.2D,{parking}")

    def scan(
        self, van: str, codes: str = "", modules: str = "engine;body", silent: str = "", *,
        reader: str = "Bench reader", rest_v: str = "", standing: str = "", km: int | None = None, frame: str = ",",
    ) -> None:  # fmt: skip
        """One scan; `codes` as `module:code` apart by spaces."""
        number = self.numbers[van] = self.numbers.get(van, -1) + 1
        scan_id, at = f"{van}-{number}", FIRST + timedelta(days=14 * number, hours=len(self.numbers))
        odometer = 100_000 + 500 * number if km is None else km
        self.scans.append(
            f"{scan_id},{van},{reader},{at.isoformat()},{odometer},{rest_v},{standing},{modules},{silent}"
        )
        for entry in codes.split():
            module, code = entry.split(":")
            self.codes.append(
                f'{scan_id},{module},{code},stored,,"{HOSTILE if code == "4711" else ""}",,{frame}'
            )

    def write(self, folder: Path) -> None:
        folder.mkdir()
        for name in ("register", "scans", "codes", "work"):
            (folder / f"{name}.csv").write_text("\n".join(getattr(self, name)) + "\n", encoding="utf-8")


def _fleet() -> Files:
    files = Files()
    for van in ("steady", "silent", "unsaid", "cleared", "storm", "lone", "calm", "lost"):
        files.van(van)
    for n in range(9):
        files.scan("steady", "engine:P0401" if n != 4 else "")
        # the module answers on two scans only: two later showings at most
        files.scan("silent", "engine:P0401" if n in (0, 8) else "", "body" if n not in (0, 8) else "engine;body",
                   "engine" if n not in (0, 8) else "")  # fmt: skip
        files.scan("unsaid", "engine:P0401", "", reader="Pocket reader")
        files.scan("stranger", "engine:P0299 brakes:4711", "engine;brakes")
        files.scan("lone", "engine:P0562" if n == 8 else "", rest_v="12.6", standing="0", frame="14.1,1900")
        files.scan("calm")
        files.scan("lost", "engine:U0101 body:U0140 brakes:U0121 airbag:U0151" if n == 8 else "",
                   "engine;body;brakes;airbag", standing="5" if n == 8 else "")  # fmt: skip
    # shown, cleared, read 20 km later without it, then back: the scan in between says nothing
    for n, code in enumerate(
        ("engine:P0128", "engine:P0128", "", "engine:P0128", "engine:P0128", "engine:P0128")
    ):
        files.scan("cleared", code, km=100_520 if n == 2 else 100_000 + 500 * n)
    files.work.append("cleared,2026-01-20T09:00:00,cleared,100500,,P0128")
    everywhere = "engine;body;brakes;airbag;steering;instruments"
    for n in range(9):
        storm = "engine:P0562 engine:U0101 body:P0562 body:U0100 brakes:U0121 airbag:U0151 steering:U0131 instruments:U0155"
        files.scan(
            "storm",
            storm if n == 8 else "",
            everywhere,
            rest_v="11.9" if n == 8 else "12.6",
            standing="9" if n == 8 else "",
        )
    return files


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Home:
    folder = tmp_path_factory.mktemp("codes")
    made = Home(folder / "home").ensure()
    _fleet().write(folder / "files")
    report = ingest.load(made, [folder / "files"])
    assert not [r for f in report.files for r in f.rejects], report.lines()
    assert build(made).is_published
    return made


def _ask(home: Home, query: str, *given: Any) -> list[dict[str, Any]]:
    with publish.reading(home) as connection:
        found: pl.DataFrame = connection.sql(query, params=list(given)).pl()
    return found.to_dicts()


def _told(home: Home, van: str) -> list[tuple[str, str, str | None]]:
    rows = _ask(
        home,
        "select * from findings where van = ? and kind in ('code_persistent', 'low_voltage_cluster') order by rank",
        van,
    )
    return [(r["kind"], r["tier"], r["code"]) for r in rows]


def test_a_steady_code_is_told_and_its_siblings_are_counted(home: Home) -> None:
    assert _told(home, "steady") == [("code_persistent", "finding", "P0401")]
    (row,) = _ask(home, "select * from van_codes where van = 'steady'")
    assert (row["n_later_present"], row["n_later_covered"]) == (7, 8)


def test_scans_whose_module_was_silent_count_for_nothing(home: Home) -> None:
    (row,) = _ask(home, "select * from van_codes where van = 'silent'")
    assert (row["n_later_present"], row["n_later_covered"], row["n_cannot_tell"]) == (1, 1, 7)
    assert _told(home, "silent") == []


def test_a_reader_that_does_not_say_what_it_asked_proves_nothing(home: Home) -> None:
    assert _told(home, "unsaid") == [("code_persistent", "watch", "P0401")]
    (claim,) = _ask(home, "select claim from findings where van = 'unsaid' and code = 'P0401'")
    assert "do not say which modules they asked" in claim["claim"]
    (row,) = _ask(home, "select * from code_vans where van = 'unsaid' and code = 'P0401'")
    assert row["standing"] == "unknown"


def test_a_van_that_was_just_cleared_is_unknown_and_not_free(home: Home) -> None:
    scans = _ask(home, "select * from code_scans where van = 'cleared' order by scanned_at")
    assert [s["standing"] for s in scans] == [
        "present",
        "present",
        "unknown",
        "present",
        "present",
        "present",
    ]
    assert scans[2]["why_unknown"] == "cleared"
    (row,) = _ask(home, "select * from van_codes where van = 'cleared'")
    assert (row["n_later_present"], row["n_later_covered"], row["n_clears_survived"]) == (4, 4, 1)
    (back,) = _ask(home, "select * from code_returns where van = 'cleared'")
    assert (back["days_low"], back["days_high"], back["km_low"], back["km_high"]) == (13, 27, 20.0, 1000.0)


def test_a_van_outside_the_register_has_its_codes_told_without_siblings(home: Home) -> None:
    rows = _ask(
        home, "select * from findings where van = 'stranger' and kind = 'code_persistent' order by code"
    )
    assert [(r["code"], r["tier"], r["cohort_id"], r["n_siblings"]) for r in rows] == [
        ("4711", "finding", None, 0),
        ("P0299", "finding", None, 0),
    ]
    assert HOSTILE in rows[0]["claim"]
    assert _ask(home, "select count(*) as n from vans")[0]["n"] == 9


def test_three_worked_cases_of_low_voltage(home: Home) -> None:
    """9 likely, 1 not supported, 4 possible: worked out by hand beside the rules."""
    rows = _ask(home, "select van, points, verdict from low_voltage_scans order by van")
    assert [(r["van"], r["points"], r["verdict"]) for r in rows] == [
        ("lone", 1, "not_supported"),
        ("lost", 4, "possible"),
        ("storm", 9, "likely"),
    ]
    assert _told(home, "storm") == [("low_voltage_cluster", "finding", None)]
    assert _told(home, "lost") == [("low_voltage_cluster", "likely", None)]
    assert _told(home, "lone") == []
    (found,) = _ask(home, "select * from findings where van = 'storm' and kind = 'low_voltage_cluster'")
    assert len(json.loads(found["also"])) == 8


def test_nobody_is_accused_of_the_codes_of_a_storm(home: Home) -> None:
    rows = _ask(home, "select * from findings where code in ('P0562', 'U0100', 'U0101', 'U0121')")
    assert rows == []


def test_the_cohort_is_not_blamed_for_three_vans_of_which_one_can_be_told(home: Home) -> None:
    (row,) = _ask(home, "select * from code_prevalence where code = 'P0401'")
    assert (row["n_vans_with"], row["n_vans"], row["n_vans_unknown"]) == (2, 7, 1)
    fleetwide = _ask(home, "select * from findings where kind = 'code_fleetwide'")
    assert [f for f in fleetwide if f["tier"] in SAYS_SO] == []
