"""A filter changes what it touches and nothing else: the browser keeps its charts and the places on the page.

No times here, which a busy machine would spoil: what is counted is what the browser had to make anew
(`python -m tests.benchmarks.page_speed` measures).
"""

from __future__ import annotations

from typing import Any

from playwright.sync_api import expect

from tests.dashboard.tab import Visit
from tests.dashboard.test_browser import PAGES

MARK = "() => document.querySelectorAll('[data-testid=stApp] *').forEach(e => { e.kinbaySeen = true })"
# Of what is drawn now: the charts, and the places of the page itself, that were not there before.
NEW = """() => {
    const isNew = e => !e.kinbaySeen, main = document.querySelector('[data-testid=stMainBlockContainer]');
    const places = [...main.querySelector('[data-testid=stVerticalBlock]').children];
    const charts = [...main.querySelectorAll('[data-testid=stVegaLiteChart] svg')];
    return {places: places.filter(isNew).length, all_places: places.length,
            charts: charts.filter(isNew).length, all_charts: charts.length};
}"""
SLIDER = "[data-testid=stSidebar] [data-testid=stSlider] :is(input, [role=slider])"


def _step(visit: Visit, key: str) -> Any:
    """Move the first slider of the filters, the age, by one step and tell what was made anew."""
    visit.page.evaluate(MARK)
    visit.page.locator(SLIDER).first.focus()
    visit.page.keyboard.press(key)
    visit.page.wait_for_url(lambda url: ("age=" in url) == (key == "ArrowRight"))
    visit.settle()
    return visit.page.evaluate(NEW)


def test_the_line_of_active_filters_moves_nothing_below_it(visit: Visit) -> None:
    for name in ("look", "age", "codes", "costs", "data", "month"):
        visit.open(PAGES[name])
        active = visit.main.get_by_text("Vans shown: age")
        expect(active).to_have_count(0)
        made = _step(visit, "ArrowRight")
        assert made["all_places"] > 2, name
        assert made["places"] == 0, (name, made)
        if name != "month":
            expect(active.first).to_be_visible()
        assert _step(visit, "ArrowLeft")["places"] == 0, name


def test_charts_that_show_the_same_as_before_are_not_drawn_again(visit: Visit) -> None:
    for name in ("help", "van"):
        visit.open(PAGES[name])
        made = _step(visit, "ArrowRight")
        assert made["all_charts"] > 0, name
        assert made["charts"] == 0, (name, made)
