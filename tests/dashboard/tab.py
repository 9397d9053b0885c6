"""One browser tab as a person uses it: opened, waited for until all of it is drawn, read, clicked."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg

from tests.patience import PATIENCE_MS, PATIENCE_S

DESK = {"width": 1440, "height": 900}
# How many times slower the browser is made to be (DEVELOPERS.md).
SLOWDOWN = float(os.environ.get("SLOW_BROWSER", "1"))

# The window has answered what happened to it so far: handlers have run and what they changed is laid out.
IDLE = "() => new Promise(done => requestAnimationFrame(() => requestIdleCallback(done, {timeout: 10000})))"
# A grid draws its cells on a canvas and writes them into a hidden table inside it some 200 ms later. One that nobody
# sees, as in a closed expander, has no table; nor has one narrower than 50 pixels.
DRAWN = """() => {
    const all = name => [...document.querySelectorAll(`[data-testid=${name}]`)];
    const isSeen = e => e.checkVisibility({visibilityProperty: true}) && e.clientWidth >= 50;
    const hasCells = e => {
        const table = e.querySelector('canvas table[role=grid]');
        return table && table.tBodies[0].rows.length >= Math.min(1, table.getAttribute('aria-rowcount') - 1);
    };
    const [app] = all('stApp');
    return app && app.dataset.testConnectionState === 'CONNECTED' && app.dataset.testScriptState === 'notRunning'
        && document.querySelector('h1') && !all('stSkeleton').length
        && all('stSidebarContent').filter(isSeen).every(e => e.querySelector('a'))
        && all('stVegaLiteChart').every(e => e.querySelector('svg')) && all('stDataFrame').filter(isSeen).every(hasCells);
}"""
SEEN = """main => {
    const texts = (of, read) => [...main.querySelectorAll(of)].map(read);
    return {
        words: main.innerText,
        cells: texts('[data-testid=stDataFrame] td', e => e.textContent),
        marks: texts('[data-testid=stVegaLiteChart] svg [aria-label]', e => e.getAttribute('aria-label')),
    };
}"""
STANDS_STILL = """e => {
    const at = () => { const {x, y, width, height} = e.getBoundingClientRect(); return [x, y, width, height].join() };
    const before = at();
    return new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() => done(before === at()))));
}"""


@dataclass
class Runs:
    """The runs of the script that a tab asked for, told by what went over its socket."""

    asked: int = 0
    is_awaited: bool = False
    is_under_way: bool = False

    @property
    def is_quiet(self) -> bool:
        """Whether every run asked for has come to its end."""
        return not (self.is_awaited or self.is_under_way)

    def watch(self, socket: Any) -> None:
        """Follow the socket of a page just opened; what the page before it asked for is gone."""
        if socket.url.endswith("/_stcore/stream"):
            self.is_awaited = self.is_under_way = False
            socket.on("framesent", self._note_sent)
            socket.on("framereceived", self._note_received)

    def _note_sent(self, frame: bytes | str) -> None:
        if isinstance(frame, bytes) and BackMsg.FromString(frame).WhichOneof("type") == "rerun_script":
            self.asked += 1
            self.is_awaited = True

    def _note_received(self, frame: bytes | str) -> None:
        told = ForwardMsg.FromString(frame) if isinstance(frame, bytes) else ForwardMsg()
        if told.WhichOneof("type") == "new_session":
            self.is_awaited, self.is_under_way = False, True
        elif told.WhichOneof("type") == "script_finished":
            # One that ends early for another run is followed by it.
            self.is_under_way = told.script_finished == ForwardMsg.FINISHED_EARLY_FOR_RERUN


@dataclass
class Visit:
    """One browser tab: what it asked for, what it complained about."""

    page: Any
    address: str
    home: Path
    complaints: list[str] = field(default_factory=list)
    outside: list[str] = field(default_factory=list)
    runs: Runs = field(default_factory=Runs)

    @property
    def main(self) -> Any:
        """The page beside the menu and the filters."""
        return self.page.get_by_test_id("stMain")

    def open(self, path: str = "") -> None:
        """Go to an address of the dashboard and wait until it is drawn."""
        self.page.goto(f"{self.address}/{path}")
        self.settle()

    def settle(self) -> None:
        """Wait until all that was asked for has been answered and drawn: runs, charts, and data grids in view."""
        self.page.get_by_test_id("stApp").wait_for()
        asked = -1
        while asked != self.runs.asked:
            self.page.evaluate(IDLE)
            asked = self.runs.asked
            self.wait_until(lambda: self.runs.is_quiet, "the end of a run")
            self.page.wait_for_function(DRAWN)
            self.page.evaluate(IDLE)

    def wait_until(self, is_so: Callable[[], bool], what: str) -> None:
        """Wait until something is so that the browser cannot be asked to wait for."""
        until = time.monotonic() + PATIENCE_S
        while not is_so():
            assert time.monotonic() < until, f"{what} did not come"
            self.page.wait_for_timeout(20)

    def wait_for_address(self, *parts: str) -> None:
        """Wait until the address holds all parts, then until the page is drawn."""
        self.page.wait_for_url(lambda url: all(part in url for part in parts))
        self.settle()

    def see(self) -> dict[str, Any]:
        """What a person sees on the page: its words, the cells of its grids, the marks of its charts."""
        seen: dict[str, Any] = self.main.evaluate(SEEN)
        return seen

    def find_middle(self, thing: Any) -> tuple[float, float]:
        """The middle of a thing in the window, once it stands still."""
        thing.scroll_into_view_if_needed()
        self.wait_until(lambda: thing.evaluate(STANDS_STILL), "standstill")
        box = thing.bounding_box()
        return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2

    def choose(self, box: str, option: str) -> None:
        """Choose in a select box of the page, as somebody who types and takes what is offered."""
        found = self.main.get_by_role("combobox", name=box, exact=True)
        found.click()
        found.fill(option)
        self.page.get_by_role("option", name=option, exact=True).click()

    def open_first_matter(self) -> None:
        """Open the first matter of a list and wait for all of it: a menu opened meanwhile may close again."""
        self.main.locator("summary").first.click()
        self.main.get_by_role("button", name="Decide", exact=True).first.wait_for()
        self.settle()

    def assert_quiet(self) -> None:
        """No console error, no request to anywhere else."""
        assert self.complaints == []
        assert self.outside == []


@contextmanager
def open_tab(browser: Any, address: str, home: Path, **options: Any) -> Iterator[Visit]:
    """A fresh tab at 1440 x 900, light, unless options say otherwise."""
    context = browser.new_context(
        accept_downloads=True, **({"viewport": DESK, "color_scheme": "light"} | options)
    )
    context.set_default_timeout(PATIENCE_MS)
    page = context.new_page()
    tab = Visit(page, address, home)
    page.on("websocket", tab.runs.watch)
    if SLOWDOWN > 1:
        context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": SLOWDOWN})

    def note_complaint(message: Any) -> None:
        # Opened below the root, Streamlit's page first asks whether the server lives there; the browser reports
        # its two plain answers "not found" as errors.
        url = message.location.get("url", "")
        probe = url.endswith(("/_stcore/health", "/_stcore/host-config"))
        is_own = url.startswith(address) or not url.startswith("http")
        if message.type == "error" and is_own and not (probe and "404" in message.text):
            tab.complaints.append(message.text)

    page.on("console", note_complaint)
    page.on("pageerror", lambda error: tab.complaints.append(str(error)))

    def note_request(asked: Any) -> None:
        url = asked.url
        if not url.startswith((address, address.replace("http", "ws"), "data:", "blob:")):
            tab.outside.append(url)

    page.on("request", note_request)
    yield tab
    context.close()
