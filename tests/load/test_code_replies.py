"""Replies of control units as bytes: SAE J1979 services 03, 07 and 0A, ISO 14229-1 service 19 02 (from memory)."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline import ingest
from pipeline.normalise.code_replies import decode_reply
from pipeline.settings import Home
from tests.load.conftest import Rows


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("43 02 01 33 C1 00", [("P0133", "confirmed"), ("U0100", "confirmed")]),  # CAN: a count, then the codes
        ("43 01 35 00 00 00 00", [("P0135", "confirmed")]),  # older links: three codes a line, zero padded
        ("43 01 04 01", [("P0401", "confirmed")]),
        ("47 01 04 01 AA AA AA AA", [("P0401", "pending")]),
        ("4A 01 24 63", [("P2463", "permanent")]),
        ("43 00", []),
        ("59 02 FF 04 01 22 2F 05 62 16 28", [("P0401-22", "0x2F"), ("P0562-16", "0x28")]),
        ("59 02 FF", []),
    ],
)  # fmt: skip
def test_replies(text: str, expected: list[tuple[str, str]]) -> None:
    assert decode_reply(text) == expected


@pytest.mark.parametrize(
    "text", ["43 05 01 33", "43 01 33 02 05", "59 02 FF 04 01 22", "41 0C 1A F8", "43", "4301", "P0401"]
)
def test_what_does_not_add_up_is_no_reply(text: str) -> None:
    assert decode_reply(text) is None


def test_a_file_with_replies_gives_one_row_per_code(
    home: Home, write: Callable[..., Path], rows: Rows
) -> None:
    path = write(
        "codes.csv",
        "van,reader,scanned_at,module,code\n"
        "041,R,2026-03-02T08:00:00,engine,43 02 01 33 C1 00\n"
        "041,R,2026-03-02T08:00:00,brakes,59 02 FF 40 35 12 24\n"
        "041,R,2026-03-02T08:00:00,body,00285\n"
        "041,R,2026-03-02T08:00:00,airbag,43 00\n",
    )
    (report,) = ingest.load(home, [path]).files
    assert any("3 replies of control units" in n for n in report.notes)
    assert rows("select line, module, code, failure_type, status, status_byte from raw.codes order by line, code") == [
        (2, "engine", "P0133", None, "confirmed", None),
        (2, "engine", "U0100", None, "confirmed", None),
        (3, "brakes", "C0035", "12", "pending", 0x24),
        (4, "body", "00285", None, "unknown", None),
    ]  # fmt: skip
