"""Who may do what: look, write records down, decide about matters.

Without a login the server listens on this machine only, and whoever sits there may do everything.
"""

from __future__ import annotations

from typing import Literal

import streamlit as st

from dashboard.access import ROLES, read_login
from dashboard.access.cookies import NAME, read_cookie
from pipeline.settings import Home

Act = Literal["view", "enter", "decide"]


def granted() -> str | None:
    """Return the role of the person at this screen; None where a login is set up and they are not signed in."""
    if not read_login(Home.find()).is_set:
        return ROLES[-1]
    return read_cookie(st.context.cookies.get(NAME))


def may(act: Act) -> bool:
    """Whether the person at this screen may do `act`; every page that writes asks again."""
    role = granted()
    return role in ROLES and ROLES.index(act) <= ROLES.index(role)


def show_role() -> None:
    """Say in the sidebar as what one is signed in, and offer to sign out."""
    if not read_login(Home.find()).is_set:
        return
    may_do = {"view": "look", "enter": "look and write down", "decide": "look, write down and decide"}
    st.caption(f"Signed in: may {may_do.get(granted() or '', 'nothing')}.")
    st.html('<a href="/logout" target="_self">Sign out</a>')
