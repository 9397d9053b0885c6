"""PDF reports and pasted text: shown before they are taken, refused with a reason, never more than the limits allow.

The specimen is written by hand after ISO 32000-1 (PDF 1.7): header, objects, cross-reference, trailer.
"""

from __future__ import annotations

import tomllib
import zlib
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest
from pypdf import PdfReader, PdfWriter

from pipeline import ingest
from pipeline.ingest.confirming import place
from pipeline.ingest.rebuilding import rebuild_raw
from pipeline.read import pdf_words
from pipeline.settings import Home
from tests.load.conftest import Rows
from tests.load.test_text_reports import LAYOUT, REPORT

Write = Callable[..., Path]
FIRST = ["Counter report", "Vehicle: 047", "Printed 02.03.2026 07:40", "Module: engine", "  P0562 System voltage low (stored)"]  # fmt: skip
SECOND = ["Module: brakes", "  C0035 Wheel speed front left (pending)"]


def make_pdf(pages: Sequence[Sequence[str]], stream: bytes | None = None) -> bytes:
    """Write a PDF with one line of text per entry, 14 points apart."""
    objects: list[bytes] = [b"<< /Type /Catalog /Pages 2 0 R >>", b""]
    kids = []
    for lines in pages:
        shown = "".join(
            f"({t.replace('(', chr(92) + '(').replace(')', chr(92) + ')')}) Tj T*\n" for t in lines
        )
        content = stream or zlib.compress(f"BT /F1 10 Tf 14 TL 50 780 Td\n{shown}ET".encode("latin-1"))
        number = len(objects) + 1
        kids.append(f"{number} 0 R")
        objects += [
            (f"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 595 842] /Contents {number + 1} 0 R "
             "/Resources << /Font << /F1 << /Type /Font /Subtype /Type1 /BaseFont /Courier >> >> >> >>").encode(),
            f"<< /Length {len(content)} /Filter /FlateDecode >>\nstream\n".encode() + content + b"\nendstream",
        ]  # fmt: skip
    objects[1] = f"<< /Type /Pages /Count {len(kids)} /Kids [{' '.join(kids)}] >>".encode()
    out, starts = b"%PDF-1.7\n", []
    for number, body in enumerate(objects, 1):
        starts.append(len(out))
        out += f"{number} 0 obj\n".encode() + body + b"\nendobj\n"
    table = "".join(f"{start:010} 00000 n \n" for start in starts)
    trailer = f"trailer\n<< /Size {len(objects) + 1} /Root 1 0 R >>\nstartxref\n{len(out)}\n%%EOF"
    return out + f"xref\n0 {len(objects) + 1}\n0000000000 65535 f \n{table}{trailer}".encode()


def _drop(home: Home, name: str, content: bytes) -> Path:
    (home.layouts / "counter_report.toml").write_text(LAYOUT, encoding="utf-8")
    path = home.inbox / name
    path.write_bytes(content)
    return path


def _answer(path: Path, word: str) -> None:
    beside = path.with_name(path.name + ".question.toml")
    text = beside.read_text(encoding="utf-8")
    beside.write_text(text.replace('answer = ""', f'answer = "{word}"'), encoding="utf-8")


def test_a_pdf_is_shown_first_and_taken_once_a_person_says_so(home: Home, rows: Rows) -> None:
    path = _drop(home, "report.pdf", make_pdf([FIRST, SECOND]))
    (report,) = ingest.load(home, []).files
    assert report.taken == 0
    (question,) = report.questions
    assert "page 1, line 5: codes, module engine, code P0562" in question
    assert "page 2, line 2: codes, module brakes, code C0035" in question
    assert rows("select count(*) from raw.codes") == [(0,)]
    asked = tomllib.loads(path.with_name("report.pdf.question.toml").read_text(encoding="utf-8"))["question"][
        0
    ]
    assert asked["choices"] == ["yes", "no"]
    _answer(path, "no")
    assert ingest.load(home, []).files[0].taken == 0
    path.with_name("report.pdf.question.toml").unlink()
    ingest.load(home, [])
    _answer(path, "yes")
    assert not ingest.load(home, []).files[0].questions
    expected = [("brakes", "C0035", "pending"), ("engine", "P0562", "stored")]
    assert rows("select module, code, status from raw.codes order by code") == expected
    assert not path.exists()
    rebuild_raw(home)
    assert rows("select module, code, status from raw.codes order by code") == expected


def test_pasted_text_is_shown_first_and_a_saved_report_is_not(home: Home, write: Write) -> None:
    _drop(home, "pasted report.txt", REPORT.encode())
    (report,) = ingest.load(home, []).files
    assert report.taken == 0
    assert "page 1, line 5: codes" in report.questions[0]
    other = ingest.load(home, [write("saved.txt", REPORT.replace("047", "049"))]).files[0]
    assert other.taken
    assert not other.questions


def _locked() -> bytes:
    writer = PdfWriter()
    writer.add_blank_page(595, 842)
    writer.encrypt("secret", algorithm="RC4-128")
    return _bytes_of(writer)


def _bytes_of(writer: PdfWriter) -> bytes:
    from io import BytesIO

    out = BytesIO()
    writer.write(out)
    return out.getvalue()


def _blank(n: int) -> bytes:
    writer = PdfWriter()
    for _ in range(n):
        writer.add_blank_page(595, 842)
    return _bytes_of(writer)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (_locked(), "locked with a password"),
        (_blank(1), "no text, only pictures"),
        (_blank(pdf_words.MOST_PAGES + 1), "too many pages"),
        (b"%PDF-1.7\n" + bytes(range(256)) * 20, "cannot be read"),
        (make_pdf([FIRST])[:400], "cannot be read|no text"),
        (make_pdf([[]], stream=zlib.compress(b" " * 400_000_000, 1)), "too much memory or time|cannot be read|no text"),
    ],
    ids=["locked", "picture", "long", "garbage", "cut", "bomb"],
)  # fmt: skip
def test_what_cannot_be_read_is_refused_with_a_reason(
    home: Home, rows: Rows, content: bytes, said: str
) -> None:
    import re

    _drop(home, "report.pdf", content)
    (report,) = ingest.load(home, []).files
    assert re.search(said, " ".join(report.questions)), report.questions
    assert rows("select count(*) from raw.files") == [(0,)]


def test_a_pdf_without_a_layout_says_what_to_do(home: Home) -> None:
    (home.inbox / "report.pdf").write_bytes(make_pdf([FIRST]))
    (report,) = ingest.load(home, []).files
    assert "No layout fits the text of this PDF" in report.questions[0]


def test_the_specimen_is_a_pdf_and_places_are_by_page() -> None:
    from io import BytesIO

    assert "P0562" in PdfReader(BytesIO(make_pdf([FIRST]))).pages[0].extract_text()
    assert [place((1, 6, 9), line) for line in (1, 5, 6, 10)] == [
        "page 1, line 1",
        "page 1, line 5",
        "page 2, line 1",
        "page 3, line 2",
    ]
