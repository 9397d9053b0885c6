"""README's walk in a real browser: from an empty home and the example's files to a saved page about its one cold van."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pypdf
import pytest
from playwright.sync_api import expect

from tests.dashboard.conftest import Server, serve
from tests.dashboard.tab import Visit

EXAMPLE = Path(__file__).resolve().parents[2] / "docs" / "example"


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Server]:
    """The dashboard over a home that nothing was loaded into."""
    with serve(tmp_path / "home", tmp_path) as running:
        yield running


def _press(visit: Visit, role: Any, name: str) -> None:
    visit.main.get_by_role(role, name=name, exact=True).first.click()


def test_from_the_readers_files_to_a_page_for_the_manager(visit: Visit) -> None:
    visit.open()
    visit.page.get_by_role("heading", name="No fleet to show yet").wait_for()
    _press(visit, "link", "Add data")
    visit.page.get_by_role("heading", name="Add data").wait_for()
    visit.page.set_input_files("input[type=file]", sorted(EXAMPLE.glob("*.csv")))
    _press(visit, "button", "Look at the files")
    visit.page.get_by_role("button", name="Take 154 rows").click()
    visit.page.get_by_text("This goes on if you leave the page.").wait_for()
    expect(visit.page.get_by_role("progressbar")).to_have_count(1)
    see = visit.page.get_by_role("link", name="See what needs a look")
    see.wait_for()  # loaded, compared and shown without a restart or a reload
    expect(visit.main).to_contain_text("1 finding")
    see.click()
    visit.page.get_by_role("heading", name="What needs a look", level=1).wait_for()
    visit.settle()
    expect(visit.main).to_contain_text("1 matter stands out: 1 of one van")
    expect(visit.main).to_contain_text(
        "Engine coolant temperature, warm idle, is 9.1 °C below its 7 siblings"
    )
    visit.open_first_matter()
    _press(visit, "button", "Page for a manager")
    with visit.page.expect_download() as caught:
        visit.page.get_by_role("button", name="To print (PDF)").click()
    assert "Van 07" in pypdf.PdfReader(caught.value.path()).pages[0].extract_text()
    visit.assert_quiet()
