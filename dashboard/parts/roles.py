"""Who may do what: look, write records down, decide about matters.

Without a login the server listens on this machine only, and whoever sits there may do everything.
"""

from __future__ import annotations

from typing import Literal

import streamlit as st

Act = Literal["view", "enter", "decide"]
ACTS: tuple[Act, ...] = ("view", "enter", "decide")
"""Each includes those before it."""


def may(act: Act) -> bool:
    """Whether the person at this screen may do `act`; every page that writes asks again."""
    granted = st.session_state.get("role", ACTS[-1])
    return granted in ACTS and ACTS.index(act) <= ACTS.index(granted)
