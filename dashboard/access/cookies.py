"""Signed cookies: who signed in, for how long; worthless after signing out and after the server was started anew."""

from __future__ import annotations

import hashlib
import hmac
import os
import secrets
import time

from dashboard.access.levels import ROLES

NAME = "kinbay_role"
HOURS = 12
_KEY = "KINBAY_SESSION_KEY"
_ended: set[str] = set()
"""Signatures of cookies whose holder signed out; worthless cookies are never kept, so it stays small."""


def make_key() -> None:
    """Draw the key that signs this server's cookies; it lives in the process alone."""
    os.environ[_KEY] = secrets.token_hex(32)


def _sign(text: str) -> str:
    key = os.environ.get(_KEY, "")
    return hmac.new(bytes.fromhex(key), text.encode("ascii"), hashlib.sha256).hexdigest() if key else ""


def make_cookie(role: str, now: float | None = None) -> str:
    """Return the cookie of somebody who signed in as `role`."""
    until = int((time.time() if now is None else now) + HOURS * 3600)
    text = f"{role}.{until}.{secrets.token_hex(8)}"
    return f"{text}.{_sign(text)}"


def read_cookie(cookie: str | None, now: float | None = None) -> str | None:
    """Return the role a cookie proves; None where it is missing, forged or too old."""
    text, _, signature = (cookie or "").rpartition(".")
    if not signature or not text.isascii() or not signature.isascii():
        return None
    expected = _sign(text)
    if not expected or not hmac.compare_digest(signature, expected):
        return None
    role, until, _ = text.split(".")
    is_good = role in ROLES and float(until) > (time.time() if now is None else now)
    return role if is_good and signature not in _ended else None


def end_cookie(cookie: str | None) -> None:
    """Believe a cookie no more, wherever a copy of it may lie; for signing out."""
    if cookie is not None and read_cookie(cookie) is not None:
        _ended.add(cookie.rpartition(".")[2])
