"""Filters in the address: every page takes each of them, says which are active, and says what to do when none is left."""

from __future__ import annotations

import pytest
from streamlit.testing.v1 import AppTest

from dashboard.parts.page_files import PAGES
from tests.dashboard.fleet import Fleet
from tests.dashboard.shown import open_page

TAKE_IN, WHOLE_FLEET = ("add", "enter"), ("shares",)
"""Pages that take records in, and the page about the whole fleet whatever is filtered: it says so."""
FILTERS: dict[str, tuple[dict[str, str | list[str]], str]] = {
    "model": ({"model": "Ostrey Pell"}, "Ostrey Pell"),
    "model_year": ({"model_year": "2014"}, "2014"),
    "depot": ({"depot": "Mill Lane"}, "Mill Lane"),
    "reader": ({"reader": "Yard tablet"}, "read by Yard tablet"),
    "age": ({"age": ["9", "11"]}, "age 9 to 11 years"),
    "days": ({"from_day": "2026-03-01", "to_day": "2026-08-31"}, "scanned 01 Mar 2026 to 31 Aug 2026"),
}


def _chips(at: AppTest) -> list[str]:
    return [c.value.replace("\\", "") for c in at.caption if c.value.startswith(":material/filter_alt:")]


@pytest.mark.parametrize("page", list(PAGES))
def test_every_page_takes_all_filters_together(
    fleet: Fleet, page: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    query = {k: v for name in ("depot", "reader", "days") for k, v in FILTERS[name][0].items()}
    at = open_page(fleet.home, page, monkeypatch, **{**query, "within": "true"})
    assert not at.exception
    assert not at.error
    chips = _chips(at)
    if page in (*TAKE_IN, *WHOLE_FLEET):
        assert chips == []
        whole = [c.value for c in at.caption if "the whole fleet, whatever the filters" in c.value]
        assert len(whole) == (page in WHOLE_FLEET)
    else:
        assert all(FILTERS[name][1] in chips[0] for name in ("depot", "reader", "days"))


@pytest.mark.parametrize("name", list(FILTERS))
def test_each_filter_is_named_on_the_page_with_how_many_vans_it_leaves(
    fleet: Fleet, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    query, words = FILTERS[name]
    at = open_page(fleet.home, "data", monkeypatch, **query)
    assert not at.exception
    (chip,) = _chips(at)
    assert words in chip
    left, whole = chip.rsplit("; ", 1)[1].rstrip(".").split(" of ")
    assert 0 <= int(left) < int(whole) or name == "days"


def test_without_a_filter_nothing_is_named(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    assert _chips(open_page(fleet.home, "look", monkeypatch, **{})) == []


@pytest.mark.parametrize("page", ["reading", "costs", "readers"])
def test_filters_that_leave_no_van_say_which_and_what_to_do(
    fleet: Fleet, page: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_page(fleet.home, page, monkeypatch, **{"model": "Ostrey Pell", "model_year": "2014"})
    assert not at.exception
    assert not at.error
    said = at.info[0].value.replace("\\", "")
    assert said.startswith("No van matches these filters: Ostrey Pell; 2014.")
    assert said.endswith("Widen the age or odometer range, or take a choice away.")
