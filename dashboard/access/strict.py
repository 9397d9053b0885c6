"""What every answer tells the browser, and whom the server answers at all.

A page of another site can make a browser ask this server: by a form, by opening the stream, or by a name that it
lets point to this machine. Browsers say in `Origin` which page asks and in `Host` under what name; both are held
against what this server is called.
"""

from __future__ import annotations

import base64
import hashlib
import ipaddress
import re
from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

# Streamlit styles inline and evaluates chart expressions; of scripts written into a page its own alone run.
POLICY = (
    "default-src 'self'; script-src 'self' 'unsafe-eval' 'wasm-unsafe-eval'{scripts};"
    " style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; font-src 'self' data:;"
    " connect-src 'self'{stream} data: blob:; worker-src 'self' blob:; frame-src 'none'; frame-ancestors 'none';"
    " base-uri 'self'; form-action 'self'; object-src 'none'"
)
HEADERS = {
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}
_INLINE = re.compile(r"<script>(.*?)</script>", re.DOTALL)
_HOST = re.compile(r"[A-Za-z0-9.\-]+(:\d{1,5})?|\[[0-9A-Fa-f:]+\](:\d{1,5})?")


def is_loopback(host: str) -> bool:
    """Whether an address is reachable from this machine only."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


class Strict:
    """Add the headers, and refuse what another site's page asks for.

    Parameters
    ----------
    app : ASGIApp
        What stands behind.
    address : str, optional
        Where people open the dashboard, where a proxy stands before it; its pages may ask too.
    only_own_names : bool
        Answer under the names of this machine alone; for a server without a login.
    first_page : str
        The page that the app serves; the scripts written into it may run, told by their hashes.
    """

    def __init__(
        self, app: ASGIApp, *, address: str | None = None, only_own_names: bool = False, first_page: str = ""
    ) -> None:
        self.app, self.only_own_names = app, only_own_names
        self._scripts = "".join(f" '{_print_script(s)}'" for s in _INLINE.findall(first_page))
        self._known = urlsplit(address).netloc if address else None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or hand on to the app."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        refusal = self._say_refusal(scope, host, headers.get("origin"))
        if refusal and scope["type"] == "websocket":
            await receive()
            await send({"type": "websocket.close", "code": 4403})
            return
        own = _headers(host, self._scripts)

        async def send_strict(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message["headers"], *own]
            await send(message)

        await (PlainTextResponse(refusal, 403) if refusal else self.app)(scope, receive, send_strict)

    def _say_refusal(self, scope: Scope, host: str, origin: str | None) -> str:
        """Why a request is refused; empty where it is not."""
        if not _HOST.fullmatch(host) or (self.only_own_names and not is_loopback(_name(host))):
            return (
                "This dashboard does not go by that name. Without a login it answers on its own machine only."
            )
        is_reading = scope["type"] == "http" and scope["method"] in ("GET", "HEAD", "OPTIONS")
        if is_reading or origin is None or urlsplit(origin).netloc in (host, self._known):
            return ""
        return "The request comes from another site's page."


def _name(host: str) -> str:
    return (urlsplit(f"//{host}").hostname or "").rstrip(".")


def _print_script(script: str) -> str:
    """The hash by which a policy names a script (Content Security Policy Level 3, section 2.3.1)."""
    return f"sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()}"


def _headers(host: str, scripts: str) -> list[tuple[bytes, bytes]]:
    """The headers of an answer; the stream may go to the name asked alone."""
    stream = f" ws://{host} wss://{host}" if _HOST.fullmatch(host) else ""
    given = {"content-security-policy": POLICY.format(stream=stream, scripts=scripts), **HEADERS}
    return [(name.encode(), text.encode()) for name, text in given.items()]
