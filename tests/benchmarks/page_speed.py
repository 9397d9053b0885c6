"""How fast each page opens and answers a changed filter, in a browser, on a home of ten million readings.

    uv run python -m tests.benchmarks.page_speed [--home DIR] [--million 10] [--loads 3] [--redraws 10] [PAGE ...]

The home is made once where DIR holds no build yet. First load: from the address to a page at rest in a browser that
has nothing stored. Redraw: from a key pressed on the first slider of the filters to a page at rest, two frames drawn. The
clock suffers from whatever else runs on the machine; the processor time beside it hardly does: the server's own, and
what the page's tasks took in the browser (`Performance.getMetrics`, TaskDuration).
"""

from __future__ import annotations

import argparse
import os
import socket
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Page, sync_playwright

from pipeline.settings import Home
from tests.benchmarks.page_home import make

PAGES = {
    "What needs a look": "",
    "One van, all readings": "one_van?van=007",
    "Compare one reading": "one_reading?reading_van=007&reading=Rail+pressure%2C+warm+idle",
    "Age and mileage": "ages",
    "Parking and fittings": "parking",
    "Where differences come from": "shares",
    "Codes": "codes",
    "Repairs": "repairs",
    "Keep or retire": "costs",
    "Readers": "readers",
    "Scans and records": "data",
    "Add data": "add_data",
    "Write down a scan": "write_scan",
    "The month on a page": "month",
    "How to read this": "how_to_read",
}
GOAL_REDRAW, GOAL_LOAD = 0.3, 2.5  # seconds
_READY = "[data-testid=stApp][data-test-connection-state=CONNECTED][data-test-script-state=notRunning]"
_QUIET = [
    "--no-sandbox",
    "--disable-background-networking",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
]
# From a key on the filter to rest: the script has run and two frames were drawn since.
_REDRAW = """() => new Promise(done => {
    const app = document.querySelector('[data-testid=stApp]');
    const state = () => app.getAttribute('data-test-script-state');
    let ran = false; const start = performance.now();
    const seen = new MutationObserver(() => {
        if (state() !== 'notRunning') ran = true;
        else if (ran) { seen.disconnect(); requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now() - start))); }
    });
    seen.observe(app, {attributes: true});
    setTimeout(() => done(-1), 20000);
    document.querySelector('[data-testid=stSidebar] [data-testid=stSlider] :is(input, [role=slider])').focus();
})"""


def processor_seconds(pid: int) -> float:
    """Return what a process has used of the processors so far (Linux)."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


@contextmanager
def serving(home: Path) -> Iterator[tuple[str, int]]:
    """Serve a home on a free port and yield its address and process."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = "from dashboard.cli import main; main()"
    server = subprocess.Popen(
        [sys.executable, "-c", command, "serve", "--no-browser", "--port", str(port), "--home", str(home)],
        stdout=subprocess.DEVNULL,
    )
    base = f"http://127.0.0.1:{port}"
    try:
        for _ in range(240):
            try:
                urllib.request.urlopen(f"{base}/_stcore/health")
                break
            except OSError:
                time.sleep(0.25)
        yield base, server.pid
    finally:
        server.terminate()
        server.wait()


def rest(page: Page) -> None:
    """Wait until the page is at rest and every chart is drawn."""
    page.wait_for_selector(_READY, timeout=60_000)
    page.wait_for_function("!document.querySelector('[data-testid=stSkeleton]')", timeout=60_000)


def time_load(browser: Browser, address: str) -> tuple[float, int]:
    """Return seconds to a page at rest and bytes transferred, nothing stored beforehand."""
    context = browser.new_context(viewport={"width": 1440, "height": 900})
    page = context.new_page()
    moved = []
    client = context.new_cdp_session(page)
    client.send("Network.enable")
    client.on("Network.loadingFinished", lambda e: moved.append(e["encodedDataLength"]))
    client.on("Network.webSocketFrameReceived", lambda e: moved.append(len(e["response"]["payloadData"])))
    started = time.perf_counter()
    page.goto(address)
    rest(page)
    took = time.perf_counter() - started
    context.close()
    return took, int(sum(moved))


def time_redraws(browser: Browser, address: str, pid: int, n: int) -> list[tuple[float, float, float]]:
    """Return seconds from key to rest, the server's and the browser's busy seconds, of `n` filter changes after one more."""
    page = browser.new_page(viewport={"width": 1440, "height": 900})
    page.goto(address)
    rest(page)
    client = page.context.new_cdp_session(page)
    client.send("Performance.enable")

    def task_seconds() -> float:
        told = client.send("Performance.getMetrics")["metrics"]
        return next(float(m["value"]) for m in told if m["name"] == "TaskDuration")

    rows = []
    for number in range(n + 1):
        page.wait_for_timeout(400)
        before, tasks = processor_seconds(pid), task_seconds()
        page.evaluate(f"window.kinbayTook = ({_REDRAW})(); 0")
        page.keyboard.press("ArrowRight" if number % 2 == 0 else "ArrowLeft")
        took = page.evaluate("window.kinbayTook")
        page.wait_for_timeout(300)
        if took >= 0:  # a run so short that the page never showed it as running cannot be timed this way
            rows.append((took / 1000, processor_seconds(pid) - before, task_seconds() - tasks))
    page.close()
    return rows[1:]


def measure(base: str, pid: int, given: argparse.Namespace) -> list[dict[str, Any]]:
    """Measure every page asked for, one row each, printed as they come."""
    rows = []
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path="/usr/bin/chromium", args=_QUIET)
        for name, path in PAGES.items():
            if given.pages and path.split("?")[0] not in given.pages:
                continue
            loads = [time_load(browser, f"{base}/{path}") for _ in range(given.loads)]
            redraws = zip(*time_redraws(browser, f"{base}/{path}", pid, given.redraws), strict=True)
            clock, server, tasks = (statistics.median(column) for column in redraws)
            row: dict[str, Any] = {
                "page": name, "load": statistics.median(t for t, _ in loads), "bytes": loads[-1][1],
                "redraw": clock, "server": server, "browser": tasks,
            }  # fmt: skip
            rows.append(row)
            sys.stdout.write(
                f"| {name:28s} | {row['load']:5.2f} | {row['bytes'] / 1e6:5.2f} | {1000 * row['redraw']:5.0f} |"
                f" {1000 * row['server']:5.0f} | {1000 * row['browser']:5.0f} |\n"
            )
            sys.stdout.flush()
        browser.close()
    return rows


def main() -> None:
    """Make the home where there is none, measure, print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument(
        "pages", nargs="*", help="pages by their address, such as one_van; all where none is named"
    )
    parser.add_argument("--home", type=Path)
    parser.add_argument("--million", type=float, default=10.0)
    parser.add_argument("--loads", type=int, default=3)
    parser.add_argument("--redraws", type=int, default=10)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        home = Home(given.home or Path(scratch)).ensure()
        if not home.pointer.exists():
            sys.stdout.write(f"{make(home, given.million):,} readings\n")
        sys.stdout.write(
            "| page | first load, s | moved, MB | redraw, ms | server, ms | browser, ms |\n|---|---|---|---|---|---|\n"
        )
        with serving(home.path) as (base, pid):
            rows = measure(base, pid, given)
    slow = [r["page"] for r in rows if r["redraw"] > GOAL_REDRAW or r["load"] > GOAL_LOAD]
    sys.stdout.write(
        f"over {GOAL_REDRAW:g} s redraw or {GOAL_LOAD:g} s first load: {', '.join(slow) or 'none'}\n"
    )


if __name__ == "__main__":
    main()
