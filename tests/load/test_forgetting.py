"""A person's name out of the home: nothing holds it afterwards, and nothing else has changed."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pytest
from typer.testing import CliRunner

from pipeline import build as building
from pipeline import ingest
from pipeline.cli import app
from pipeline.errors import KinbayError
from pipeline.journal import utc_now, write_entry
from pipeline.settings import Home
from tests.load.conftest import Rows
from tests.load.test_load import everything
from tests.load.workbooks import write_xlsx

Write = Callable[..., Path]
PERSON = "José O'Dell"
MAY_CHANGE = ("operator", "note", "who", "text", "file_id", "file", "size_bytes")
SCANS = (
    "scan_id,van,reader,scanned_at,odometer_km,operator,note\n"
    f"f-1,041,Yard tablet,2026-03-09T07:10:00,202100,{PERSON},cold start\n"
    f'f-2,042,Yard tablet,2026-03-10T07:10:00,188900,Kim Vale,"{PERSON} says, rattles"\n'
)
NOTES = f"van,at,text,who\n041,2026-03-11T18:20:00,pulls left,{PERSON}\n"


def forget(home: Home, person: str = PERSON) -> Any:
    return CliRunner().invoke(
        app, ["forget", "--person", person, "--why", "left the firm", "--home", str(home.path)]
    )


def holders(home: Home, person: str = PERSON) -> list[str]:
    """Files of the home that hold the name: text by its bytes, as `grep -r` would; databases by every text in them."""
    found = [p.name for p in home.path.rglob("*") if p.is_file() and person.encode() in p.read_bytes()]
    for path in home.warehouse.glob("*.duckdb"):
        with duckdb.connect(str(path), read_only=True) as connection:
            tables = connection.execute(
                "select schema_name, table_name, list(column_name) from duckdb_columns() "
                "semi join duckdb_tables() using (schema_name, table_name) where data_type = 'VARCHAR' group by all"
            ).fetchall()
            for schema, table, columns in tables:
                counts = ", ".join(f'count_if(contains("{column}", $1))' for column in columns)
                row = connection.execute(f'select {counts} from "{schema}"."{table}"', [person]).fetchone()
                found += [f"{path.name} {table}.{c}" for c, n in zip(columns, row or (), strict=True) if n]
    return found


def hand_scan() -> dict[str, Any]:
    key = {"scan_id": "hand-1", "reader": "Old reader"}
    row = {
        **key,
        "van": "041",
        "scanned_at": "2026-03-04T08:00:00",
        "odometer_km": 201999.0,
        "operator": PERSON,
    }
    return {"tables": {"scans": [row]}, "who": PERSON}


def marts(home: Home) -> dict[str, list[str]]:
    """Every published row without the columns that name people, files or builds."""
    found = {}
    (path,) = home.warehouse.glob("marts-*.duckdb")
    with duckdb.connect(str(path), read_only=True) as connection:
        for (table,) in connection.execute("select table_name from duckdb_tables()").fetchall():
            if table in ("builds", "finding_history", "check_results"):
                continue
            rows = connection.execute(f'from "{table}"')
            names = [d[0] for d in rows.description]
            kept = [n for n, c in enumerate(names) if c not in MAY_CHANGE]
            found[table] = sorted(repr([row[n] for n in kept]) for row in rows.fetchall())
    return found


def fill(home: Home, write: Write) -> None:
    """Add the name to a home in every way: typed in, beside a code, in a file and in a file's name."""
    write_entry(home, "scan", utc_now(), hand_scan())
    write_entry(
        home, "code_note", utc_now(), {"who": PERSON, "module": "engine", "code": "P0401", "text": "seen"}
    )
    ingest.load(home, [home.inbox, write("scans_more.csv", SCANS), write(f"{PERSON} notes.csv", NOTES)])


