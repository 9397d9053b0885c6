"""Signing in: passphrases kept as hashes, cookies that cannot be forged, a gate that lets nothing by."""

from __future__ import annotations

import hashlib
import http.client
import os
import urllib.parse
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from starlette.responses import PlainTextResponse

from dashboard import serve as serving
from dashboard.access import cookies, gate
from dashboard.access.passphrases import Login, make_hash, matches, read_login, set_passphrase
from dashboard.parts import roles
from pipeline.errors import KinbayError
from pipeline.settings import Home
from tests.dashboard.conftest import run_apart, serve
from tests.dashboard.fleet import Fleet
from tests.patience import PATIENCE_S

LOOK, DECIDE = "lantern kettle harbour", "copper saddle morning"


def test_scrypt_is_that_of_the_standard() -> None:
    """RFC 7914, section 12, second test vector: what hashes here are made of is what the standard says."""
    key = hashlib.scrypt(b"password", salt=b"NaCl", n=1024, r=8, p=16, dklen=64, maxmem=2**26)
    assert key.hex().startswith("fdbabe1c9d3472007856e7190d01e9fe7c6ad7cbc8237830e77376634b373162")


def test_a_hash_fits_its_passphrase_alone_and_never_twice_the_same() -> None:
    kept = make_hash(LOOK)
    assert LOOK not in kept
    assert matches(LOOK, kept)
    assert not matches(f"{LOOK} ", kept)
    assert kept != make_hash(LOOK)
    for damaged in ("", "scrypt$1", kept.replace("scrypt", "plain"), f"{kept[:-4]}####"):
        assert not matches(LOOK, damaged)


def test_a_short_passphrase_or_a_strange_role_is_refused(tmp_path: Path) -> None:
    with pytest.raises(KinbayError, match="12 letters"):
        set_passphrase(Home(tmp_path), "view", "too short")
    with pytest.raises(KinbayError, match="no role 'owner'"):
        set_passphrase(Home(tmp_path), "owner", LOOK)
    assert list(tmp_path.iterdir()) == []


def test_passphrases_are_kept_by_role_for_the_owner_alone(tmp_path: Path) -> None:
    home = Home(tmp_path)
    assert not read_login(home).is_set
    set_passphrase(home, "view", LOOK)
    set_passphrase(home, "decide", DECIDE)
    login = read_login(home)
    assert [login.role_of(p) for p in (LOOK, DECIDE, "anything at all")] == ["view", "decide", None]
    if os.name == "posix":
        assert (tmp_path / "login.toml").stat().st_mode & 0o077 == 0


@pytest.mark.parametrize("text", ["[passphrases", "", "[passphrases]\nowner = 'x'"])
def test_a_damaged_login_file_lets_nobody_in(tmp_path: Path, text: str) -> None:
    (tmp_path / "login.toml").write_text(text)
    with pytest.raises(KinbayError, match="login file"):
        read_login(Home(tmp_path))


