"""The dashboard in a real browser: both sizes, both themes, clicks, links, downloads, keyboard, nothing from outside."""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import Any

import pypdf
import pytest
from playwright.sync_api import expect

from tests.dashboard.fleet import HOSTILE_VAN
from tests.dashboard.tab import DESK, Visit, open_tab

COOLANT = "Engine+coolant+temperature%2C+warm+idle"
PAGES = {
    "look": "",
    "reading": f"one_reading?reading_van=047&reading={COOLANT}",
    "age": f"ages?age_van=047&reading={COOLANT}",
    "shares": f"shares?shares_reading={COOLANT}",
    "van": "one_van?van=047",
    "codes": "codes?code=51207%2C+body",
    "parking": "parking",
    "repairs": "repairs",
    "costs": "costs",
    "readers": "readers",
    "data": "data",
    "add": "add_data",
    "enter": "write_scan",
    "month": "month",
    "help": "how_to_read",
    "empty": "?model=Ostrey+Pell&model_year=2014",
}
CHART = "[data-testid=stVegaLiteChart] svg"
GROUND = "all => all.map(e => getComputedStyle(e).backgroundColor)"
PHONE = {"width": 390, "height": 844}
VIEWS = [
    pytest.param({"viewport": DESK, "color_scheme": "light"}, id="desk-light"),
    pytest.param({"viewport": PHONE, "color_scheme": "dark"}, id="phone-dark"),
]
LIGHT_PHONE = [pytest.param({"viewport": PHONE, "has_touch": True}, id="phone")]


def _mark(visit: Visit, van: str) -> Any:
    return visit.page.locator(f'[data-testid=stVegaLiteChart] svg path[aria-label^="Van {van} "]').first


def _click_mark(visit: Visit, van: str) -> None:
    visit.page.mouse.click(*visit.find_middle(_mark(visit, van)))
    visit.wait_for_address(f"reading_van={van}")


def _is_of_the_uploader(violation: dict[str, Any]) -> bool:
    """Streamlit gives its drop zone a role that says nothing and a label as well (best practice, minor); its button
    inside is named and reached by keyboard."""
    return violation["id"] == "presentation-role-conflict" and all(
        'data-testid="stFileUploaderDropzone"' in node["html"] for node in violation["nodes"]
    )


@pytest.mark.parametrize("visit", VIEWS, indirect=True)
def test_every_page_is_quiet_accessible_and_fits(visit: Visit) -> None:
    """No console error, nothing asked of others, no sideways scroll, no axe violation (WCAG and best practice).

    Charts take the colours of the theme.
    """
    from axe_playwright_python.sync_playwright import Axe

    grounds = set()
    for path in PAGES.values():
        visit.open(path)
        grounds |= set(visit.page.locator(CHART).evaluate_all(GROUND))
        main = visit.main
        assert main.evaluate("e => e.scrollWidth <= e.clientWidth"), path
        assert visit.page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"), path
        found = [v for v in Axe().run(visit.page).response["violations"] if not _is_of_the_uploader(v)]
        assert [(path, v["id"], v["nodes"][0]["html"][:200]) for v in found] == []
    is_dark = visit.page.evaluate("matchMedia('(prefers-color-scheme: dark)').matches")
    assert grounds == {"rgb(18, 23, 28)" if is_dark else "rgb(255, 255, 255)"}
    visit.assert_quiet()


def test_mark_row_and_box_choose_the_same_van_and_a_reload_keeps_it(visit: Visit) -> None:
    visit.open(f"one_reading?reading={COOLANT}")
    _click_mark(visit, "044")
    expect(visit.main.get_by_text("Van 044 reads like its siblings.")).to_be_visible()
    expect(visit.main.get_by_text("Van 044 over time")).to_be_visible()
    visit.choose("Van", "061")
    visit.wait_for_address("reading_van=061")
    _click_mark(visit, "044")  # the mark clicked last, chosen anew
    first_row = {"x": 18, "y": 37 + 18}  # the van farthest out
    visit.page.get_by_test_id("stDataFrame").first.click(position=first_row)
    visit.wait_for_address("reading_van=047")
    expect(visit.main.get_by_text("Van 047 reads below its siblings.")).to_be_visible()
    kept = visit.page.url
    visit.page.reload()
    visit.settle()
    assert visit.page.url == kept
    expect(visit.main.get_by_text("Van 047 reads below its siblings.")).to_be_visible()
    visit.assert_quiet()


