"""Write down a scan, work done or what a driver says: saved at once, loaded and compared beside the server."""

from __future__ import annotations

import streamlit as st

from dashboard.parts.entry_choices import offered
from dashboard.parts.entry_list import KINDS, draw_entries
from dashboard.parts.entry_other import draw_note, draw_work
from dashboard.parts.entry_save import replaced_entry
from dashboard.parts.entry_scan import draw_scan
from dashboard.parts.fault import guarded
from dashboard.parts.roles import may
from dashboard.parts.work import show_work
from pipeline.settings import Home

# Fingers in gloves: every field and button at least 48 pixels high.
_TARGETS = (
    "<style>[data-testid=stMain] :is([data-testid=stNumberInputContainer],[data-testid=stTextInputRootElement],"
    "[data-testid=stSelectbox] [data-baseweb=select]>div,[data-testid^=stBaseButton])"
    "{min-height:48px;align-items:center}</style>"
)


@guarded
def show() -> None:
    """The form that is asked for, and what was written down before."""
    st.title("Write down a scan", anchor=False)
    if not may("enter"):
        st.info(
            "You may look, but not write records down. Ask the lead for the right.", icon=":material/lock:"
        )
        return
    home = Home.find().ensure()
    st.html(_TARGETS)
    st.write("For readers that cannot export, for work done, and for what drivers say.")
    show_work()
    what = st.segmented_control(
        "What do you write down?", list(KINDS.values()), default="A scan", key="enter_what", required=True
    )
    if replaced_entry() is not None:
        st.info("You correct an entry: what you save replaces it.", icon=":material/edit:")
    choices = offered(home)
    if what == KINDS["work"]:
        draw_work(home, choices.vans)
    elif what == KINDS["note"]:
        draw_note(home, choices.vans)
    else:
        draw_scan(home, choices)
    draw_entries(home)


show()
