"""What Streamlit's own sign-in leaves in a request, so that the gate can ask before Streamlit is reached.

`st.login` and `st.logout` are used where a page runs; the gate stands before every page and reads the same signed
cookie with Streamlit's own functions. They are not documented as public: the version is held in `pyproject.toml`,
and the round trip in `tests/dashboard/test_accounts.py` fails where they change.
"""

from __future__ import annotations

import json
from typing import Any
from urllib.parse import urlencode

from starlette.requests import HTTPConnection
from starlette.types import Scope
from streamlit.auth_util import encode_provider_token, get_cookie_with_chunks, is_authlib_installed
from streamlit.web.server.server_util import AUTH_COOKIE_NAME, get_cookie_secret
from streamlit.web.server.starlette.starlette_app_utils import decode_signed_value

__all__ = ["is_authlib_installed", "read_claims", "sign_in_link"]


def sign_in_link() -> str:
    """Return the address that leads to the provider; it is good for two minutes."""
    return f"/auth/login?{urlencode({'provider': encode_provider_token('default')})}"


def read_claims(scope: Scope) -> dict[str, Any] | None:
    """Return the claims of the person a request's cookie names; None where it is missing or forged."""
    cookies = HTTPConnection(scope).cookies
    secret = get_cookie_secret()

    def read_one(name: str) -> bytes | None:
        value = cookies.get(name)
        return decode_signed_value(secret, name, value.encode("latin-1", "ignore")) if value else None

    kept = get_cookie_with_chunks(read_one, AUTH_COOKIE_NAME)
    claims = json.loads(kept) if kept else None
    return claims if isinstance(claims, dict) and claims.get("is_logged_in") is True else None