def test_a_link_opens_the_same_view_for_somebody_else(visit: Visit, chromium: Any) -> None:
    """Words, cells of the data grids and marks of the charts are the same in both tabs."""
    visit.open("?depot=Mill+Lane&age=8&age=13")
    visit.main.locator("summary").first.click()
    visit.page.get_by_role("link", name="See it beside its siblings").first.click()
    visit.wait_for_address("reading_van=047")
    with open_tab(chromium, visit.address, visit.home) as twin:
        twin.open(visit.page.url.removeprefix(f"{visit.address}/"))
        visit.wait_until(lambda: visit.see() == twin.see(), "the same view")
    here = visit.see()
    assert re.search("[56] shown", here["words"])
    assert "047" in here["cells"]
    assert any(mark.startswith("Van 047 ") for mark in here["marks"])
    visit.assert_quiet()


def test_filters_and_the_chosen_van_go_along_from_page_to_page(visit: Visit) -> None:
    kept = ("depot=Mill+Lane", "age=9&age=13", "reader=Yard+tablet", "from_day=2026-01-05", "within=true")
    visit.open("one_van?van=047&" + "&".join(kept))
    for name in ("Compare one reading", "What needs a look", "One van, all readings"):
        visit.page.get_by_role("link", name=name, exact=True).click()
        visit.page.get_by_role("heading", name=name, level=1).wait_for()
        visit.wait_for_address(*kept)
    assert "van=047" in visit.page.url
    visit.page.get_by_role("button", name="Show all vans").click()
    visit.page.wait_for_url(lambda url: "depot" not in url)
    visit.assert_quiet()


def test_downloads_are_what_they_say(visit: Visit) -> None:
    visit.open(PAGES["reading"])
    visit.page.get_by_role("button", name="Save or print").first.click()
    begins = {
        "Picture (PNG)": b"\x89PNG",
        "Drawing (SVG)": b"<svg",
        "Page (PDF)": b"%PDF-",
        "Rows (CSV)": b"\xef\xbb\xbf",
    }
    files = {}
    for label, magic in begins.items():
        with visit.page.expect_download() as caught:
            visit.page.get_by_role("button", name=label, exact=True).first.click()
        files[label] = Path(caught.value.path()).read_bytes()
        assert files[label].startswith(magic)
        assert caught.value.suggested_filename.startswith("siblings-engine-coolant-temperature-warm-idle.")
    text = pypdf.PdfReader(io.BytesIO(files["Page (PDF)"])).pages[0].extract_text()
    assert "A difference is a reason to look, not a diagnosis." in text
    assert "'=1+2" in files["Rows (CSV)"].decode("utf-8-sig")
    visit.assert_quiet()


def test_a_van_has_its_pdf_and_a_click_on_a_reading_leads_to_it_beside_the_siblings(visit: Visit) -> None:
    visit.open(PAGES["van"])
    visit.page.get_by_role("button", name="Page for a manager").click()
    with visit.page.expect_download() as caught:
        visit.page.get_by_role("button", name="To print (PDF)").click()
    assert len(pypdf.PdfReader(caught.value.path()).pages) == 1
    visit.page.keyboard.press("Escape")
    mark = visit.page.locator('[data-testid=stVegaLiteChart] svg path[aria-label^="Engine load"]').first
    visit.page.mouse.click(*visit.find_middle(mark))
    visit.page.get_by_role("link", name="See Engine load, warm idle beside its siblings").click()
    visit.page.get_by_role("heading", name="Compare one reading", level=1).wait_for()
    visit.wait_for_address("reading=Engine+load%2C+warm+idle", "reading_van=047")
    visit.assert_quiet()


