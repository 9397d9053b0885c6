"""The first page: deciding about a matter, what brings it back, and what changed since an earlier build."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any

import polars as pl
import pytest
from streamlit.testing.v1 import AppTest

from dashboard.charts.changes import compare_builds
from dashboard.charts.matter_words import headline, short_cautions
from dashboard.parts import decided
from pipeline import decisions
from pipeline.settings import Home
from tests.dashboard import fleet as invented
from tests.dashboard.fleet import DATA_TO, Fleet
from tests.dashboard.shown import open_page, read_page


def _first(at: AppTest) -> str:
    """Key of the first matter on the list."""
    return str(at.main.expander[0].key)


def _decide(at: AppTest, choice: str, **fields: str) -> AppTest:
    """Open the first matter and its form, fill it in and keep it."""
    matter = _first(at)
    form = f"decide_{matter.removeprefix('look_')}"
    at.session_state[matter] = True
    at.session_state[form] = True
    at.run()
    at.selectbox(key=f"{form}_choice").set_value(choice).run()
    for name, value in fields.items():
        box: Any = (
            at.selectbox if name in ("what", "relearn") else at.text_area if name == "why" else at.text_input
        )
        box(key=f"{form}_{name}").set_value(value)
    return at.button(key=f"{form}_keep").click().run()


def test_a_decision_takes_a_matter_off_the_list_and_stays_in_the_journal(
    own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_page(own_fleet.home, "look", monkeypatch)
    matter = _first(at)
    label = at.main.expander[0].label
    at = _decide(at, "known_normal", who="A. Reeve", why="All of them do this =1+2")
    assert not at.exception
    assert "Kept: Known normal for this group" in read_page(at)
    assert label not in [e.label for e in at.expander]
    entry = json.loads(next((own_fleet.home / "journal").glob("*-decision-*.json")).read_text("utf-8"))
    assert entry["finding_id"] == matter.removeprefix("look_")
    assert (entry["who"], entry["why"], entry["build_id"]) == (
        "A. Reeve",
        "All of them do this =1+2",
        "b0000001",
    )
    later = open_page(own_fleet.home, "look", monkeypatch, look_sure="Decided")
    assert [e.label for e in later.main.expander] == [label]
    assert "Known normal for this group: 1" in read_page(later)


def test_without_a_name_or_reason_nothing_is_kept(own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    at = _decide(open_page(own_fleet.home, "look", monkeypatch), "not_a_fault", who="A. Reeve", why=" ")
    assert "A decision needs a reason" in read_page(at)
    assert "Nothing was kept" in read_page(at)
    assert not list((own_fleet.home / "journal").glob("*")) if (own_fleet.home / "journal").exists() else True


def test_done_leaves_a_work_record_that_load_can_take(
    own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    started: list[str] = []
    monkeypatch.setattr("dashboard.parts.work.start_load_and_build", started.append)
    at = _decide(
        open_page(own_fleet.home, "look", monkeypatch),
        "done",
        what="replaced",
        part="thermostat",
        relearn="not needed",
        who="A. Reeve",
        why="Stuck open.",
    )
    assert not at.exception
    assert started == ["Load the work and build"]
    rows = pl.read_csv(next((own_fleet.home / "inbox").glob("work-*.csv")), infer_schema=False)
    row = rows.row(0, named=True)
    assert (row["van"], row["what"], row["part"], row["relearn"]) == (
        "047",
        "replaced",
        "thermostat",
        "not_needed",
    )
    assert row["note"] == "Stuck open."


def test_worse_evidence_brings_a_matter_back_and_says_why(
    own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_page(own_fleet.home, "look", monkeypatch)
    matter = _first(at).removeprefix("look_")
    _decide(at, "known_normal", who="A", why="B")
    tables = invented.build_tables()
    worse = pl.when(pl.col("finding_id") == matter)
    tables["findings"] = tables["findings"].with_columns(
        worse.then(pl.col("difference") * 2).otherwise("difference").alias("difference")
    )
    invented.publish(own_fleet.home, build=2, tables=tables)
    at = open_page(own_fleet.home, "look", monkeypatch)
    assert _first(at).removeprefix("look_") == matter
    assert "back: the difference has grown beyond its old interval" in read_page(at)
    assert "Back on the list: 1" in read_page(at)


def test_who_may_not_decide_is_offered_no_form(own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(decided, "may", lambda act: act != "decide")
    at = open_page(own_fleet.home, "look", monkeypatch)
    matter = _first(at)
    at.session_state[matter] = True
    at.session_state[f"decide_{matter.removeprefix('look_')}"] = True
    at.run()
    assert "Deciding is for those with that role." in read_page(at)
    assert not [b for b in at.button if str(b.key).endswith("_keep")]


def test_what_changed_is_counted_against_an_earlier_build(
    own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "No earlier build to compare with yet." in read_page(
        open_page(own_fleet.home, "look", monkeypatch)
    )
    tables = invented.build_tables()
    past = (
        tables["findings"]
        .filter(pl.col("kind") != "reader_bias")
        .with_columns(
            pl.lit("b0").alias("build_id"),
            pl.lit(DATA_TO - dt.timedelta(days=8)).alias("built_at"),
            pl.lit(DATA_TO - dt.timedelta(days=8)).alias("data_to"),
        )
    )
    gone = past.head(1).with_columns(
        pl.lit("gone").alias("finding_id"), pl.lit("Van 044 was odd.").alias("claim")
    )
    columns = ["build_id", "built_at", "data_to", "finding_id", "kind", "tier", "van", "value", "difference",
               "unit", "interval_low", "interval_high", "n_scans", "last_seen", "claim"]  # fmt: skip
    tables["finding_history"] = pl.concat([past, gone]).select(columns)
    invented.publish(own_fleet.home, build=2, tables=tables)
    text = read_page(open_page(own_fleet.home, "look", monkeypatch, look_since="A week ago"))
    assert "**New 1** · **Worse 0** · **Better 0** · **Gone 1**" in text
    assert "Yard tablet shows" in text or "Yard tablet reads" in text
    assert "Since the build with data to 22 Sep 2026." in text


def test_changes_leave_out_what_comes_and_goes_with_chance() -> None:
    row = {"finding_id": "a", "tier": "watch", "difference": 1.0, "interval_low": 0.5, "interval_high": 1.5}
    changes = compare_builds([row], [row | {"finding_id": "b"}])
    assert {kind: len(rows) for kind, rows in changes.items()} == {
        "new": 0,
        "worse": 0,
        "better": 0,
        "gone": 0,
    }
    stronger = compare_builds([row | {"tier": "likely"}], [row | {"tier": "finding"}])
    assert [len(rows) for rows in stronger.values()] == [0, 1, 0, 0]


@pytest.mark.parametrize(
    ("kind", "claim", "short"),
    [
        (
            "van_level",
            "Van 009: engine coolant temperature, warm idle, is 8.2 °C below its 11 siblings (79.5 against 87.7 °C; 17 scans).",
            "Engine coolant temperature, warm idle, is 8.2 °C below its 11 siblings",
        ),
        ("record_conflict", "Van 009 carries the same VIN as another van: The register gives it to van 44.", "Carries the same VIN as another van"),
        ("van_level", f"Van 009: {'x' * 90} and {'y' * 60}.", f"{'X' + 'x' * 89} and …"),
    ],
)  # fmt: skip
def test_a_headline_is_the_claim_without_its_brackets(kind: str, claim: str, short: str) -> None:
    row = {"kind": kind, "claim": claim, "van": "009", "cohort": None, "reader": None, "attribute": None}
    assert headline(row) == short


def test_cautions_are_named_in_one_line_and_none_is_hidden_without_a_count() -> None:
    rows = [
        {
            "cautions": [
                "Hot coolant is under pressure: wait.",
                "A" * 100,
                "Hot coolant is under pressure: wait.",
            ]
        }
    ]
    assert short_cautions(rows) == "Hot coolant is under pressure; 1 more"


def test_questions_in_the_inbox_are_counted(own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    home = Home(own_fleet.home).ensure()
    (home.inbox / "a.csv.question.toml").write_text("")
    assert "1 file in the inbox waits for an answer." in read_page(
        open_page(own_fleet.home, "look", monkeypatch)
    )
    assert decisions.read_decisions(home) == ()
