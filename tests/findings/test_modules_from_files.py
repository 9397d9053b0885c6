"""Readers that name one control unit differently share its coverage and its codes; unknown names stay apart."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline import ingest
from pipeline.build import build
from pipeline.settings import Home
from pipeline.warehouse import publish

# Three readers, each naming the engine and the brakes in its own way; the third has a name nobody knows.
NAMES = {"Bench": ("engine", "brakes"), "Pocket": ("ECM", "ABS/ESP"), "Tafel": ("Motorsteuergerät", "Brk-X")}


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Home:
    """Six vans, each read by all three readers; four of them show one code of the engine."""
    top = tmp_path_factory.mktemp("modules")
    found = Home(top / "home").ensure()
    (found.path / "fleet.toml").write_text('[modules]\n"brk-x" = "ABS"\n', encoding="utf-8")
    register = ["van,make,model,model_year,engine"]
    scans = ["scan_id,van,reader,scanned_at,modules"]
    codes = ["scan_id,reader,module,code,status"]
    for van in range(1, 7):
        register.append(f"{van:03},Tarnwell,Bracken 22,2018,2.2D")
        for n, (reader, (engine, brakes)) in enumerate(NAMES.items()):
            scan = f"{van:03}-{n}"
            scans.append(f"{scan},{van:03},{reader},2026-0{n + 2}-10T08:00:00,{engine};{brakes}")
            if van <= 4:
                codes.append(f"{scan},{reader},{engine},P0401-22,stored")
    files = top / "files"
    files.mkdir()
    for name, lines in (("register", register), ("scans", scans), ("codes", codes)):
        (files / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    report = ingest.load(found, [files])
    assert not any(f.rejected or f.questions for f in report.files)
    build(found)
    return found


def _ask(home: Home, query: str) -> list[tuple[Any, ...]]:
    _, connection = publish.open_published(home.warehouse)
    try:
        return connection.execute(query).fetchall()
    finally:
        connection.close()


def test_coverage_is_shared(home: Home) -> None:
    # By hand: 6 vans x 3 readers, every module answers everywhere; two modules, not five.
    assert _ask(home, "select module, count(*), sum(n_answered), sum(n_not_asked) from module_coverage group by 1 order by 1") == [
        ("brakes", 18, 18, 0),
        ("engine", 18, 18, 0),
    ]  # fmt: skip


def test_prevalence_counts_each_van_once_with_all_its_readers(home: Home) -> None:
    assert _ask(home, "select module, code, n_vans, n_vans_with, n_scans from code_prevalence") == [
        ("engine", "P0401", 6, 4, 18)
    ]
    assert _ask(home, "select distinct n_readers, n_present from van_codes") == [(3, 3)]
    assert _ask(home, "select kind, module from findings where kind = 'code_fleetwide'") == [
        ("code_fleetwide", "engine")
    ]


def test_the_readers_own_names_are_kept(home: Home) -> None:
    assert _ask(home, "select distinct module, module_given from scan_modules order by 1, 2") == [
        ("brakes", "ABS/ESP"),
        ("brakes", "Brk-X"),
        ("brakes", "brakes"),
        ("engine", "ECM"),
        ("engine", "Motorsteuergerät"),
        ("engine", "engine"),
    ]


def test_the_failure_type_is_kept_beside_the_base_code(home: Home) -> None:
    assert _ask(home, "select van, code, failure_type, failure_says, n_scans from code_failure_types order by van")[0] == (
        "001",
        "P0401",
        "22",
        "signal amplitude above maximum",
        3,
    )  # fmt: skip
