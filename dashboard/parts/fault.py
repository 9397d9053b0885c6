"""What a person sees when something fails: what happened, whether anything changed, what to do next."""

from __future__ import annotations

import functools
import logging
import secrets
from collections.abc import Callable

import streamlit as st

from dashboard.parts.page_files import PAGES
from dashboard.parts.plain import escape
from dashboard.parts.roles import may
from dashboard.questions.warehouse import NothingBuiltError, OtherVersionError
from pipeline.errors import KinbayError

LOG = logging.getLogger("kinbay.dashboard")


def note_fault(error: BaseException) -> str:
    """Write the fault to the server's log under a reference id and return the id."""
    reference = secrets.token_hex(3).upper()
    LOG.error("reference %s: %s: %s", reference, type(error).__name__, error)
    return reference


def show_nothing_built(error: KinbayError) -> None:
    """Say what to run before there is anything to see."""
    st.title("No fleet to show yet", anchor=False)
    st.info(
        f"{escape(error.what)}. The dashboard shows what the last build published.", icon=":material/inbox:"
    )
    st.write("To look around with an invented fleet:")
    st.code("kinbay demo", language=None)
    if may("enter"):
        st.write("To see your own vans, bring the readers' files here, or write a scan down by hand:")
        with st.container(gap=None):
            st.page_link(PAGES["add"], label="Add data", icon=":material/upload_file:")
            st.page_link(PAGES["enter"], label="Write down a scan", icon=":material/edit_note:")
        st.write("Or put the files into the inbox folder, then:")
    else:
        st.write("To see your own vans, put the readers' files into the inbox folder, then:")
    st.code("kinbay load\nkinbay build", language=None)
    st.caption("This page shows the vans as soon as the build is done; reload it then.")


def show_other_version(error: KinbayError) -> None:
    """Say that the build is of another version, and what to run."""
    st.warning(f"{escape(error.what)}, and this page needs what it lacks.", icon=":material/update:")
    st.write("Nothing is lost: files, decisions and settings stay. To build the data anew:")
    st.code("kinbay build", language=None)
    st.caption(
        "This page shows the vans as soon as the build is done; reload it then. If it still says so, run"
        " `kinbay build --full`."
    )


def show_fault(error: Exception) -> None:
    """Show a fault without a path and without a traceback."""
    reference = note_fault(error)
    if isinstance(error, OtherVersionError):
        show_other_version(error)
    elif isinstance(error, KinbayError):
        st.error(f"{escape(error.what)}.", icon=":material/error:")
        st.write(escape(error.remedy) if error.remedy else "Try again.")
    else:
        st.error("This page could not be shown.", icon=":material/error:")
        st.write("Nothing was changed. Reload the page; if it happens again, run `kinbay check`.")
    st.caption(f"Reference {reference}: the server's log has the details under it.")


def guarded(body: Callable[[], None]) -> Callable[[], None]:
    """Run a page or part so that a fault becomes a message instead of a traceback."""

    @functools.wraps(body)
    def run() -> None:
        try:
            body()
        except NothingBuiltError as error:
            show_nothing_built(error)
        except Exception as error:
            show_fault(error)

    return run