@pytest.mark.usefixtures("with_examples")
def test_afterwards_no_file_holds_the_name_and_all_else_is_the_same(
    home: Home, write: Write, rows: Rows
) -> None:
    fill(home, write)
    building.build(home)
    assert len(holders(home)) > 5
    before, counts = marts(home), {t: len(r) for t, r in everything(home).items()}
    done = forget(home)
    assert done.exit_code == 0, done.output
    assert holders(home) == []
    assert marts(home) == before
    assert {t: len(r) for t, r in everything(home).items()} == counts
    assert rows(
        "select scan_id, operator, note from raw.scans where scan_id in ('f-1', 'f-2', 'hand-1') order by 1"
    ) == [
        ("f-1", "removed", "cold start"),
        ("f-2", "Kim Vale", "removed says, rattles"),
        ("hand-1", "removed", None),
    ]
    assert not list(home.warehouse.glob(".aside-*"))


@pytest.mark.usefixtures("with_examples")
def test_a_rebuild_from_originals_and_journal_gives_the_same_rows(home: Home, write: Write) -> None:
    fill(home, write)
    forget(home)
    kept = everything(home)
    for path in home.warehouse.glob("work.duckdb*"):
        path.unlink()
    assert ingest.rebuild_raw(home) == 10
    assert {t: r for t, r in everything(home).items() if t != "code_notes"} == {
        t: r for t, r in kept.items() if t != "code_notes"
    }
    assert ingest.load(home, [home.inbox]).files == ()


@pytest.mark.usefixtures("with_examples")
def test_the_old_file_is_refused_and_the_journal_says_why_without_the_name(
    home: Home, write: Write, rows: Rows
) -> None:
    old = write("scans_more.csv", SCANS)
    ingest.load(home, [old])
    assert forget(home).exit_code == 0
    (report,) = ingest.load(home, [old]).files
    assert "removed from the home on purpose" in report.questions[0]
    assert report.taken == 0
    assert rows("select count(*) from raw.scans where operator like '%Dell%'") == [(0,)]
    (path,) = home.journal.glob("*-forgotten-*.json")
    entry = json.loads(path.read_text(encoding="utf-8"))
    (pair,) = entry["redacted"]
    assert (home.originals / f"{pair['is']}.csv").exists()
    assert not (home.originals / f"{pair['was']}.csv").exists()
    assert (entry["why"], entry["places"]) == ("left the firm", 2)


@pytest.mark.usefixtures("with_examples")
def test_a_workbook_is_listed_and_goes_once_it_is_withdrawn(home: Home, write: Write, tmp_path: Path) -> None:
    cells = [["van", "at", "text", "who"], ["041", "2026-03-11T18:20:00", "pulls left", PERSON]]
    ingest.load(home, [write_xlsx(tmp_path / "notes.xlsx", {"notes": cells})])
    done = forget(home)
    assert done.exit_code == 1
    assert "notes.xlsx" in done.output
    assert "cannot be changed in place" in done.output
    ingest.withdraw(home, "notes.xlsx", "names a person")
    assert list(home.originals.glob("*.xlsx"))
    assert forget(home).exit_code == 0
    assert not list(home.originals.glob("*.xlsx"))
    (report,) = ingest.load(home, [tmp_path / "notes.xlsx"]).files
    assert "on purpose" in report.questions[0]


@pytest.mark.usefixtures("with_examples")
def test_a_withdrawn_text_file_stays_withdrawn(home: Home, write: Write, rows: Rows) -> None:
    ingest.load(home, [write("scans_more.csv", SCANS)])
    ingest.withdraw(home, "scans_more.csv", f"{PERSON} was wrong")
    before = rows("select count(*) from raw.scans")
    assert forget(home).exit_code == 0
    assert holders(home) == []
    ingest.rebuild_raw(home)
    assert rows("select count(*) from raw.scans") == before


@pytest.mark.usefixtures("with_examples")
def test_other_encodings_keep_every_other_byte(home: Home, write: Write) -> None:
    content = ("\ufeff" + NOTES.replace("\n", "\r\n")).encode("utf-16-le")
    ingest.load(home, [write("wide.csv", content)])
    assert forget(home).exit_code == 0
    wanted = content.replace(PERSON.encode("utf-16-le"), "removed".encode("utf-16-le"))
    assert wanted in [p.read_bytes() for p in home.originals.glob("*.csv")]


