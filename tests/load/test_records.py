"""Records of delimited text against Python's own csv module, and broken lines that spoil only themselves."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.errors import KinbayError
from pipeline.read import delimited
from pipeline.read.delimited import Dialect, open_delimited
from pipeline.read.records import frame_records


def _frame(block: bytes, columns: int = 3) -> tuple[bytes, list[int], list[tuple[int, str]]]:
    found = frame_records(block, ",", columns, 2, is_last=True)
    return found.clean, found.lines.tolist(), [(b.line, b.reason) for b in found.broken]


def test_lines_are_counted_through_quoted_line_ends_and_blank_lines() -> None:
    clean, lines, broken = _frame(b'a,b,c\n1,"x,\ny",z\n\n,,\n1,2\n5,6,7')
    assert clean == b'a,b,c\n1,"x,\ny",z\n5,6,7\n'
    assert lines == [2, 3, 8]
    assert broken == [(7, "The line has 2 cells, the header 3")]


@pytest.mark.parametrize(
    "block",
    [
        b'a,5" pipe,c\nd,e,f\n',
        b'a,"open,c\nd,e,f\n',
        b'a,"x"y,c\nd,e,f\n',
        b'a,"m\nn",5" x\nd,e,f\n',
        b'a, "x",c\nd,e,f\n',
    ],
)
def test_a_stray_quote_spoils_its_own_line_only(block: bytes) -> None:
    clean, lines, broken = _frame(block)
    assert clean == b"d,e,f\n"
    assert lines == [block.count(b"\n") + 1]
    assert [line for line, _ in broken] == [2]


def test_an_open_quote_at_the_end_of_a_block_waits_for_the_next_one() -> None:
    found = frame_records(b'a,b,c\nd,"open\nstill', ",", 3, 2, is_last=False)
    assert (found.clean, found.used, found.broken) == (b"a,b,c\n", 6, ())


CELL = st.text(st.sampled_from('ab1,;" \né\u202f'), max_size=6)
TABLE = st.integers(2, 4).flatmap(
    lambda n: st.lists(st.lists(CELL, min_size=n, max_size=n), min_size=1, max_size=12)
)


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    table=TABLE,
    ending=st.sampled_from(["\n", "\r\n"]),
    block=st.integers(3, 60),
    quoting=st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
)
def test_cells_and_line_numbers_agree_with_the_csv_module(
    table: list[list[str]],
    ending: str,
    block: int,
    quoting: int,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(delimited, "BLOCK_BYTES", block)
    header = [f"h{i}" for i in range(len(table[0]))]
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator=ending, quoting=quoting).writerows([header, *table])  # type: ignore[arg-type]
    path = tmp_path / "t.csv"
    path.write_bytes(text.getvalue().encode("utf-8"))
    expected = []
    reader = csv.reader(io.StringIO(text.getvalue().replace("\r\n", "\n"), newline=""))
    next(reader)
    last = reader.line_num
    for row in reader:
        if any(row):
            expected.append((last + 1, row))
        last = reader.line_num
    found = [
        (row[0], [cell or "" for cell in row[1:]])
        for piece in open_delimited(path, Dialect(delimiter=",")).pieces()
        for row in piece.frame.iter_rows()
        if any(row[1:])
    ]
    assert found == expected


def test_other_encodings_and_line_ends(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    for encoding, text in (("utf-16", "a;b\r\né;1\r\n"), ("utf-8-sig", "a;b\né;1"), ("utf-8", "a;b\ré;1\r")):
        path.write_bytes(text.encode(encoding))
        sheet = open_delimited(path, Dialect())
        assert sheet.header == ("a", "b")
        assert [p.frame.rows() for p in sheet.pieces() if len(p.frame)] == [[(2, "é", "1")]]


def test_a_wrong_encoding_names_the_line_and_the_likely_one(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_bytes("a,b\n1,2\nKühlmittel,größer als üblich für ältere Fahrzeuge\n".encode("cp1252"))
    with pytest.raises(KinbayError, match=r"not utf-8; it looks like .*line 3.*CSV UTF-8"):
        open_delimited(path, Dialect())


def test_a_wrong_encoding_far_down_is_found_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(delimited, "BLOCK_BYTES", 64)
    monkeypatch.setattr(delimited, "HEAD_BYTES", 64)
    path = tmp_path / "t.csv"
    path.write_bytes(b"a,b\n" + b"1,2\n" * 100 + b"\xff\xfe,2\n")
    with pytest.raises(KinbayError, match="line 102"):
        list(open_delimited(path, Dialect()).pieces())


@pytest.mark.parametrize("content", [b"", b"\n\n", b"  \n", b"a,b\x00\x01\n1,2\n"])
def test_empty_and_binary_files_are_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "t.csv"
    path.write_bytes(content)
    with pytest.raises(KinbayError):
        open_delimited(path, Dialect())


def test_a_cell_too_long_to_be_data_is_a_broken_line(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("a,b\n1,2\n3," + "x" * 4001 + "\n5,6\n", encoding="utf-8")
    (piece,) = open_delimited(path, Dialect()).pieces()
    assert piece.frame.rows() == [(2, "1", "2"), (4, "5", "6")]
    assert piece.broken.select("line", "reason").rows() == [(3, "A cell is longer than 4,000 characters")]
