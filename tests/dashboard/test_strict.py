"""What every answer tells the browser, and which requests of other sites' pages are refused."""

from __future__ import annotations

from typing import Any

import pytest

from dashboard.access.strict import Strict
from tests.dashboard.conftest import run_apart

OWN = "127.0.0.1:8501"


def _ask(strict: Strict, kind: str = "http", method: str = "GET", **headers: str) -> list[dict[str, Any]]:
    """What the server sends for one request."""
    sent: list[dict[str, Any]] = []

    async def receive() -> dict[str, Any]:
        return {"type": f"{kind}.{'connect' if kind == 'websocket' else 'request'}"}

    async def send(message: Any) -> None:
        sent.append(message)

    scope = {
        "type": kind,
        "path": "/",
        "method": method,
        "headers": [(name.encode(), text.encode()) for name, text in headers.items()],
    }
    run_apart(strict(scope, receive, send))
    return sent


async def _behind(scope: Any, _receive: Any, send: Any) -> None:
    if scope["type"] == "websocket":
        await send({"type": "websocket.accept"})
    else:
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": b"let by"})


@pytest.mark.parametrize(
    "host", ["evil.example:8501", "evil.example", "127.0.0.1.evil.example", "192.0.2.7:8501", "", "a b", "x\"; y"]
)  # fmt: skip
def test_without_a_login_only_the_names_of_this_machine_are_answered(host: str) -> None:
    """A name of another site that is made to point here (DNS rebinding) opens nothing."""
    assert _ask(Strict(_behind, only_own_names=True), host=host)[0]["status"] == 403


@pytest.mark.parametrize("host", [OWN, "localhost:8501", "LOCALHOST", "[::1]:8501", "127.8.9.1"])
def test_the_names_of_this_machine_are_answered(host: str) -> None:
    assert _ask(Strict(_behind, only_own_names=True), host=host)[0]["status"] == 200


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "http://127.0.0.1:9999", "http://localhost:8501", "null", "", "http://127.0.0.1:8501.evil.example"]
)  # fmt: skip
def test_the_stream_is_closed_to_pages_of_other_sites(origin: str) -> None:
    """Another program's page on this machine is another site too: the port counts."""
    sent = _ask(Strict(_behind), "websocket", host=OWN, origin=origin)
    assert sent == [{"type": "websocket.close", "code": 4403}]


def test_the_stream_is_open_to_the_dashboards_own_page() -> None:
    for origin in (f"http://{OWN}", f"https://{OWN}"):
        assert _ask(Strict(_behind), "websocket", host=OWN, origin=origin) == [{"type": "websocket.accept"}]
    behind_proxy = Strict(_behind, address="https://vans.example")
    sent = _ask(behind_proxy, "websocket", host=OWN, origin="https://vans.example")
    assert sent == [{"type": "websocket.accept"}]


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE"])
def test_forms_and_uploads_of_other_sites_are_refused(method: str) -> None:
    assert _ask(Strict(_behind), method=method, host=OWN, origin="http://evil.example")[0]["status"] == 403
    assert _ask(Strict(_behind), method=method, host=OWN, origin=f"http://{OWN}")[0]["status"] == 200
    assert _ask(Strict(_behind), method=method, host=OWN)[0]["status"] == 200


def test_every_answer_says_whom_the_browser_may_ask() -> None:
    for host in (OWN, "evil.example"):
        start = _ask(Strict(_behind, only_own_names=True), host=host)[0]
        told = {name.decode(): text.decode() for name, text in start["headers"]}
        policy = dict(part.strip().split(" ", 1) for part in told["content-security-policy"].split(";"))
        assert policy["connect-src"] == f"'self' ws://{host} wss://{host} data: blob:"
        assert policy["frame-ancestors"] == policy["object-src"] == "'none'"
        assert "http" not in policy["default-src"] + policy["img-src"] + policy["font-src"]
        assert told["x-content-type-options"] == "nosniff"
        assert told["referrer-policy"] == "no-referrer"
        assert told["x-frame-options"] == "DENY"


def test_of_scripts_written_into_a_page_the_apps_own_alone_run() -> None:
    """The hash is that of the example in Content Security Policy Level 3, section 6.7.3.3: alert('Hello, world.');"""
    page = "<script>alert('Hello, world.');</script><script src='x.js'></script>"
    start = _ask(Strict(_behind, first_page=page), host=OWN)[0]
    told = {name.decode(): text.decode() for name, text in start["headers"]}["content-security-policy"]
    scripts = next(part for part in told.split(";") if part.strip().startswith("script-src"))
    assert "'sha256-qznLcsROx4GACP2dm0UCKCzCG+HiZ1guq6ZZDob/Tng='" in scripts
    assert "unsafe-inline" not in scripts