def test_a_cookie_proves_its_role_until_it_is_old_or_touched(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("KINBAY_SESSION_KEY", "")
    cookies.make_key()
    cookie = cookies.make_cookie("view", now=1000.0)
    assert cookies.read_cookie(cookie, now=1000.0) == "view"
    assert cookies.read_cookie(cookie, now=1000.0 + cookies.HOURS * 3600) is None
    assert cookies.read_cookie(cookie.replace("view", "decide"), now=1000.0) is None
    for other in (None, "", "view", "view.9999999999.ab.", f"{cookie}0", "é.1.2.3"):
        assert cookies.read_cookie(other, now=1000.0) is None
    cookies.make_key()  # as a server started anew does
    assert cookies.read_cookie(cookie, now=1000.0) is None


def test_without_a_key_no_cookie_is_believed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("KINBAY_SESSION_KEY", raising=False)
    assert cookies.read_cookie("view.9999999999.ab.", now=0.0) is None


def test_wrong_tries_wait_twice_as_long_each_time() -> None:
    tries = gate.Tries()
    waits = []
    for _ in range(14):
        tries.note_wrong("10.0.0.9", 100.0)
        waits.append(tries.wait_s("10.0.0.9", 100.0))
    assert waits[:6] == [0, 0, 1, 2, 4, 8]
    assert waits[-1] == gate.LONGEST_WAIT_S
    assert tries.wait_s("10.0.0.8", 100.0) == 0
    tries.forget("10.0.0.9")
    assert tries.wait_s("10.0.0.9", 100.0) == 0


@pytest.mark.parametrize(
    ("target", "kept"),
    [("/codes?code=P0401", "/codes?code=P0401"), ("//evil.example", "/"), ("/\\evil.example", "/"), ("https://evil.example", "/")],
)  # fmt: skip
def test_signing_in_leads_nowhere_else(target: str, kept: str) -> None:
    assert gate._inside(target) == kept


def test_a_socket_without_a_cookie_is_closed() -> None:
    sent: list[Any] = []

    async def behind(_scope: Any, _receive: Any, _send: Any) -> None:
        raise AssertionError("the gate let it by")

    async def receive() -> Any:
        return {"type": "websocket.connect"}

    async def send(message: Any) -> None:
        sent.append(message)

    scope = {
        "type": "websocket",
        "path": "/_stcore/stream",
        "headers": [(b"cookie", b"kinbay_role=decide.9.9.9")],
    }
    run_apart(gate.Gate(behind, Login({"view": "x"}))(scope, receive, send))
    assert sent == [{"type": "websocket.close", "code": 4401}]


@pytest.mark.parametrize(
    ("role", "allowed"),
    [("view", ["view"]), ("enter", ["view", "enter"]), ("decide", ["view", "enter", "decide"]), (None, []), ("owner", [])],
)  # fmt: skip
def test_each_role_may_what_those_before_it_may(
    role: str | None, allowed: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(roles, "granted", lambda: role)
    acts: tuple[roles.Act, ...] = ("view", "enter", "decide")
    assert [act for act in acts if roles.may(act)] == allowed


def test_a_network_address_needs_a_login(tmp_path: Path) -> None:
    with pytest.raises(KinbayError, match="kinbay passphrase decide"):
        serving.serve(tmp_path, host="0.0.0.0", open_browser=False)


def test_the_link_for_phones_is_drawn_with_its_warning() -> None:
    said = serving.say_for_phones("http://192.0.2.7:8501")
    assert "not encrypted" in said
    assert len(said.splitlines()) > 12


def test_who_waits_is_not_let_in_by_the_right_passphrase(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By a clock of the test's own: after three wrong tries a second passes before the right one opens."""
    now, told = [1000.0], list[int]()
    monkeypatch.setattr(gate, "time", SimpleNamespace(monotonic=lambda: now[0]))
    set_passphrase(Home(tmp_path), "decide", DECIDE)
    door = gate.Gate(PlainTextResponse("behind"), read_login(Home(tmp_path)))

    async def send(message: Any) -> None:
        told.extend([message["status"]] if "status" in message else [])

    async def try_them(*passphrases: str) -> None:
        for passphrase in passphrases:
            form = urllib.parse.urlencode({"passphrase": passphrase}).encode()
            pieces = iter([{"type": "http.request", "body": form}])

            async def receive(pieces: Iterator[Any] = pieces) -> Any:
                return next(pieces)

            scope = {"type": "http", "method": "POST", "path": "/login", "query_string": b"", "headers": [], "client": ("192.0.2.7", 9)}  # fmt: skip
            await door(scope, receive, send)

    run_apart(try_them("wrong one", "wrong two", "wrong three", DECIDE))
    assert told == [401, 401, 401, 429]
    now[0] += 0.9
    run_apart(try_them(DECIDE))
    now[0] += 0.2
    run_apart(try_them(DECIDE))
    assert told[4:] == [429, 303]


@pytest.fixture(scope="module")
def guarded(fleet: Fleet, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A server with two passphrases, over a copy of the invented fleet."""
    import shutil

    home = tmp_path_factory.mktemp("guarded")
    shutil.copytree(fleet.home, home, dirs_exist_ok=True)
    set_passphrase(Home(home), "view", LOOK)
    set_passphrase(Home(home), "decide", DECIDE)
    with serve(home, home) as running:
        yield running.address.removeprefix("http://")


def _ask(
    address: str,
    method: str,
    path: str,
    body: str | None = None,
    asked_from: str = "127.0.0.1",
    **headers: str,
) -> http.client.HTTPResponse:
    connection = http.client.HTTPConnection(address, timeout=PATIENCE_S, source_address=(asked_from, 0))
    connection.request(method, path, body, headers)
    answer = connection.getresponse()
    answer.read()
    return answer


def _sign_in(
    address: str, passphrase: str, path: str = "/login", asked_from: str = "127.0.0.1"
) -> http.client.HTTPResponse:
    form = urllib.parse.urlencode({"passphrase": passphrase})
    kind = {"Content-Type": "application/x-www-form-urlencoded"}
    return _ask(address, "POST", path, form, asked_from, **kind)


def test_nothing_is_served_before_signing_in(guarded: str) -> None:
    page = _ask(guarded, "GET", "/codes?code=P0401", Accept="text/html")
    assert (page.status, page.getheader("location")) == (303, "/login?next=%2Fcodes%3Fcode%3DP0401")
    for path in ("/_stcore/host-config", "/static/js/index.js", "/_stcore/stream", "/media/x.csv"):
        assert _ask(guarded, "GET", path).status in (401, 404)
    assert (
        _ask(guarded, "GET", "/", Accept="text/html", Cookie="kinbay_role=decide.9999999999.x.y").status
        == 303
    )


def test_a_right_passphrase_opens_a_wrong_one_does_not(guarded: str) -> None:
    assert _sign_in(guarded, "wrong wrong wrong").status == 401
    answer = _sign_in(guarded, LOOK, "/login?next=%2Fcodes")
    assert (answer.status, answer.getheader("location")) == (303, "/codes")
    cookie = answer.getheader("set-cookie") or ""
    assert "HttpOnly" in cookie
    assert "SameSite=lax" in cookie
    opened = _ask(guarded, "GET", "/", Accept="text/html", Cookie=cookie.split(";")[0])
    assert opened.status == 200


def test_signing_out_ends_the_cookie_wherever_a_copy_lies(guarded: str) -> None:
    cookie = (_sign_in(guarded, LOOK).getheader("set-cookie") or "").split(";")[0]
    assert _ask(guarded, "GET", "/", Accept="text/html", Cookie=cookie).status == 200
    assert _ask(guarded, "GET", "/logout", Cookie=cookie).getheader("location") == "/login"
    assert _ask(guarded, "GET", "/", Accept="text/html", Cookie=cookie).status == 303
    assert _ask(guarded, "GET", "/_stcore/host-config", Cookie=cookie).status == 401


PATHS_OUT = ("/static/../../../../etc/hostname", "/static/..%2f..%2f..%2fetc/hostname", "/media/../../login.toml",
             "/app/static/%2e%2e/%2e%2e/config.toml", "//etc/hostname")  # fmt: skip


def test_no_path_leads_out_of_what_is_served_and_nothing_is_uploaded_by_hand(guarded: str) -> None:
    cookie = (_sign_in(guarded, LOOK).getheader("set-cookie") or "").split(";")[0]
    for path in PATHS_OUT:
        assert _ask(guarded, "GET", path).status == 401
        assert _ask(guarded, "GET", path, Cookie=cookie).status in (400, 403, 404)
    for method in ("POST", "PUT", "DELETE"):
        assert _ask(guarded, method, "/_stcore/upload_file/a/b", "x").status == 401
        assert _ask(guarded, method, "/_stcore/upload_file/a/b", "x", Cookie=cookie).status in (403, 405)


@pytest.mark.parametrize(
    ("origin", "has_cookie", "status"),
    [("own", True, 101), ("own", False, 403), ("http://evil.example", True, 403), ("null", True, 403)],
)
def test_the_stream_needs_the_cookie_and_the_dashboards_own_page(
    guarded: str, origin: str, has_cookie: bool, status: int
) -> None:
    cookie = (_sign_in(guarded, LOOK).getheader("set-cookie") or "").split(";")[0]
    asked = {
        "Upgrade": "websocket", "Connection": "Upgrade", "Sec-WebSocket-Version": "13",
        "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ==", "Cookie": cookie if has_cookie else "kinbay_role=decide.1.2.3",
        "Origin": f"http://{guarded}" if origin == "own" else origin,
    }  # fmt: skip
    connection = http.client.HTTPConnection(guarded, timeout=PATIENCE_S)
    connection.request("GET", "/_stcore/stream", headers=asked)
    assert connection.getresponse().status == status
    connection.close()


def test_guessing_is_slowed(guarded: str) -> None:
    """From an address of its own, since one that waits is let in by nothing; each wrong guess doubles the wait."""
    for n in range(12):
        answer = _sign_in(guarded, f"guess number {n}", asked_from="127.0.0.2")
        if answer.status != 401:
            break
    assert answer.status == 429
    assert int(answer.getheader("retry-after") or 0) >= 1
    assert _sign_in(guarded, LOOK).status == 303  # others do not wait