@pytest.mark.usefixtures("with_examples")
def test_initials_go_where_they_are_a_cell_of_their_own(home: Home, write: Write, rows: Rows) -> None:
    text = "van,at,text,who\n041,2026-03-11T18:20:00,back TO normal,TO\n"
    ingest.load(home, [write("initials.csv", text)])
    ingest.forget(home, "TO", "asked for it")
    assert rows("select text, who from raw.notes where who = 'removed'") == [("back TO normal", "removed")]


@pytest.fixture(scope="module")
def with_a_withdrawn_file(tmp_path_factory: pytest.TempPathFactory, example_files: Path) -> Path:
    """A home that holds the name in an entry, a file, and a file withdrawn with a word of it; tests change copies."""
    root = tmp_path_factory.mktemp("withdrawn")
    home = Home(shutil.copytree(example_files, root / "home"))
    (root / "scans_more.csv").write_text(SCANS, "utf-8")
    (root / "later.csv").write_text(NOTES, "utf-8")
    write_entry(home, "scan", utc_now(), hand_scan())
    ingest.load(home, [home.inbox, root / "scans_more.csv"])
    ingest.load(home, [root / "later.csv"])
    ingest.withdraw(home, "later.csv", f"{PERSON} was wrong")
    return home.path


@pytest.mark.parametrize("cut", ["_accept_entries", "_redact_journal", "_note", "rebuild_open"])
def test_a_run_that_is_killed_is_made_good_by_the_next(
    home: Home, write: Write, with_a_withdrawn_file: Path, cut: str
) -> None:
    shutil.copytree(with_a_withdrawn_file, home.path, dirs_exist_ok=True)
    counts = {t: len(r) for t, r in everything(home).items()}
    program = (
        "import os, sys\nfrom pathlib import Path\nfrom pipeline.ingest import forgetting\n"
        "from pipeline.settings import Home\nsetattr(forgetting, sys.argv[1], lambda *_: os._exit(9))\n"
        "forgetting.forget(Home(Path(sys.argv[2])), sys.argv[3], 'left')\n"
    )
    killed = subprocess.run([sys.executable, "-c", program, cut, str(home.path), PERSON], check=False)
    assert killed.returncode == 9
    assert ingest.forget(home, PERSON, "left").by_hand == []
    assert holders(home) == []
    assert {t: len(r) for t, r in everything(home).items()} == counts
    assert "on purpose" in ingest.load(home, [write("scans_more.csv", SCANS)]).files[0].questions[0]


@pytest.mark.usefixtures("with_examples")
def test_what_waits_in_the_inbox_is_listed(home: Home) -> None:
    (home.inbox / "waiting.csv").write_text(NOTES, encoding="utf-8")
    done = forget(home)
    assert done.exit_code == 1
    assert "inbox/waiting.csv" in done.output


@pytest.mark.usefixtures("with_examples")
def test_a_name_that_tells_rows_apart_is_refused_and_nothing_changes(
    home: Home, rows: Rows, write: Write
) -> None:
    ingest.load(home, [write("scans_more.csv", SCANS)])
    before = everything(home), sorted(p.name for p in home.originals.iterdir())
    with pytest.raises(KinbayError, match="told apart by"):
        ingest.forget(home, "Yard tablet", "x")
    with pytest.raises(KinbayError, match="reason is missing"):
        ingest.forget(home, PERSON, " ")
    with pytest.raises(KinbayError, match="letters"):
        ingest.forget(home, "J", "x")
    with pytest.raises(KinbayError, match="other rows would change"):
        ingest.forget(home, "odometer_km", "a heading, no person")
    assert (everything(home), sorted(p.name for p in home.originals.iterdir())) == before
    assert not list(home.journal.glob("*-forgotten-*.json"))
    assert not list(home.warehouse.glob(".aside-*"))
