"""Files that mean harm, or look as if they did: nothing leaves its folder, fills the disk or reaches the SQL."""

from __future__ import annotations

import os
import stat
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline import ingest
from pipeline.ingest import originals
from pipeline.read import sources
from pipeline.settings import Home
from tests.load.conftest import DATA, Rows

Write = Callable[..., Path]
NOTE = "van,at,text\n047,2026-03-02,hums\n"


def _zip(path: Path, entries: dict[str, str | bytes]) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in entries.items():
            archive.writestr(name, content)
    return path


def _question(home: Home, path: Path) -> str:
    report = ingest.load(home, [path])
    assert [f.taken for f in report.files] == [0]
    assert report.needs_person
    return report.files[0].questions[0]


def test_a_zip_of_tidy_files_loads_in_one_go(home: Home, tmp_path: Path, rows: Rows) -> None:
    path = _zip(tmp_path / "all.zip", {f"march/{p.name}": p.read_bytes() for p in DATA.glob("*.csv")})
    report = ingest.load(home, [path])
    assert {f.file: f.taken for f in report.files}["all.zip/march/readings.csv"] == 6
    assert ingest.load(home, [DATA]).files[0].duplicates == 2
    assert rows("select count(*) from raw.files") == [(7,)]


@pytest.mark.parametrize(
    "name", ["../evil.csv", "/etc/evil.csv", "a/../../evil.csv", "C:/evil.csv", "..\\evil.csv"]
)
def test_names_that_lead_out_of_a_zip(name: str, home: Home, tmp_path: Path) -> None:
    path = _zip(tmp_path / "z.zip", {"ok.csv": NOTE, name: NOTE})
    assert "leads out of its folder" in _question(home, path)
    assert not list(tmp_path.rglob("evil.csv"))
    assert not list(home.originals.iterdir())


def test_a_bomb_is_refused_before_it_is_unpacked(home: Home, tmp_path: Path) -> None:
    path = _zip(tmp_path / "z.zip", {"bomb.csv": b"0" * (60 * 2**20)})
    assert "would unpack to 60 MiB" in _question(home, path)


def test_a_bomb_inside_a_workbook_is_refused(home: Home, tmp_path: Path) -> None:
    path = _zip(tmp_path / "book.xlsx", {"xl/worksheets/sheet1.xml": b"0" * (60 * 2**20)})
    assert "would unpack to 60 MiB" in _question(home, path)


def test_an_entry_that_lies_about_its_size_is_stopped(
    home: Home, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sources, "_BLOCK", 1000)
    path = _zip(tmp_path / "z.zip", {"a.csv": os.urandom(50_000)})
    raw = path.read_bytes()
    size = (50_000).to_bytes(4, "little")
    path.write_bytes(raw.replace(size, (10).to_bytes(4, "little")))
    with zipfile.ZipFile(path) as archive:
        assert archive.infolist()[0].file_size == 10
    assert "cannot be unpacked" in _question(home, path) or "more than it states" in _question(home, path)


def test_too_many_entries(home: Home, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sources, "MOST_ENTRIES", 3)
    path = _zip(tmp_path / "z.zip", {f"{i}.csv": NOTE for i in range(4)})
    assert "holds 4 entries" in _question(home, path)


def test_links_and_archives_inside_a_zip(home: Home, tmp_path: Path) -> None:
    link = zipfile.ZipInfo("link.csv")
    link.external_attr = (stat.S_IFLNK | 0o777) << 16
    path = tmp_path / "z.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr(link, "/etc/passwd")
    assert "holds a link" in _question(home, path)
    assert "another archive" in _question(home, _zip(tmp_path / "y.zip", {"inner.zip": b"PK"}))


def test_a_link_in_the_inbox_is_not_followed(home: Home, write: Write, rows: Rows) -> None:
    outside = write("secret.csv", NOTE)
    (home.inbox / "link.csv").symlink_to(outside)
    (home.inbox / "folder").symlink_to(outside.parent)
    report = ingest.load(home, [home.inbox])
    assert [f.taken for f in report.files] == [0, 0]
    assert all("link is not followed" in f.questions[0] for f in report.files)
    assert rows("select count(*) from raw.notes") == [(0,)]
    assert outside.read_text() == NOTE


