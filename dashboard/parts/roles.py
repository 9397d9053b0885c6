"""Who may do what: look, write records down, decide about matters.

Without a login the server listens on this machine only, and whoever sits there may do everything.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

import streamlit as st

from dashboard.access import ROLES, read_login
from dashboard.access.accounts import say_person
from dashboard.access.cookies import NAME, read_cookie
from dashboard.access.levels import higher
from dashboard.parts.plain import escape
from pipeline.settings import Home

Act = Literal["view", "enter", "decide"]


def _claims() -> Mapping[str, Any]:
    """What the provider says of the person at this screen; nothing where they did not sign in with an account."""
    is_signed_in = read_login(Home.find()).accounts is not None and st.user.get("is_logged_in") is True
    return st.user.to_dict() if is_signed_in else {}


def granted() -> str | None:
    """Return the role of the person at this screen; None where a login is set up and they are not signed in."""
    login = read_login(Home.find())
    if not login.is_set:
        return ROLES[-1]
    by_account = login.accounts.role_of(_claims()) if login.accounts else None
    return higher(read_cookie(st.context.cookies.get(NAME)), by_account)


def may(act: Act) -> bool:
    """Whether the person at this screen may do `act`; every page that writes asks again."""
    role = granted()
    return role in ROLES and ROLES.index(act) <= ROLES.index(role)


def person() -> str:
    """Return the name of who signed in with an account; empty where a passphrase or nothing was asked for."""
    return say_person(_claims())


def show_refused() -> None:
    """Say that one has to sign in, and offer the way."""
    st.error("Sign in to see this page.", icon=":material/lock:")
    login = read_login(Home.find())
    if login.accounts:
        st.button("Sign in with your account", on_click=st.login, key="sign_in")
    if login.hashes:
        st.html('<a href="/login" target="_self">Sign in with a passphrase</a>')


def show_role() -> None:
    """Say in the sidebar as what one is signed in, and offer to sign out."""
    if not read_login(Home.find()).is_set:
        return
    may_do = {"view": "look", "enter": "look and write down", "decide": "look, write down and decide"}
    name = person()
    st.caption(
        f"Signed in{f' as {escape(name)}' if name else ''}: may {may_do.get(granted() or '', 'nothing')}."
    )
    st.html('<a href="/logout" target="_self">Sign out</a>')
