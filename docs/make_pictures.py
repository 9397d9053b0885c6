"""Makes the pictures of README over the demo fleet: `uv run python docs/make_pictures.py`.

Needs Debian's Chromium at /usr/bin/chromium. Starts the dashboard on a free port of this machine and stops it again.
"""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import tempfile
import time
import urllib.parse
import urllib.request
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

PICTURES = Path(__file__).with_name("pictures")
READY = "[data-testid=stApp][data-test-connection-state=CONNECTED][data-test-script-state=notRunning]"
QUIET = ["--no-sandbox", "--disable-background-networking", "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"]
KINBAY = [sys.executable, "-c", "from dashboard.cli import main; main()"]


def free_port() -> int:
    """Return a port nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def shoot(page: Page, address: str, name: str) -> None:
    """Open an address, wait until it is drawn, and keep its picture."""
    page.goto(address)
    page.wait_for_selector(READY, timeout=60_000)
    page.wait_for_timeout(2_000)
    page.screenshot(path=PICTURES / f"{name}.png")


def main() -> None:
    """Make the demo, serve it, and take the pictures at desk and phone size."""
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        home = Path(scratch) / "demo"
        env = {**os.environ, "HOME": scratch}
        subprocess.run([*KINBAY, "demo", "--build-only", "--home", scratch], check=True, env=env)
        told = subprocess.run(
            [*KINBAY, "findings", "--format", "json", "--home", str(home)], check=True, env=env, capture_output=True
        )
        first = next(f for f in json.loads(told.stdout)["findings"] if f["kind"] == "van_level")
        port = free_port()
        server = subprocess.Popen(
            [*KINBAY, "serve", "--no-browser", "--port", str(port), "--home", str(home)], env=env
        )
        try:
            take_pictures(f"http://127.0.0.1:{port}", first["van"])
        finally:
            server.terminate()


def take_pictures(base: str, van: str) -> None:
    """Wait for the server, then photograph the pages."""
    for _ in range(120):
        try:
            urllib.request.urlopen(f"{base}/_stcore/health")
            break
        except OSError:
            time.sleep(0.5)
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path="/usr/bin/chromium", args=QUIET)
        desk = browser.new_page(viewport={"width": 1440, "height": 900})
        shoot(desk, base, "needs_a_look")
        shoot(desk, f"{base}/one_reading", "one_reading")
        shoot(desk, f"{base}/one_van?{urllib.parse.urlencode({'van': van})}", "one_van")
        phone = browser.new_page(viewport={"width": 390, "height": 844})
        shoot(phone, base, "needs_a_look_phone")
        browser.close()


if __name__ == "__main__":
    main()