def test_names_that_cannot_be_seen_and_text_that_looks_like_sql(home: Home, write: Write, rows: Rows) -> None:
    lines = [
        "van,at,text",
        "04\u202e7,2026-03-02,hums\u202e loudly",
        '\u200b047\ufeff,2026-03-03,"\'; drop table raw.notes; --"',
        'o\'brien "x",2026-03-04,a\tb',
    ]
    path = write('it\'s; drop "table".csv', "\n".join(lines).replace('o\'brien "x"', '"o\'brien ""x"""'))
    assert ingest.load(home, [path]).files[0].taken == 3
    assert rows("select van, text from raw.notes order by line") == [
        ("047", "hums  loudly"),
        ("047", "'; drop table raw.notes; --"),
        ('o\'brien "x"', "a b"),
    ]
    assert rows("select file from raw.files") == [('it\'s; drop "table".csv',)]


def test_null_bytes_and_endless_cells_lose_their_row_only(home: Home, write: Write, rows: Rows) -> None:
    head = "scan_id,parameter,value\n" + "s,engine_speed,700\n" * 3
    far = "s,coolant_temp,8\x000\n" + "s," + "x" * 5000 + ",1\n" + "s,coolant_temp,81\n"
    path = write("r.csv", head + "s,engine_speed,701\n" * 60_000 + far)
    report = ingest.load(home, [path]).files[0]
    assert [(r.line, r.reason) for r in report.rejects] == [
        (60_006, "A cell is longer than 4,000 characters"),
        (60_005, "Not a number"),
    ]
    assert rows("select value from raw.readings where parameter = 'coolant_temp'") == [(81.0,)]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="the system has no named pipes")
def test_a_pipe_is_not_a_file(home: Home, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "p.csv")
    assert "not a plain file" in _question(home, tmp_path / "p.csv")


def test_a_link_in_the_inbox_is_not_followed_when_it_is_named_either(home: Home, write: Write) -> None:
    (home.inbox / "link.csv").symlink_to(write("secret.csv", NOTE))
    assert "link is not followed" in _question(home, home.inbox / "link.csv")


def test_a_file_written_anew_while_it_is_loaded_is_not_removed(
    home: Home, rows: Rows, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = home.inbox / "n.csv"
    path.write_text(NOTE, encoding="utf-8")
    newer = NOTE + "047,2026-03-03,still hums\n"
    keep = originals.keep

    def keep_and_interfere(*given: object) -> None:
        keep(*given)  # type: ignore[arg-type]
        path.write_text(newer, encoding="utf-8")

    monkeypatch.setattr("pipeline.ingest.originals.keep", keep_and_interfere)
    assert ingest.load(home, []).files[0].taken == 1
    assert path.read_text(encoding="utf-8") == newer
    monkeypatch.setattr("pipeline.ingest.originals.keep", keep)
    assert ingest.load(home, []).files[0].taken == 1
    assert rows("select count(*) from raw.notes") == [(2,)]
    assert not path.exists()


def test_two_copies_in_one_load_count_once_and_wait_together(home: Home, rows: Rows) -> None:
    for name in ("a.csv", "b.csv"):
        (home.inbox / name).write_text(NOTE, encoding="utf-8")
        (home.inbox / f"waits {name}").write_text(
            "scan_id,parameter,value\n1,Luftmasse,1\n", encoding="utf-8"
        )
    report = ingest.load(home, [])
    assert [(f.taken, f.duplicates, bool(f.questions)) for f in report.files] == [
        (1, 0, False),
        (0, 1, False),
        (0, 0, True),
        (0, 0, True),
    ]
    assert sorted(p.name for p in home.inbox.iterdir()) == [
        "waits a.csv",
        "waits a.csv.question.toml",
        "waits b.csv",
    ]
    assert rows("select file from raw.files") == [("a.csv",)]


def test_an_archive_beside_a_layout_of_another_encoding_stops_no_other_file(home: Home, write: Write) -> None:
    """A layout in an encoding that takes any byte is tried on every file; one endless line must not end the load."""
    (home.layouts / "old.toml").write_text(
        'name = "old"\nfeeds = ["notes"]\n[match]\nheaders = ["Wagen"]\n[file]\nencoding = "cp1252"\n'
        '[columns]\nWagen = "van"\nZeit = "at"\nText = "text"\n',
        encoding="utf-8",
    )
    bomb = home.path / "bomb.xlsx"
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("xl/worksheets/sheet1.xml", b"<a>" + b"0" * 300_000_000)
    notes = write("notes.csv", "van,at,text\n047,2026-03-01T08:00,smells\n")
    files = {f.file: f for f in ingest.load(home, [bomb, notes]).files}
    assert "would unpack to" in files["bomb.xlsx"].questions[0]
    assert files["notes.csv"].taken == 1
