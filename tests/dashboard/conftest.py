"""The invented fleet, published once, and a browser that sees it as a person would."""

from __future__ import annotations

import asyncio
import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Coroutine, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from tests.dashboard import fleet as invented

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = [
    "--no-sandbox",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
]
READY = "[data-testid=stApp][data-test-connection-state=CONNECTED][data-test-script-state=notRunning]"

DRAWN = """() => !document.querySelector('[data-testid=stSkeleton]')
    && [...document.querySelectorAll('[data-testid=stVegaLiteChart]')].every(e => e.querySelector('svg'))"""


@pytest.fixture(scope="session")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> invented.Fleet:
    """The invented fleet, published."""
    return invented.publish(tmp_path_factory.mktemp("home"))


@pytest.fixture
def own_fleet(fleet: invented.Fleet, tmp_path: Path) -> invented.Fleet:
    """The invented fleet in a home of the test's own, to be changed."""
    shutil.copytree(fleet.home, tmp_path, dirs_exist_ok=True)
    return invented.Fleet(tmp_path, fleet.build_id)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _wait_for(address: str, process: subprocess.Popen[bytes]) -> None:
    for _ in range(600):
        if process.poll() is not None:
            raise AssertionError(f"the server ended with {process.returncode} before it answered")
        try:
            with urllib.request.urlopen(f"{address}/_stcore/health", timeout=1):
                return
        except (urllib.error.URLError, OSError):
            time.sleep(0.1)
    raise AssertionError("the server did not answer within a minute")


@dataclass
class Server:
    """A running dashboard, its address and its log."""

    address: str
    log: Path
    home: Path


def run_apart(work: Coroutine[Any, Any, None]) -> None:
    """Run a coroutine in a thread of its own: the browser's driver keeps a loop running in this one."""
    with ThreadPoolExecutor(1) as pool:
        pool.submit(asyncio.run, work).result()


@contextmanager
def serve(home: Path, own: Path, port: int | None = None) -> Iterator[Server]:
    """Start the dashboard as `kinbay serve` starts it, with a HOME of its own; its log must hold no traceback."""
    port = port or _free_port()
    address, log = f"http://127.0.0.1:{port}", own / "server.log"
    start = f"from pathlib import Path; from dashboard.serve import serve; serve(Path({str(home)!r}), port={port}, open_browser=False)"
    environment = {**os.environ, "HOME": str(own)}
    with log.open("wb") as out:
        process = subprocess.Popen(
            [sys.executable, "-c", start], cwd=own, env=environment, stdout=out, stderr=subprocess.STDOUT
        )
        try:
            _wait_for(address, process)
            yield Server(address, log, home)
        finally:
            process.terminate()
            process.wait(timeout=20)
    said = log.read_text(encoding="utf-8")
    assert "Traceback" not in said, said


@pytest.fixture(scope="session")
def server(fleet: invented.Fleet, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """The dashboard over the invented fleet, without a login."""
    with serve(fleet.home, tmp_path_factory.mktemp("user")) as running:
        yield running


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """A headless Chromium that can reach nothing but this machine."""
    if not CHROMIUM.exists():
        if os.environ.get("REQUIRE_BROWSER") == "1":
            pytest.fail("Chromium is required (REQUIRE_BROWSER=1) and is not installed")
        pytest.skip("no Chromium at /usr/bin/chromium; REQUIRE_BROWSER=1 turns this into a failure")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield browser
        browser.close()


@dataclass
class Visit:
    """One browser tab: what it asked for, what it complained about."""

    page: Any
    address: str
    home: Path
    complaints: list[str] = field(default_factory=list)
    outside: list[str] = field(default_factory=list)

    def open(self, path: str = "") -> None:
        """Go to an address of the dashboard and wait until it is drawn."""
        self.page.goto(f"{self.address}/{path}")
        self.settle()

    def settle(self) -> None:
        """Wait until the page is drawn and no run is under way."""
        self.page.wait_for_timeout(150)
        self.page.wait_for_selector(READY, timeout=20_000)
        self.page.wait_for_selector("h1", timeout=20_000)
        self.page.wait_for_function(DRAWN, timeout=20_000)
        self.page.wait_for_timeout(100)
        self.page.wait_for_selector(READY, timeout=20_000)

    def open_first_matter(self) -> None:
        """Open the first matter of a list and wait for all of it: a menu opened meanwhile may close again."""
        main = self.page.get_by_test_id("stMain")
        main.locator("summary").first.click()
        main.get_by_role("button", name="Decide", exact=True).first.wait_for(timeout=20_000)
        self.settle()

    def assert_quiet(self) -> None:
        """No console error, no request to anywhere else."""
        assert self.complaints == []
        assert self.outside == []


@pytest.fixture
def visit(chromium: Any, server: Server, request: pytest.FixtureRequest) -> Iterator[Visit]:
    """A fresh tab at 1440 x 900, light, unless the test is parametrised with options of its own."""
    options = {"viewport": {"width": 1440, "height": 900}, "color_scheme": "light"}
    options |= getattr(request, "param", {})
    context = chromium.new_context(accept_downloads=True, **options)
    page = context.new_page()
    tab = Visit(page, server.address, server.home)

    def note_complaint(message: Any) -> None:
        # Opened below the root, Streamlit's page first asks whether the server lives there; the browser reports
        # its two plain answers "not found" as errors.
        probe = message.location.get("url", "").endswith(("/_stcore/health", "/_stcore/host-config"))
        if message.type == "error" and not (probe and "404" in message.text):
            tab.complaints.append(message.text)

    page.on("console", note_complaint)
    page.on("pageerror", lambda error: tab.complaints.append(str(error)))

    def note_request(asked: Any) -> None:
        url = asked.url
        if not url.startswith((server.address, server.address.replace("http", "ws"), "data:", "blob:")):
            tab.outside.append(url)

    page.on("request", note_request)
    yield tab
    context.close()
