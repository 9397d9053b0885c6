"""A wrong van, time or odometer corrected, and a plate taken for its van: by journal entries, seen in the marts."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import pytest

from pipeline import build as building
from pipeline import ingest
from pipeline.errors import KinbayError
from pipeline.ingest.correcting import correct_scan, name_van
from pipeline.settings import Home
from pipeline.warehouse import published

Write = Callable[..., Path]


def _scans(home: Home) -> dict[str, tuple[str, datetime, float | None]]:
    building.build(home)
    with published.reading(home) as connection:
        rows = connection.execute("select scan_id, van, scanned_at, odometer_km from scans").fetchall()
    return {row[0]: row[1:] for row in rows}


@pytest.mark.usefixtures("with_examples")
def test_corrections_and_names_reach_the_marts_and_come_again_from_the_journal(
    home: Home, write: Write
) -> None:
    extra = "scan_id,van,reader,scanned_at,odometer_km\np-1,ab-12 cd,Yard tablet,2026-03-09T07:10:00,188100\n"
    ingest.load(home, [write("more.csv", extra)])
    before = _scans(home)
    assert before["a-1001"][0] == "041"
    assert before["p-1"][0] == "ab-12 cd"
    name_van(home, "AB 12 CD", "042", "new plate")
    correct_scan(
        home,
        "Blue handheld",
        "a-1001",
        "typed wrongly",
        van="042",
        at="2026-03-03T06:40:00Z",
        odometer_km=188021,
    )
    after = _scans(home)
    assert after["a-1001"] == ("042", datetime(2026, 3, 3, 6, 40), 188021.0)
    assert after["p-1"][0] == "042"
    shutil.rmtree(home.warehouse)
    ingest.rebuild_raw(home.ensure())
    assert _scans(home) == after


def test_a_plate_of_the_register_needs_no_word(home: Home, write: Write) -> None:
    register = "van,model,model_year,plate\n051,Bracken 22,2015,XY 99 ZZ\n"
    scans = "scan_id,van,reader,scanned_at\np-2,xy99zz,Yard tablet,2026-03-09T07:10:00\n"
    ingest.load(home, [write("register.csv", register), write("scans.csv", scans)])
    assert _scans(home)["p-2"][0] == "051"


@pytest.mark.usefixtures("with_examples")
def test_what_cannot_be_meant_is_refused_with_the_nearest(home: Home) -> None:
    with pytest.raises(KinbayError, match="Did you mean 042"):
        name_van(home, "x", "0422", "y")
    with pytest.raises(KinbayError, match="van of the register itself"):
        name_van(home, "041", "042", "y")
    with pytest.raises(KinbayError, match="reason is missing"):
        name_van(home, "x", "042", " ")
    with pytest.raises(KinbayError, match="Did you mean a-100"):
        correct_scan(home, "Blue handheld", "a-10001", "y", van="042")
    with pytest.raises(KinbayError, match="Nothing is corrected"):
        correct_scan(home, "Blue handheld", "a-1001", "y")
    assert list(home.journal.glob("*.json")) == []
