"""What people write down: loaded like a file, corrected by further entries, rebuilt from the journal."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from pipeline import ingest
from pipeline.errors import KinbayError
from pipeline.journal import utc_now, write_entry
from pipeline.settings import Home
from tests.load.conftest import DATA, Rows
from tests.load.test_load import everything


def scan(code: str = "p 0401", km: float = 201999.0, **more: Any) -> dict[str, Any]:
    key = {"scan_id": "hand-1", "reader": "Old reader"}
    return {
        "tables": {
            "scans": [{**key, "van": "041", "scanned_at": "2026-03-04T08:00:00+01:00", "odometer_km": km}],
            "codes": [{**key, "code": code, "status": "stored", "module": "engine"}],
            "readings": [
                {**key, "parameter": "supply_voltage", "value": 14.1, "unit": "V", "state": "warm_idle"}
            ],
        },
        **more,
    }


def test_a_scan_written_down_becomes_rows_like_any_file(home: Home, rows: Rows) -> None:
    name = write_entry(home, "scan", utc_now(), scan())
    report = ingest.load(home, [home.inbox])
    assert [(f.file, f.table, f.taken) for f in report.files] == [
        (f"journal/{name}#scans", "scans", 1),
        (f"journal/{name}#readings", "readings", 1),
        (f"journal/{name}#codes", "codes", 1),
    ]
    assert rows("select van, odometer_km, cast(scanned_at as varchar) from raw.scans") == [
        ("041", 201999.0, "2026-03-04 07:00:00")
    ]
    assert rows("select code, status from raw.codes") == [("P0401", "stored")]
    assert ingest.load(home, [home.inbox]).files == ()
    assert not any(home.originals.glob("*.json.json"))
    assert (home.journal / name).exists()


def test_other_loads_leave_the_journal_alone(home: Home) -> None:
    write_entry(home, "scan", utc_now(), scan())
    assert all("journal" not in f.file for f in ingest.load(home, [DATA]).files)


@pytest.mark.usefixtures("with_examples")
def test_a_correction_replaces_and_a_taking_back_removes(home: Home, rows: Rows) -> None:
    first = write_entry(home, "scan", utc_now(), scan())
    ingest.load(home, [])
    second = write_entry(home, "scan", utc_now(), scan(code="U0100", replaces=first))
    ingest.load(home, [])
    mine = "select code from raw.codes where scan_id = 'hand-1'"
    assert rows(mine) == [("U0100",)]
    assert (home.journal / first).exists()
    write_entry(home, "taken_back", utc_now(), {"names": second, "why": "another van"})
    ingest.load(home, [])
    assert rows(mine) == []
    assert len(rows("select * from raw.files")) == 7


@pytest.mark.usefixtures("with_examples")
def test_the_store_comes_again_out_of_originals_and_journal(home: Home) -> None:
    write_entry(home, "scan", utc_now(), scan())
    write_entry(
        home, "note", utc_now(), {"tables": {"notes": [{"van": "042", "at": "2026-03-05", "text": "smells"}]}}
    )
    ingest.load(home, [])
    before = everything(home)
    shutil.rmtree(home.warehouse)
    ingest.load(home.ensure(), [])
    assert everything(home) == before


def test_an_entry_can_be_withdrawn_by_its_name(home: Home, rows: Rows) -> None:
    name = write_entry(home, "scan", utc_now(), scan())
    ingest.load(home, [])
    ingest.withdraw(home, f"journal/{name}", "read twice")
    assert rows("select * from raw.scans") == []
    assert ingest.load(home, []).files == ()


def test_an_entry_that_was_changed_by_hand_stops_the_rebuild(home: Home) -> None:
    name = write_entry(home, "scan", utc_now(), scan())
    ingest.load(home, [])
    (home.journal / name).write_text((home.journal / name).read_text().replace("0401", "0402"))
    with pytest.raises(KinbayError, match="original was changed"):
        ingest.rebuild_raw(home)


def test_an_entry_without_tables_waits_and_the_others_go_in(home: Home, rows: Rows) -> None:
    write_entry(home, "scan", utc_now(), {"tables": {"scans": [{"van": "041"}]}})
    write_entry(home, "scan", utc_now(), scan())
    report = ingest.load(home, [])
    assert [bool(f.questions) for f in report.files] == [True, False, False, False]
    assert "lack a column" in report.files[0].questions[0]
    assert len(rows("select * from raw.scans")) == 1
    assert list(home.inbox.iterdir()) == []


def test_a_save_cut_short_leaves_nothing_half(tmp_path: Path) -> None:
    """The process is killed between writing the bytes and giving the file its name."""
    home = Home(tmp_path / "home").ensure()
    script = (
        "import os, signal, pathlib\n"
        "from pipeline import durable, journal\n"
        "from pipeline.settings import Home\n"
        "durable.put_in_place = lambda a, b: os.kill(os.getpid(), signal.SIGKILL)\n"
        f"journal.write_entry(Home(pathlib.Path({str(home.path)!r})), 'scan', journal.utc_now(), {{'tables': {{}}}})\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], check=False, env={**os.environ}, cwd=Path(__file__).parents[2]
    )
    assert done.returncode == -signal.SIGKILL
    assert list(home.journal.glob("*.json")) == []
    assert ingest.load(home, []).files == ()
