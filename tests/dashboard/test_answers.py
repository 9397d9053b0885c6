"""Answers of one build are kept, and never those of another."""

from __future__ import annotations

import polars as pl

from dashboard.questions import fleet, warehouse
from dashboard.questions.warehouse import Answers, open_warehouse
from pipeline.settings import Home
from tests.dashboard import fleet as invented
from tests.dashboard.fleet import Fleet


def test_the_same_question_is_run_once_and_another_build_is_asked_afresh(own_fleet: Fleet) -> None:
    home = Home(own_fleet.home)
    first = open_warehouse(home)
    readings, built = fleet.list_readings(first), fleet.describe_build(first)["build_id"][0]
    assert fleet.list_readings(open_warehouse(home)) is readings
    invented.publish(own_fleet.home, build=2, tables=invented.build_tables())
    second = open_warehouse(home)
    assert fleet.list_readings(second) is not readings
    assert fleet.describe_build(second)["build_id"][0] != built


def test_other_vans_are_another_question(own_fleet: Fleet) -> None:
    opened = open_warehouse(Home(own_fleet.home))
    asked = {"parameter": "coolant_temp", "state": "warm_idle", "channel": "level"}
    one = opened.ask("list_sibling_cells", **asked, vans=["047"])
    two = opened.ask("list_sibling_cells", **asked, vans=["047", "044"])
    assert (one.height, two.height) == (1, 2)


def test_the_answers_asked_for_longest_ago_go_first() -> None:
    kept = Answers()
    frame = pl.DataFrame({"n": range(1_000_000)})  # 8 MB: seven of them are kept
    n_fit = (warehouse.MOST_KEPT - 1000) // int(frame.estimated_size())
    for number in range(n_fit):
        kept.keep(str(number), frame)
    assert kept.find("0") is not None
    kept.keep("one more", frame)
    assert kept.find("0") is not None  # found a moment ago
    assert kept.find("1") is None
    assert kept.find("one more") is not None
