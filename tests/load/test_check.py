"""What `kinbay check` says of the records: mended refusals settled, strangers, clocks, miles, scans told twice."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from pipeline import build as building
from pipeline import health, ingest, vocabulary
from pipeline.settings import Home
from tests.load.conftest import DATA

Write = Callable[..., Path]
HEAD = "scan_id,van,reader,scanned_at,odometer_km\n"
NOTES = "van,at,text\n041,2026-03-02T08:00:00,rattles\n042,{},smells\n"


SCANS = (
    "h-1,0411,Yard tablet,2026-03-09T08:00:00Z,\n"
    "h-2,042,Yard tablet,2001-01-01T08:00:00Z,\n"
    "h-3,041,Blue handheld,2026-03-12T08:00:00Z,125250\n"
    "hand-4,042,Blue handheld,2026-03-13T08:00:00Z,\n"
    "h-5,042,Blue handheld,2026-03-13T08:10:00Z,\n"
)
REFUSED = "t-1,041,Yard tablet,2026-03-09T08:00:00Z,abc\nt-2,041,Yard tablet,09/03/26,\nt-3,041,Yard tablet,nonsense,\n"
# 49 CFR 565.15's sample with its last digit changed; a number of a maker outside North America; one too short.
REGISTER = (
    "van,vin,model,model_year\n050,1M8GDM9AXKP042789,Wren,2018\n051,VZ9ZZZ00000000001,Wren,2018\n"
    "052,1M8GDM9AXKP04278,Wren,2018\n053,1M8GDM9AXKP042788,Wren,2018\n"
) + "".join(f"0{van},,Wren,2018\n" for van in range(60, 66))


READINGS = {
    "coolant_temp": 84, "engine_speed": 800, "supply_voltage": 13.4, "rail_pressure": 28, "air_mass_flow": 9,
    "manifold_pressure": 101, "fuel_temp": 41, "intake_air_temp": 23, "barometric_pressure": 100,
}  # fmt: skip


def _two_readers(minutes: int, *, first_van: int, is_copy: bool) -> tuple[str, str]:
    """Six vans, each read by two readers at the same odometer, so many minutes apart; the second may be a copy."""
    scans, readings = HEAD, "scan_id,parameter,value,unit,state\n"
    units = {p.key: p.unit for p in vocabulary.parameters()}
    for van in range(6):
        for number, reader in enumerate(("Tool A", "Tool B")):
            at = datetime(2026, 3, 9, 8) + timedelta(minutes=minutes * number + van)
            name = f"{reader[-1]}-{van}"
            scans += f"{name},{first_van + van:03d},{reader},{at.isoformat()}Z,{125000 + van}\n"
            for key, base in READINGS.items():
                value = base + van / 10 + (0 if is_copy else 0.3 * number)
                readings += f"{name},{key},{value},{units[key]},warm_idle\n"
    return scans, readings


@dataclass(frozen=True)
class Told:
    """What a check of one home says, and what loading said of one of its files."""

    matters: tuple[health.Matter, ...]
    rejects: frozenset[tuple[str, str]]

    @property
    def by_subject(self) -> dict[str, str]:
        found: dict[str, str] = {}
        for m in self.matters:
            found[m.subject] = f"{found.get(m.subject, '')} {m.what} {m.remedy}"
        return found


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Told:
    """A home with a fault of each kind, loaded, in part mended, built and checked once."""
    root = tmp_path_factory.mktemp("faults")
    home = Home(root / "home").ensure()

    def load(**files: str) -> ingest.LoadReport:
        for name, text in files.items():
            (root / f"{name}.csv").write_text(text, "utf-8")
        return ingest.load(home, [root / f"{name}.csv" for name in files])

    ingest.load(home, [DATA])
    far, far_readings = _two_readers(61, first_van=60, is_copy=False)
    work = "van,at,what,part\n0411,2026-03-05,serviced,tyres\n999,2026-03-05,serviced,tyres\n"
    load(more=HEAD + SCANS, far=far, far_readings=far_readings, vins=REGISTER, work=work)
    refused = load(two=HEAD + REFUSED)
    assert [
        f.rejected for f in load(seen=NOTES.format("nonsense"), mended=NOTES.format("some day")).files
    ] == [1, 1]
    assert load(mended=NOTES.format("2026-03-03T08:00:00")).files[0].rejected == 0
    (home.inbox / ".uploads").mkdir()
    (home.inbox / ".uploads" / "a.csv").write_text("x")
    building.build(home)
    rejects = frozenset((r.reason, r.remedy) for f in refused.files for r in f.rejects)
    return Told(health.check(home).matters, rejects)


def test_what_is_wrong_is_named_with_its_remedy(told: Told) -> None:
    said = told.by_subject
    assert "1 row: The time is not written as ISO 8601" in said["seen.csv"]
    assert "(line 3)" in said["seen.csv"]
    assert "Did you mean 041? Add it to the register, or: kinbay alias" in said["van 0411"]
    assert "named in 1 scan, 1 work entry and is not in the register" in said["van 0411"]
    assert "named in 1 work entry and is not in the register" in said["van 999"]
    assert "before the van's first day in service" in said["reader Yard tablet"]
    assert "differ as miles and km do" in said["van 041"]
    assert "one written down by hand" in said["van 042"]
    assert "inbox" not in said


def test_what_was_mended_is_no_longer_told(told: Told) -> None:
    assert "mended.csv" not in told.by_subject


def test_each_reason_for_refusing_keeps_its_own_remedy(told: Told) -> None:
    of_the_file = [m for m in told.matters if m.subject == "two.csv"]
    assert len(told.rejects) == len(of_the_file) > 1
    for reason, remedy in told.rejects:
        (one,) = [m for m in of_the_file if reason.rstrip(".") in m.what]
        assert one.remedy == remedy


def test_a_clock_beside_the_others_and_wrong_chassis_numbers_are_told(told: Told) -> None:
    said = told.by_subject
    assert (
        "at the same odometer lie 1 h 01 min apart nearly every time (6 pairs of 6 vans)"
        in said["reader Tool A"]
    )
    assert "fails its check digit" in said["van 050"]
    assert "van 051" not in said
    assert "has not 17 characters" in said["van 052"]
    assert "van 053" not in said


@pytest.mark.usefixtures("with_examples")
def test_one_scan_under_two_readers_is_told_from_two_scans_of_one_visit(home: Home, write: Write) -> None:
    """Six visits read by both tools, and six scans that both tools gave alike: only these are kept twice."""
    scans, readings = _two_readers(2, first_van=40, is_copy=False)
    copies, copy_readings = (
        text.replace("A-", "C-").replace("B-", "D-").replace("2026-03", "2026-04")
        for text in _two_readers(2, first_van=40, is_copy=True)
    )
    files = {"pairs": scans, "pair_readings": readings, "copies": copies, "copy_readings": copy_readings}
    ingest.load(home, [write(f"{name}.csv", text) for name, text in files.items()])
    building.build(home)
    said = " ".join(f"{m.what} {m.remedy}" for m in health.check(home).matters)
    named = re.findall(
        r"kept twice under two readers \(Tool A, C-(\d) and Tool B, D-(\d)\): all \d+ readings are the same",
        said,
    )
    assert len(named) == said.count("kept twice") == 5
    assert all(one == other for one, other in named)
    assert "1 more such pair." in said
    assert "apart nearly every time" not in said
