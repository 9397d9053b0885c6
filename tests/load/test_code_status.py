"""Three-byte codes as bytes and the status byte: ISO 14229-1 and SAE J2012, from memory of these standards."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline import ingest
from pipeline.normalise.code_status import Status, normalise_status, read_status, status_of_byte
from pipeline.normalise.codes import decode_three_byte, normalise_codes
from pipeline.normalise.faults import Faults
from pipeline.settings import Home

# Byte: the bits set (lowest first), and our word. Bits from memory of ISO 14229-1, the words by the rule
# failing now > confirmed > pending > failed since the clearing > untested.
VECTORS = {
    0x2F: ("present", {0, 1, 2, 3, 5}), 0x24: ("pending", {2, 5}), 0x09: ("present", {0, 3}), 0x08: ("stored", {3}),
    0x28: ("stored", {3, 5}), 0x50: ("not_tested", {4, 6}), 0x40: ("no_fault", {6}),
    0xAF: ("present", {0, 1, 2, 3, 5, 7}), 0x04: ("pending", {2}), 0x20: ("healed", {5}), 0x00: ("no_fault", set()),
}  # fmt: skip


@pytest.mark.parametrize(("byte", "expected"), VECTORS.items())
def test_status_bytes(byte: int, expected: tuple[str, set[int]]) -> None:
    word, bits = expected
    assert sum(1 << b for b in bits) == byte
    assert status_of_byte(byte) == word
    for text in (f"0x{byte:02X}", f"${byte:02x}", f"{byte:02X}h", f"{byte:02X}", f"{byte:08b}"):
        assert read_status(text) == Status(word, byte)


def test_readers_that_ask_with_different_masks_show_different_numbers_of_codes() -> None:
    # Worked by hand: six entries, each mask shows those with a bit in common.
    statuses = [0x2F, 0x24, 0x28, 0x08, 0x50, 0x40]
    counts = {
        mask: sum(s & mask > 0 for s in statuses) for mask in (0xFF, 0x0D, 0x08, 0x09, 0x0C, 0x04, 0x01)
    }
    assert counts == {0xFF: 6, 0x0D: 4, 0x08: 3, 0x09: 3, 0x0C: 4, 0x04: 2, 0x01: 1}
    told = [status_of_byte(s) for s in statuses]
    assert [t for t in told if t not in ("not_tested", "no_fault")] == [
        "present",
        "pending",
        "stored",
        "stored",
    ]


@pytest.mark.parametrize(
    ("text", "status", "byte"),
    [
        ("present", "present", None),
        ("stored, not present", "stored", None),
        ("pending; present", "present", None),
        ("testFailed, confirmedDTC", "present", 0x09),
        ("pendingDTC|testFailedSinceLastClear", "pending", 0x24),
        ("test not completed since last clear", "not_tested", 0x10),
        ("not tested", "not_tested", None),
    ],
)
def test_words(text: str, status: str, byte: int | None) -> None:
    assert read_status(text) == Status(status, byte)


def test_three_digits_make_a_column_decimal_and_a_note_says_so() -> None:
    given = pl.Series("status", ["175", "47", "8", "", None])
    found, notes = normalise_status(given, Faults(pl.Series("line", range(5))))
    assert found["status_byte"].to_list() == [175, 47, 8, None, None]
    assert found["status"].to_list() == ["present", "present", "stored", "unknown", "unknown"]
    assert "decimal" in notes[0]


def test_what_is_no_status_is_kept_as_unknown_and_noted() -> None:
    faults = Faults(pl.Series("line", [2, 3]))
    found, _ = normalise_status(pl.Series("status", ["presnt", "0x1FF"]), faults)
    assert found["status"].to_list() == ["unknown", "unknown"]
    assert faults.rejects()["remedy"][0] == "Did you mean present?"
    assert not faults.lost.any()


@pytest.mark.parametrize("text", ["P0401-22", "0401-22", "04 01 22", "0x040122", "P040122", "P0401:22"])
def test_one_fault_has_one_code_however_its_three_bytes_are_written(text: str) -> None:
    # 04 01 22 by hand: 00 P, 00 first digit, 401; third byte 22 (SAE J2012-DA with ISO 14229-1, from memory).
    assert decode_three_byte(0x040122) == "P0401-22"
    assert normalise_codes(pl.Series([text])).row(0)[:3] == ("P0401", "22", "standard")


def test_a_bare_number_is_never_taken_for_bytes() -> None:
    found = normalise_codes(pl.Series(["040122", "0401", "01314-049", "12 34"]))
    assert found["code"].to_list() == ["040122", "0401", "01314-049", "12 34"]
    assert not found["is_decoded"].any()


def test_a_file_with_bytes_is_stored_with_lamp_and_failure_type(
    home: Home, write: Callable[..., Path], rows: Callable[[str], list[tuple[Any, ...]]]
) -> None:
    path = write(
        "codes.csv",
        "van,reader,scanned_at,module,code,status\n"
        "041,R,2026-03-02T08:00:00,engine,04 01 22,AF\n"
        "041,R,2026-03-02T08:00:00,engine,P0299-00,50\n"
        "041,R,2026-03-02T08:00:00,engine,00285,28\n",
    )
    report = ingest.load(home, [path])
    assert any("two-byte rule" in n for n in report.files[0].notes)
    assert rows(
        "select code, failure_type, code_given, status, status_byte, lamp from raw.codes order by line"
    ) == [
        ("P0401", "22", "04 01 22", "present", 0xAF, True),
        ("P0299", "00", "P0299-00", "not_tested", 0x50, False),
        ("00285", None, "00285", "stored", 0x28, False),
    ]
