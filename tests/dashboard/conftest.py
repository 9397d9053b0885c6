"""The invented fleet, published once, and a browser that sees it as a person would."""

from __future__ import annotations

import asyncio
import os
import random
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Coroutine, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.dashboard import fleet as invented
from tests.dashboard.tab import Visit, open_tab
from tests.patience import PATIENCE_MS, PATIENCE_S

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = [
    "--no-sandbox",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
]


@pytest.fixture(scope="session")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> invented.Fleet:
    """The invented fleet, published."""
    return invented.publish(tmp_path_factory.mktemp("home"))


@pytest.fixture
def own_fleet(fleet: invented.Fleet, tmp_path: Path) -> invented.Fleet:
    """The invented fleet in a home of the test's own, to be changed."""
    shutil.copytree(fleet.home, tmp_path, dirs_exist_ok=True)
    return invented.Fleet(tmp_path, fleet.build_id)


def free_port() -> int:
    """A port that is free and stays so while a server starts: below those that the system gives to connections."""
    while True:
        port = random.randrange(20_000, 32_000)
        with socket.socket() as probe, suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port


def _wait_for(address: str, process: subprocess.Popen[bytes]) -> None:
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        if process.poll() is not None:
            raise AssertionError(f"the server ended with {process.returncode} before it answered")
        try:
            with urllib.request.urlopen(f"{address}/_stcore/health", timeout=PATIENCE_S):
                return
        except (urllib.error.URLError, OSError):
            time.sleep(0.1)
    raise AssertionError("the server did not answer")


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
    port = port or free_port()
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
            process.wait(timeout=PATIENCE_S)
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
    from playwright.sync_api import expect, sync_playwright

    expect.set_options(timeout=PATIENCE_MS)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture
def visit(chromium: Any, server: Server, request: pytest.FixtureRequest) -> Iterator[Visit]:
    """A fresh tab, with options of its own where the test is parametrised with them."""
    with open_tab(chromium, server.address, server.home, **getattr(request, "param", {})) as tab:
        yield tab