def test_hostile_names_and_addresses_make_neither_link_nor_picture(visit: Visit) -> None:
    visit.open(
        "?model=%3Cscript%3Ex&depot=%5Ba%5D(http://evil)&age=x&km=-1&from_day=zzz&within=maybe&look_sure=no"
    )
    visit.page.get_by_role("button", name="more of").click()
    visit.wait_until(
        lambda: HOSTILE_VAN in visit.see()["words"].replace("\u2060", ""), "the van of a hostile name"
    )
    visit.settle()
    assert visit.main.locator("img").count() == 0
    addresses = visit.main.locator("a").evaluate_all("all => all.map(a => a.href)")
    assert [a for a in addresses if "evil" in a.split("?")[0]] == []
    visit.open("one_van?van=047")
    expect(visit.main.get_by_text("<script>x</script>").first).to_be_visible()
    assert visit.main.locator("img, a[href*=evil]").count() == 0
    visit.assert_quiet()


def test_a_van_can_be_chosen_by_keyboard_alone(visit: Visit) -> None:
    visit.open(f"one_reading?reading={COOLANT}")
    box = visit.page.get_by_role("combobox", name="Van", exact=True)
    for _ in range(40):
        visit.page.keyboard.press("Tab")
        if box.evaluate("e => e === document.activeElement"):
            break
    else:
        raise AssertionError("the van box is not reached by Tab")
    visit.page.keyboard.type("066")
    expect(visit.page.get_by_role("option")).to_have_text(["066"])
    visit.page.keyboard.press("Enter")
    visit.wait_for_address("reading_van=066")
    expect(visit.main.get_by_text("Van 066 reads like its siblings.")).to_be_visible()


@pytest.mark.parametrize("visit", LIGHT_PHONE, indirect=True)
def test_on_a_phone_a_tap_chooses_a_van_and_the_filters_open(visit: Visit) -> None:
    visit.open(f"one_reading?reading={COOLANT}")
    visit.page.touchscreen.tap(*visit.find_middle(_mark(visit, "047")))
    visit.wait_for_address("reading_van=047")
    visit.page.get_by_test_id("stExpandSidebarButton").click()
    visit.page.get_by_text("Vans shown", exact=True).wait_for()
    visit.assert_quiet()


def _tab_to(visit: Visit, target: Any, most: int = 80) -> None:
    """Press Tab until `target` has the focus."""
    for _ in range(most):
        if target.evaluate("e => e === document.activeElement"):
            return
        visit.page.keyboard.press("Tab")
    raise AssertionError("Tab does not reach it")


def test_a_matter_is_opened_decided_and_opened_again_by_keyboard_alone(visit: Visit) -> None:
    visit.open()
    main, keys = visit.main, visit.page.keyboard
    matter = main.locator("summary").first
    said = matter.inner_text().split("\n")[0]
    _tab_to(visit, matter)
    keys.press("Enter")
    decide = main.get_by_role("button", name="Decide", exact=True)
    decide.wait_for()
    main.get_by_text("Could also be.").wait_for()
    _tab_to(visit, decide)
    keys.press("Enter")
    who = visit.page.get_by_label("Who", exact=True)
    who.wait_for()
    _tab_to(visit, who)
    keys.type("A. Reeve")
    keys.press("Tab")
    keys.type("Seen on all of them.")
    _tab_to(visit, visit.page.get_by_role("button", name="Keep this decision"))
    visit.settle()
    keys.press("Enter")
    visit.page.get_by_text("Kept: Known normal for this group").wait_for()
    visit.settle()
    assert said not in [text.split("\n")[0] for text in main.locator("summary").all_inner_texts()]
    for entry in (visit.home / "journal").glob("*-decision-*.json"):
        entry.unlink()  # the fleet is shared with the tests that follow
    visit.assert_quiet()
