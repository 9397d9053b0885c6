"""Notes on a code: kept with name and date, shown as text however hostile, told by the build."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path

import polars as pl
import pytest

from dashboard.charts.code_names import Code
from dashboard.parts import code_notes
from dashboard.parts.code_moments import say_failure_types, say_lamp, say_states, tell_frames
from pipeline import ingest
from pipeline.build import build
from pipeline.errors import KinbayError
from pipeline.settings import Home
from pipeline.warehouse import publish
from tests.dashboard.fleet import Fleet
from tests.dashboard.shown import open_page, read_page

FLOW = Code("engine", "P0401", "", "standard")
HOSTILE = '<img src=x onerror=alert(1)> [a](http://b) **bold** "; drop table vans'
AT = dt.datetime(2026, 3, 1, 9, 30)


def test_a_note_is_kept_in_the_journal_and_read_newest_first(tmp_path: Path) -> None:
    home = Home(tmp_path / "home")
    code_notes.keep_note(home, FLOW, "  Ada   B ", "clean the valve first", "own experience", AT)
    code_notes.keep_note(home, FLOW, "Cy", HOSTILE, "", AT + dt.timedelta(days=1))
    code_notes.keep_note(home, Code("body", "P0401", "", "standard"), "Cy", "another module", "", AT)
    found = code_notes.notes_of(home, FLOW)
    assert [(n["who"], n["text"], n["origin"]) for n in found] == [
        ("Cy", HOSTILE, ""),
        ("Ada B", "clean the valve first", "own experience"),
    ]


@pytest.mark.parametrize(
    ("who", "text"), [("", "text"), ("Ada", "  "), ("A" * 81, "text"), ("Ada", "x" * 1001)]
)
def test_a_note_without_name_or_text_is_refused_and_nothing_kept(tmp_path: Path, who: str, text: str) -> None:
    home = Home(tmp_path / "home")
    with pytest.raises(KinbayError, match="A note needs"):
        code_notes.keep_note(home, FLOW, who, text, "", AT)
    assert not list(home.journal.glob("*")) if home.journal.exists() else True


def test_the_build_publishes_notes_and_a_rebuild_keeps_up(tmp_path: Path) -> None:
    home = Home(tmp_path / "home").ensure()
    (home.inbox / "register.csv").write_text("van,model,model_year\n041,Bracken,2018\n", encoding="utf-8")
    ingest.load(home, [])
    code_notes.keep_note(home, FLOW, "Ada", HOSTILE, "a manual", AT)
    build(home)
    code_notes.keep_note(home, FLOW, "Cy", "second", "", AT + dt.timedelta(days=1))
    build(home)
    with publish.reading(home) as connection:
        rows = connection.execute(
            "select who, module, code, text, origin, written_at from code_notes order by written_at"
        ).fetchall()
    assert rows == [
        ("Ada", "engine", "P0401", HOSTILE, "a manual", AT),
        ("Cy", "engine", "P0401", "second", "", AT + dt.timedelta(days=1)),
    ]  # fmt: skip


def test_the_page_writes_a_note_and_shows_it_letter_by_letter(
    fleet: Fleet, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = tmp_path / "copy"
    shutil.copytree(fleet.home, home)
    at = open_page(home, "codes", monkeypatch, code="P0401, engine")
    next(a for a in at.text_area if a.label.startswith("What do you know")).input(HOSTILE)
    next(t for t in at.text_input if t.label == "Your name").input("Ada <b>")
    next(b for b in at.button if b.label == "Keep this note").click().run()
    assert not at.exception
    assert [t.value for t in at.text if t.value == HOSTILE] == [HOSTILE]
    assert "Ada <b>" in read_page(at)


def test_what_is_said_of_frames_lamps_and_failure_types() -> None:
    frames = pl.DataFrame(
        {
            "state": ["warm_idle", "any"], "state_name": ["warm idle", "all frames together"], "n_vans": [5, 8],
            "n_frames": [6, 11], "value": [812.0, 900.0], "value_low": [790.0, 800.0], "value_high": [840.0, 1000.0],
            "n_fleet_vans": [12, 0], "fleet_value": [805.0, None], "fleet_low": [795.0, None],
            "fleet_high": [815.0, None], "unit": ["rpm", "rpm"], "resolution": [0.25, 0.25], "smallest_useful": [20.0, 20.0],
        }
    )  # fmt: skip
    assert say_states(frames) == "Of 8 vans with a freeze frame (11 frames): warm idle on 5."
    assert "cases, not a pattern" in say_states(frames.with_columns(pl.lit(3).alias("n_vans")))
    assert "nothing is known" in say_states(frames.clear())
    told = tell_frames(frames)
    assert told["when_set"][0] == "812 (790 to 840) rpm"
    assert told["usually"].to_list() == ["805 (795 to 815) rpm", None]
    lamps = pl.DataFrame({"n_known": [8], "n_lit": [6], "n_vans_known": [3], "n_vans_lit": [2]})
    assert say_lamp(lamps).endswith("6 of 8 sightings whose reader says so (75 %), on 2 of 3 vans.")
    assert say_lamp(lamps.with_columns(pl.lit(0).alias("n_known"))).startswith("No reader says")
    types = pl.DataFrame(
        {"failure_type": ["22", "FE"], "failure_says": ["signal high", None], "n_vans": [2, 1]}
    )
    assert say_failure_types(types) == "Failure types: 22 signal high (2 vans); FE not in the list (1 van)."
