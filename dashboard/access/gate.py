"""The gate before the server: nothing is served to anyone who has not signed in, but the page that asks them to."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Mapping
from http.cookies import SimpleCookie
from typing import Any
from urllib.parse import parse_qs, quote, unquote

from starlette.datastructures import Headers
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from dashboard.access.accounts import CALLBACK, say_person
from dashboard.access.cookies import HOURS, NAME, end_cookie, make_cookie, read_cookie
from dashboard.access.levels import higher
from dashboard.access.passphrases import Login
from dashboard.access.sign_in_page import draw_no_role, draw_sign_in

OPEN_PATHS = ("/_stcore/health",)
ACCOUNT_PATHS = ("/auth/login", "/auth/logout", f"/{CALLBACK}")
NEXT, NEXT_SECONDS = "kinbay_next", 600
FREE_TRIES, LONGEST_WAIT_S = 3, 300.0
MOST_BYTES, MOST_SECONDS = 4096, 10.0


class Tries:
    """Slows guessing: after a few wrong tries an address waits, twice as long each time."""

    def __init__(self) -> None:
        self._wrong: dict[str, tuple[int, float]] = {}

    def wait_s(self, address: str, now: float) -> float:
        """Seconds this address has to wait; 0 where it may try."""
        return max(0.0, self._wrong.get(address, (0, 0.0))[1] - now)

    def note_wrong(self, address: str, now: float) -> None:
        """Count a wrong try."""
        count = self._wrong.get(address, (0, 0.0))[0] + 1
        wait = min(LONGEST_WAIT_S, 2.0 ** (count - FREE_TRIES)) if count >= FREE_TRIES else 0.0
        if len(self._wrong) > 10_000:
            self._wrong.clear()
        self._wrong[address] = (count, now + wait)

    def forget(self, address: str) -> None:
        """Forget the wrong tries of an address after a right one."""
        self._wrong.pop(address, None)


class Gate:
    """Let through who has signed in, and sign in who knows a passphrase or has an account with a role.

    Parameters
    ----------
    app : ASGIApp
        What stands behind the gate.
    login : Login
        Passphrases and accounts; where neither is set everything passes, and the server listens on this machine
        alone.
    read_claims : callable
        Returns the claims that a request's account cookie proves, or None.
    door : callable
        Returns the link that leads to the provider.
    """

    def __init__(
        self,
        app: ASGIApp,
        login: Login,
        read_claims: Callable[[Scope], Mapping[str, Any] | None] = lambda _: None,
        door: Callable[[], str] = str,
    ) -> None:
        self.app, self.login, self.read_claims, self.door = app, login, read_claims, door
        self._tries = Tries()
        self._one_at_a_time = asyncio.Lock()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or hand on to the app."""
        if not self.login.is_set or scope["type"] == "lifespan" or scope.get("path") in self._open_paths():
            await self.app(scope, receive, send)
        elif scope["type"] == "http" and scope["path"] in ("/login", "/logout"):
            await (await self._sign_in_or_out(Request(scope, receive)))(scope, receive, send)
        elif self.role_in(scope) is not None:
            after = _take_up_where_asked(scope) if scope["type"] == "http" else None
            await (after or self.app)(scope, receive, send)
        elif scope["type"] == "websocket":
            await receive()
            await send({"type": "websocket.close", "code": 4401})
        else:
            await self._refuse(scope)(scope, receive, send)

    def role_in(self, scope: Scope) -> str | None:
        """Return the highest role that a request's cookies prove."""
        accounts, claims = self.login.accounts, self._claims_in(scope)
        by_account = accounts.role_of(claims) if accounts and claims else None
        return higher(read_cookie(_cookie(scope, NAME)), by_account)

    def _claims_in(self, scope: Scope) -> Mapping[str, Any] | None:
        return self.read_claims(scope) if self.login.accounts else None

    def _open_paths(self) -> tuple[str, ...]:
        return (*OPEN_PATHS, *ACCOUNT_PATHS) if self.login.accounts else OPEN_PATHS

    async def _sign_in_or_out(self, request: Request) -> Response:
        if request.url.path == "/logout":
            end_cookie(_cookie(request.scope, NAME))
            by_account = self._claims_in(request.scope) is not None
            answer: Response = RedirectResponse("/auth/logout" if by_account else "/login", 303)
            answer.delete_cookie(NAME, path="/")
            return answer
        target = _inside(request.query_params.get("next", "/"))
        if request.method == "POST" and self.login.hashes:
            return await self._try_passphrase(request, target)
        answer = self._ask(request, target)
        if self.login.accounts:  # the provider leads back to the first page, whatever was asked for
            answer.set_cookie(
                NEXT, quote(target, safe=""), max_age=NEXT_SECONDS, httponly=True, samesite="lax",
                secure=request.url.scheme == "https", path="/",
            )  # fmt: skip
        return answer

    def _ask(
        self, request: Request, target: str, said: str = "", status: int = 200, wait: float = 0
    ) -> Response:
        return draw_sign_in(
            target,
            said,
            status,
            door=self.door() if self.login.accounts else None,
            asks_passphrase=bool(self.login.hashes),
            is_plain=request.url.scheme != "https",
            headers={"retry-after": f"{wait:.0f}"} if wait else None,
        )

    async def _try_passphrase(self, request: Request, target: str) -> Response:
        given = await _read_passphrase(request)
        address = request.client.host if request.client else ""
        async with self._one_at_a_time:  # a guess costs memory and time: never two at once
            wait = self._tries.wait_s(address, time.monotonic())
            if wait:
                said = f"Too many wrong tries. Wait {wait:.0f} seconds."
                return self._ask(request, target, said, 429, max(wait, 1))
            role = await asyncio.to_thread(self.login.role_of, given) if given else None
            if role is None:
                self._tries.note_wrong(address, time.monotonic())
                return self._ask(request, target, "That passphrase opens nothing here.", 401)
            self._tries.forget(address)
        answer = RedirectResponse(target, 303)
        # Lax, so that a link in a message opens for who has signed in; the stream to the page checks its origin.
        answer.set_cookie(
            NAME, make_cookie(role), max_age=HOURS * 3600, httponly=True, samesite="lax",
            secure=request.url.scheme == "https", path="/",
        )  # fmt: skip
        return answer

    def _refuse(self, scope: Scope) -> Response:
        """A page is led to the form; anything else is told no."""
        if "text/html" not in Headers(scope=scope).get("accept", ""):
            return PlainTextResponse("Sign in first.", 401)
        claims, accounts = self._claims_in(scope), self.login.accounts
        if claims and accounts and not accounts.is_stale(claims):
            return draw_no_role(say_person(claims))
        query = scope.get("query_string", b"").decode("latin-1")
        asked = f"{scope['path']}?{query}" if query else str(scope["path"])
        return RedirectResponse(f"/login?next={quote(asked, safe='')}", 303)


def _cookie(scope: Scope, name: str) -> str | None:
    jar = SimpleCookie(Headers(scope=scope).get("cookie", ""))
    return jar[name].value if name in jar else None


def _take_up_where_asked(scope: Scope) -> Response | None:
    """Lead somebody who comes back from the provider to the page first asked for, once."""
    asked = _cookie(scope, NEXT)
    if asked is None or scope["path"] != "/":
        return None
    answer = RedirectResponse(_inside(unquote(asked)), 303)
    answer.delete_cookie(NEXT, path="/")
    return answer


def _inside(target: str) -> str:
    """A place on this server; anything else becomes the first page."""
    is_inside = target.startswith("/") and not target.startswith(("//", "/\\")) and target.isprintable()
    return target if is_inside else "/"


async def _read_passphrase(request: Request) -> str:
    """The passphrase of a form, or nothing where the form is none, too large or too slow."""
    body = b""
    try:
        async with asyncio.timeout(MOST_SECONDS):
            async for piece in request.stream():
                body += piece
                if len(body) > MOST_BYTES:
                    return ""
        return parse_qs(body.decode("utf-8")).get("passphrase", [""])[0]
    except (UnicodeDecodeError, TimeoutError):
        return ""
