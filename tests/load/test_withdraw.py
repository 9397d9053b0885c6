"""Withdrawing and rebuilding: the raw store is what originals, journal and layouts say, no more and no less."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline import ingest
from pipeline.errors import KinbayError
from pipeline.settings import Home
from tests.load.conftest import DATA, Rows
from tests.load.test_load import everything

Write = Callable[..., Path]


def test_a_rebuild_gives_the_same_rows(home: Home, write: Write) -> None:
    ingest.load(home, [DATA / "register.csv", DATA / "scans.csv"])
    ingest.load(home, [DATA, write("bad.csv", "van,at,text\n1,02.03.2026,a\n1,2026-03-02,b\n")])
    before = everything(home)
    assert ingest.rebuild_raw(home) == 8
    assert everything(home) == before
    shutil.rmtree(home.warehouse)
    assert ingest.rebuild_raw(home) == 8
    assert everything(home) == before


@pytest.mark.usefixtures("with_examples")
def test_a_withdrawn_file_leaves_its_duplicates_to_the_next_file(
    home: Home, rows: Rows, write: Write
) -> None:
    text = (DATA / "readings.csv").read_text(encoding="utf-8")
    later = ingest.load(
        home, [write("again.csv", text + "a-1002,,supply_voltage,14.1,V,,,,warm_idle\n")]
    ).files[0]
    assert (later.taken, later.duplicates) == (1, 6)
    done = ingest.withdraw(home, "readings.csv", "wrong van")
    assert str(done).startswith("readings.csv (")
    assert rows("select count(*), min(batch_id) from raw.readings") == [(7, 2)]
    (entry,) = [json.loads(p.read_text(encoding="utf-8")) for p in home.journal.glob("*-withdrawal-*.json")]
    assert (entry["file"], entry["why"], entry["kind"]) == ("readings.csv", "wrong van", "withdrawal")
    assert len(list(home.originals.glob("*.csv"))) == 8


def test_a_withdrawn_file_may_be_loaded_again_and_withdrawn_again(home: Home, rows: Rows) -> None:
    ingest.load(home, [DATA / "notes.csv"])
    ingest.withdraw(home, "notes.csv", "wrong")
    assert rows("select count(*) from raw.notes") == [(0,)]
    ingest.rebuild_raw(home)
    assert rows("select count(*) from raw.notes") == [(0,)]
    assert ingest.load(home, [DATA / "notes.csv", DATA / "work.csv"]).files[0].taken == 1
    ingest.rebuild_raw(home)
    assert rows("select count(*) from raw.notes") == [(1,)]
    ingest.withdraw(home, "notes.csv", "wrong after all")
    assert rows("select (select count(*) from raw.notes), (select count(*) from raw.work)") == [(0, 2)]


def test_what_to_withdraw_is_named_by_hash_too_and_never_guessed(
    home: Home, rows: Rows, write: Write, tmp_path: Path
) -> None:
    one = write("n.csv", "van,at,text\n1,2026-03-02,a\n", tmp_path / "a")
    two = write("n.csv", "van,at,text\n1,2026-03-02,b\n", tmp_path / "b")
    ingest.load(home, [one])
    ingest.load(home, [two])
    with pytest.raises(KinbayError, match="Several loaded files"):
        ingest.withdraw(home, "n.csv", "x")
    with pytest.raises(KinbayError, match=r"Did you mean n.csv\?"):
        ingest.withdraw(home, "nn.csv", "x")
    with pytest.raises(KinbayError, match="needs a reason"):
        ingest.withdraw(home, "n.csv", " ")
    (file_id,) = rows("select file_id from raw.files where batch_id = 1")[0]
    ingest.withdraw(home, file_id[:10], "x")
    assert rows("select text from raw.notes") == [("b",)]


@pytest.mark.usefixtures("with_examples")
def test_a_changed_or_missing_original_stops_the_rebuild_and_keeps_the_store(home: Home) -> None:
    before = everything(home)
    original = next(p for p in home.originals.glob("*.csv") if b"hesitates" in p.read_bytes())
    content = original.read_bytes()
    original.chmod(0o644)
    original.write_bytes(content + b"1,2026-03-02,b,c\n")
    with pytest.raises(KinbayError, match="original was changed"):
        ingest.rebuild_raw(home)
    original.unlink()
    with pytest.raises(KinbayError, match="original is missing"):
        ingest.rebuild_raw(home)
    assert everything(home) == before
