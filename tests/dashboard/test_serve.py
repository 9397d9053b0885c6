"""Starting the dashboard: this machine only, a free port, the address said."""

from __future__ import annotations

import socket
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboard import serve as serving
from dashboard.access.strict import is_loopback
from pipeline.errors import KinbayError
from tests.dashboard.conftest import Server
from tests.patience import PATIENCE_S


@pytest.mark.parametrize("host", ["127.0.0.1", "::1", "localhost", "127.8.9.1"])
def test_addresses_of_this_machine_only(host: str) -> None:
    assert is_loopback(host)


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.1.20", "fleet.example", ""])
def test_an_address_others_can_reach_is_refused_without_a_login(tmp_path: Path, host: str) -> None:
    with pytest.raises(KinbayError, match="Without a login"):
        serving.serve(tmp_path, host=host, open_browser=False)


@pytest.fixture
def taken() -> Iterator[int]:
    with socket.socket() as holder:
        holder.bind(("127.0.0.1", 0))
        holder.listen()
        yield int(holder.getsockname()[1])


def test_a_taken_port_is_passed_over(taken: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serving, "FIRST_PORT", taken)
    assert serving.find_port("127.0.0.1", None) in range(taken + 1, taken + serving.TRIED_PORTS)


def test_a_taken_port_that_was_asked_for_is_told(taken: int) -> None:
    with pytest.raises(KinbayError, match=f"Port {taken} is in use"):
        serving.find_port("127.0.0.1", taken)


def test_no_free_port_is_told(taken: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serving, "FIRST_PORT", taken)
    monkeypatch.setattr(serving, "TRIED_PORTS", 1)
    with pytest.raises(KinbayError, match="No free port"):
        serving.find_port("127.0.0.1", None)


def test_the_server_says_its_address_and_keeps_to_itself(server: Server) -> None:
    assert f"The dashboard is at {server.address}" in server.log.read_text(encoding="utf-8")
    asked = urllib.request.Request(f"{server.address}/", headers={"Accept-Encoding": "gzip"})
    with urllib.request.urlopen(asked) as answer:
        assert "default-src 'self'" in answer.headers["Content-Security-Policy"]
        assert answer.headers["Referrer-Policy"] == "no-referrer"
        assert answer.headers["Content-Encoding"] == "gzip"
    for network in ("Network URL", "External URL"):
        assert network not in server.log.read_text(encoding="utf-8")


def _open_stream(server: Server, host: str, origin: str) -> bytes:
    """The server's first line to a browser that opens the stream for a page of `origin`."""
    address = server.address.removeprefix("http://")
    lines = (
        "GET /_stcore/stream HTTP/1.1", f"Host: {host or address}", f"Origin: {origin or server.address}",
        "Upgrade: websocket", "Connection: Upgrade", "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==",
        "Sec-WebSocket-Version: 13", "Sec-WebSocket-Protocol: streamlit", "", "",
    )  # fmt: skip
    name, port = address.split(":")
    with socket.create_connection((name, int(port)), timeout=PATIENCE_S) as line:
        line.sendall("\r\n".join(lines).encode())
        return line.recv(200).split(b"\r\n")[0]


def test_the_stream_opens_for_its_own_page_and_for_no_other(server: Server) -> None:
    """The key is that of RFC 6455, section 1.2."""
    assert b" 101 " in _open_stream(server, "", "")
    assert b" 403 " in _open_stream(server, "", "http://evil.example")
    assert b" 403 " in _open_stream(server, "", "http://localhost:9999")
    assert b" 403 " in _open_stream(server, "evil.example", "http://evil.example")
