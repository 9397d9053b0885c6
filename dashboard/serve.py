"""Start the dashboard on this machine."""

from __future__ import annotations

import io
import os
import runpy
import secrets
import socket
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request
import webbrowser
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from importlib import resources
from pathlib import Path
from urllib.parse import urlsplit

import segno
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from streamlit.starlette import App

from dashboard.access import read_login
from dashboard.access.accounts import Accounts
from dashboard.access.cookies import make_key
from dashboard.access.gate import Gate
from dashboard.access.strict import Strict, is_loopback
from dashboard.account_cookies import is_authlib_installed, read_claims, sign_in_link
from dashboard.static_files import FromMemory, StaticFiles
from dashboard.warm import keep_warm
from pipeline.errors import KinbayError
from pipeline.settings import Home

FIRST_PORT, TRIED_PORTS = 8501, 50
_EVERYWHERE = ("0.0.0.0", "::")


@asynccontextmanager
async def warm_up(_: App) -> AsyncIterator[None]:
    """Load and build what the pages need while the browser is still on its way."""
    is_over = threading.Event()
    threading.Thread(target=keep_warm, args=(Home.find(), is_over), daemon=True).start()
    yield
    is_over.set()


_STREAMLIT = Path(str(resources.files("streamlit") / "static"))
_login = read_login(Home.find())
# What `streamlit run` serves: the frame, compressed for phones in the yard.
app = App(
    Path(__file__).parent / "app" / "frame.py",
    lifespan=warm_up,
    middleware=[
        Middleware(
            Strict,
            address=_login.accounts.address if _login.accounts else None,
            only_own_names=not _login.is_set,
            first_page=(_STREAMLIT / "index.html").read_text(encoding="utf-8"),
        ),
        Middleware(Gate, login=_login, read_claims=read_claims, door=sign_in_link),
        Middleware(FromMemory, files=StaticFiles(_STREAMLIT / "static")),
        Middleware(GZipMiddleware, minimum_size=1000, compresslevel=5),
    ],
)


def own_address() -> str:
    """Return the address under which the network sees this machine; no packet is sent to find it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address kept for documentation (RFC 5737)
            return str(probe.getsockname()[0])
        except OSError:
            return "127.0.0.1"


def say_for_phones(address: str) -> str:
    """Return a code to point a phone at, and the one thing to mind."""
    drawn = io.StringIO()
    segno.make(address, micro=False).terminal(out=drawn, compact=True)
    return (
        f"{drawn.getvalue()}Point a phone on the same network at this code.\n"
        "Mind: plain HTTP is not encrypted; use it on a network of your own, or put a proxy with TLS before it.\n"
    )


def find_port(host: str, wanted: int | None) -> int:
    """Return `wanted`, or the first free port from 8501 on.

    Raises
    ------
    KinbayError
        Where the wanted port is taken, or none is free.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    for port in [wanted] if wanted else range(FIRST_PORT, FIRST_PORT + TRIED_PORTS):
        with socket.socket(family, socket.SOCK_STREAM) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((host, port))
            except OSError:
                continue
            return port
    if wanted:
        raise KinbayError(f"Port {wanted} is in use", remedy="Choose another with --port, or leave it out.")
    raise KinbayError(
        "No free port was found", f"{FIRST_PORT} to {FIRST_PORT + TRIED_PORTS - 1}", "Name one with --port."
    )


def _open_when_ready(address: str) -> None:
    """Open the browser once the server answers, not before."""
    for _ in range(120):
        try:
            with urllib.request.urlopen(f"{address}/_stcore/health", timeout=1):
                webbrowser.open(address)
                return
        except (urllib.error.URLError, OSError):
            time.sleep(0.25)


def serve(home: Path, host: str = "127.0.0.1", port: int | None = None, open_browser: bool = True) -> None:
    """Serve the dashboard of `home` until stopped.

    Parameters
    ----------
    home : Path
        The home whose published build is shown.
    host : str
        The address to listen on; only this machine's own, unless a login is set up.
    port : int, optional
        The port; without it 8501 or the next free one.
    open_browser : bool
        Whether to open the address in a browser.

    Raises
    ------
    KinbayError
        Where `host` can be reached from elsewhere, the port is taken, or accounts are set up without the package
        for them.
    """
    login = read_login(Home(home))
    if not is_loopback(host) and not login.is_set:
        raise KinbayError(
            "The dashboard would be open to everyone on the network",
            host,
            "Without a login it listens on this machine only: leave --host out, or set a passphrase with"
            " kinbay passphrase decide.",
        )
    if login.accounts:
        port = port or _port_of(login.accounts)
        if not is_authlib_installed():
            raise KinbayError(
                "Signing in with accounts needs one more package",
                "accounts.toml is there",
                "Run pip install 'kinbay[auth]'.",
            )
    chosen = find_port(host, port)
    shown = own_address() if host in _EVERYWHERE else host
    address = f"http://{f'[{shown}]' if ':' in shown else shown}:{chosen}"
    os.environ["KINBAY_HOME"] = str(home)
    make_key()
    sys.stderr.write(f"The dashboard is at {address} (stop it with Ctrl+C).\n")
    if not is_loopback(host):
        sys.stderr.write(say_for_phones(address))
    sys.stderr.flush()
    if open_browser:
        threading.Thread(target=_open_when_ready, args=(address,), daemon=True).start()
    sys.argv = [
        "streamlit", "run", str(Path(__file__).resolve()),
        f"--server.address={host}", f"--server.port={chosen}", "--server.headless=true",
        f"--browser.serverAddress={host}", "--logger.level=warning", "--browser.gatherUsageStats=false",
    ]  # fmt: skip
    with _secrets_file(login.accounts) as secrets_file:
        sys.argv.append(f"--secrets.files={secrets_file}")
        runpy.run_module("streamlit", run_name="__main__")


def _port_of(accounts: Accounts) -> int | None:
    """The port that the provider leads people back to, where no proxy stands before the dashboard."""
    address = urlsplit(accounts.address)
    return address.port if address.port and is_loopback(address.hostname or "") else None


@contextmanager
def _secrets_file(accounts: Accounts | None) -> Iterator[Path]:
    """What `st.login` reads, for the owner's eyes and this run alone; empty where no accounts are set up.

    The key that signs its cookies is drawn anew, so that a restart signs everybody out, as with passphrases.
    """
    with tempfile.TemporaryDirectory(prefix="kinbay-") as folder:  # of mode 700
        file = Path(folder) / "secrets.toml"
        file.touch(mode=0o600)
        file.write_text(accounts.secrets(secrets.token_hex(32)) if accounts else "", encoding="utf-8")
        yield file
