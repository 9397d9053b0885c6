"""What `kinbay check` says of the records: mended refusals settled, strangers, clocks, miles, scans told twice."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from pipeline import build as building
from pipeline import health, ingest
from pipeline.settings import Home
from tests.load.conftest import DATA

Write = Callable[..., Path]
HEAD = "scan_id,van,reader,scanned_at,odometer_km\n"
NOTES = "van,at,text\n041,2026-03-02T08:00:00,rattles\n042,{},smells\n"


def _said(home: Home) -> dict[str, str]:
    building.build(home)
    found: dict[str, str] = {}
    for m in health.check(home).matters:
        found[m.subject] = f"{found.get(m.subject, '')} {m.what} {m.remedy}"
    return found


def test_what_is_wrong_is_named_with_its_remedy_until_it_is_mended(home: Home, write: Write) -> None:
    ingest.load(home, [DATA])
    scans = (
        "h-1,0411,Yard tablet,2026-03-09T08:00:00Z,\n"
        "h-2,042,Yard tablet,2001-01-01T08:00:00Z,\n"
        "h-3,041,Blue handheld,2026-03-12T08:00:00Z,125250\n"
        "hand-4,042,Blue handheld,2026-03-13T08:00:00Z,\n"
        "h-5,042,Blue handheld,2026-03-13T08:10:00Z,\n"
    )
    ingest.load(home, [write("more.csv", HEAD + scans), write("seen.csv", NOTES.format("nonsense"))])
    (home.inbox / ".uploads").mkdir()
    (home.inbox / ".uploads" / "a.csv").write_text("x")
    said = _said(home)
    assert "1 row: The time is not written as ISO 8601" in said["seen.csv"]
    assert "(line 3)" in said["seen.csv"]
    assert "Did you mean 041? Add it to the register, or: kinbay alias" in said["van 0411"]
    assert "before the van's first day in service" in said["reader Yard tablet"]
    assert "differ as miles and km do" in said["van 041"]
    assert "one written down by hand" in said["van 042"]
    assert "inbox" not in said
    ingest.load(home, [write("seen.csv", NOTES.format("2026-03-03T08:00:00"))])
    assert "seen.csv" not in _said(home)


def test_each_reason_for_refusing_keeps_its_own_remedy(home: Home, write: Write) -> None:
    ingest.load(home, [DATA])
    rows = "h-1,041,Yard tablet,2026-03-09T08:00:00Z,abc\nh-2,041,Yard tablet,09/03/26,\nh-3,041,Yard tablet,nonsense,\n"
    loaded = ingest.load(home, [write("two.csv", HEAD + rows)])
    wanted = {(r.reason, r.remedy) for f in loaded.files for r in f.rejects}
    building.build(home)
    told = [m for m in health.check(home).matters if m.subject == "two.csv"]
    assert len(wanted) == len(told) > 1
    for reason, remedy in wanted:
        (one,) = [m for m in told if reason.rstrip(".") in m.what]
        assert one.remedy == remedy
