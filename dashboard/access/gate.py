"""The gate before the server: without a valid cookie nothing is served but the page that asks for a passphrase."""

from __future__ import annotations

import asyncio
import time
from http.cookies import SimpleCookie
from urllib.parse import parse_qs, quote

from starlette.datastructures import Headers
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from dashboard.access.cookies import HOURS, NAME, make_cookie, read_cookie
from dashboard.access.passphrases import Login

OPEN_PATHS = ("/_stcore/health",)
FREE_TRIES, LONGEST_WAIT_S = 3, 300.0
MOST_BYTES = 4096
_PAGE = """<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Kinbay: sign in</title>
<meta name="viewport" content="width=device-width, initial-scale=1"><style>
:root{{color-scheme:light dark}}body{{font:16px/1.5 system-ui,sans-serif;max-width:24rem;margin:12vh auto;padding:0 1rem}}
label,input,button{{display:block;width:100%;box-sizing:border-box;font:inherit}}input{{padding:.6rem;margin:.3rem 0 1rem}}
button{{padding:.6rem;background:#0B5C8F;color:#fff;border:0;border-radius:6px}}[role=alert]{{font-weight:600}}
</style></head><body><main><h1>Kinbay</h1><form method="post" action="/login?next={next}">
<label for="passphrase">Passphrase</label>
<input id="passphrase" name="passphrase" type="password" autocomplete="current-password" required autofocus>
<button>Sign in</button></form>{said}{plain}</main></body></html>"""
_PLAIN = "<p>This connection is not encrypted: others on the same network could read along.</p>"


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
    """Let through who has signed in, and sign in who knows a passphrase.

    Parameters
    ----------
    app : ASGIApp
        What stands behind the gate.
    login : Login
        The passphrases; where none is set everything passes, and the server listens on this machine alone.
    """

    def __init__(self, app: ASGIApp, login: Login) -> None:
        self.app, self.login = app, login
        self._tries = Tries()
        self._one_at_a_time = asyncio.Lock()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or hand on to the app."""
        if not self.login.is_set or scope["type"] == "lifespan" or scope.get("path") in OPEN_PATHS:
            await self.app(scope, receive, send)
            return
        if scope["type"] == "http" and scope["path"] in ("/login", "/logout"):
            await (await self._sign_in_or_out(Request(scope, receive)))(scope, receive, send)
            return
        if role_in(scope) is not None:
            await self.app(scope, receive, send)
        elif scope["type"] == "websocket":
            await receive()
            await send({"type": "websocket.close", "code": 4401})
        else:
            await _refuse(Headers(scope=scope), scope)(scope, receive, send)

    async def _sign_in_or_out(self, request: Request) -> Response:
        if request.url.path == "/logout":
            answer: Response = RedirectResponse("/login", 303)
            answer.delete_cookie(NAME, path="/")
            return answer
        target = _inside(request.query_params.get("next", "/"))
        is_plain = request.url.scheme != "https"
        if request.method != "POST":
            return _ask(target, is_plain=is_plain)
        address = request.client.host if request.client else ""
        async with self._one_at_a_time:  # a guess costs memory and time: never two at once
            wait = self._tries.wait_s(address, time.monotonic())
            if wait:
                return _ask(
                    target,
                    f"Too many wrong tries. Wait {wait:.0f} seconds.",
                    status=429,
                    is_plain=is_plain,
                    headers={"retry-after": f"{wait:.0f}"},
                )
            given = await _read_passphrase(request)
            role = await asyncio.to_thread(self.login.role_of, given) if given else None
            if role is None:
                self._tries.note_wrong(address, time.monotonic())
                return _ask(target, "That passphrase opens nothing here.", status=401, is_plain=is_plain)
            self._tries.forget(address)
        answer = RedirectResponse(target, 303)
        answer.set_cookie(
            NAME,
            make_cookie(role),
            max_age=HOURS * 3600,
            httponly=True,
            samesite="strict",
            secure=not is_plain,
            path="/",
        )
        return answer


def role_in(scope: Scope) -> str | None:
    """Return the role that a request's cookie proves."""
    jar = SimpleCookie(Headers(scope=scope).get("cookie", ""))
    return read_cookie(jar[NAME].value) if NAME in jar else None


def _inside(target: str) -> str:
    """A place on this server; anything else becomes the first page."""
    return target if target.startswith("/") and not target.startswith(("//", "/\\")) else "/"


def _ask(
    target: str,
    said: str = "",
    status: int = 200,
    *,
    is_plain: bool,
    headers: dict[str, str] | None = None,
) -> Response:
    alert = f'<p role="alert">{said}</p>' if said else ""
    page = _PAGE.format(next=quote(target, safe=""), said=alert, plain=_PLAIN if is_plain else "")
    return HTMLResponse(page, status, headers={"cache-control": "no-store", **(headers or {})})


def _refuse(headers: Headers, scope: Scope) -> Response:
    """A page is led to the form; anything else is told no."""
    if "text/html" in headers.get("accept", ""):
        query = scope.get("query_string", b"").decode("latin-1")
        asked = f"{scope['path']}?{query}" if query else str(scope["path"])
        return RedirectResponse(f"/login?next={quote(asked, safe='')}", 303)
    return PlainTextResponse("Sign in first.", 401)


async def _read_passphrase(request: Request) -> str:
    """The passphrase of a form, or nothing where the form is none or too large."""
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > MOST_BYTES:
            return ""
    try:
        return parse_qs(body.decode("utf-8")).get("passphrase", [""])[0]
    except UnicodeDecodeError:
        return ""
