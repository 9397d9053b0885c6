"""The whole chain bit by bit: whatever was loaded, corrected and withdrawn, the marts are those of a build afresh."""

from __future__ import annotations

import random
import shutil
from pathlib import Path

from pipeline import ingest
from pipeline.build import build
from pipeline.ingest import correcting
from pipeline.settings import Home
from pipeline.warehouse.published import reading

OF_THE_BUILD = {"builds", "check_results", "finding_history"}


def write_scan(folder: Path, dice: random.Random, number: int) -> None:
    """One scan of one van, with readings and a code now and then, as two or three tidy files."""
    van, scan = f"{dice.randint(1, 7):03d}", f"s{number}"
    at = f"2026-{dice.randint(3, 9):02d}-{dice.randint(1, 28):02d}T08:00:00"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"scans_{number}.csv").write_text(
        f"scan_id,van,reader,scanned_at,modules\n{scan},{van},{dice.choice(['Blue', 'Grey'])} handheld,{at},engine\n"
    )
    lines = [f"{scan},{p},{dice.uniform(80, 95):.1f},°C,warm_idle" for p in ("coolant_temp", "oil_temp")]
    (folder / f"readings_{number}.csv").write_text(
        "scan_id,parameter,value,unit,state\n" + "\n".join(lines) + "\n"
    )
    if dice.random() < 0.4:
        (folder / f"codes_{number}.csv").write_text(
            f"scan_id,module,code,status\n{scan},engine,P0562,stored\n"
        )


def rows_of(home: Home) -> dict[str, list[str]]:
    """Every published row as text, by table, in one order; what only tells of the build itself left out."""
    with reading(home) as connection:
        names = [r[0] for r in connection.execute("select table_name from duckdb_tables()").fetchall()]
        rows = {n: sorted(map(repr, connection.execute(f'from "{n}"').fetchall())) for n in names}
    return {name: found for name, found in rows.items() if name not in OF_THE_BUILD}


def test_any_order_of_loads_corrections_and_withdrawals_equals_a_build_afresh(tmp_path: Path) -> None:
    dice, home = random.Random(1), Home(tmp_path / "home").ensure()
    files = tmp_path / "files"
    files.mkdir()
    (files / "register.csv").write_text(
        "van,make,model,model_year,engine\n"
        + "".join(f"{n:03d},Tarnwell,Bracken 22,2014,2.2D\n" for n in range(1, 8))
    )
    for number in range(40):
        write_scan(files, dice, number)
    ingest.load(home, [files])
    build(home)
    steps = ["load", "correct", "withdraw"]
    dice.shuffle(steps)
    for number, step in enumerate(steps, 100):
        if step == "load":
            write_scan(tmp_path / step, dice, number)
            ingest.load(home, [tmp_path / step])
        elif step == "correct":
            correcting.correct_scan(home, *_scan(home, dice), why="misread", odometer_km=123_456.0)
        else:
            ingest.withdraw(home, f"readings_{dice.randint(0, 39)}.csv", "wrong van")
        report = build(home)
        assert report.is_published
        assert step == "withdraw" or report.rebuilt < report.total
    shutil.copytree(home.path, tmp_path / "afresh")
    build(Home(tmp_path / "afresh"), full=True)
    grown, whole = rows_of(home), rows_of(Home(tmp_path / "afresh"))
    assert [name for name in whole if grown[name] != whole[name]] == []
    assert len(whole["scan_levels"]) > 60


def _scan(home: Home, dice: random.Random) -> tuple[str, str]:
    with reading(home) as connection:
        rows = connection.execute("select reader, scan_id from scans order by all").fetchall()
    reader, scan_id = dice.choice(rows)
    return str(reader), str(scan_id)
