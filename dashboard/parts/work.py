"""Loading and building from a page: set going, watched, and the new build shown when it is there."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

from dashboard.parts import jobs
from dashboard.parts.jobs import Job
from dashboard.parts.plain import escape
from dashboard.parts.processes import Step
from pipeline.settings import Home

BUILD = Step("Comparing the vans afresh", ("build",), seconds=3600)
_JOB = "work_job"


def load_and_build(*given: str) -> Step:
    """Return the command that loads and then builds, in one process; `given` are files and options."""
    return Step("Loading", ("load", *given, "--build", "--json"), seconds=5400)


def start_load_and_build(title: str = "Load and build", *given: str) -> Job:
    """Load files, or what lies in the inbox and the journal, then build; returns at once."""
    return start(title, (load_and_build(*given),))


def start(title: str, steps: tuple[Step, ...]) -> Job:
    """Set commands going for this session's home; `show_work` shows how far they are."""
    job = jobs.start(Home.find().path, title, steps)
    st.session_state[_JOB] = job
    return job


def current() -> Job | None:
    """Return the job this session set going last, or one under way that another session set going."""
    own: Job | None = st.session_state.get(_JOB)
    if own is not None and not own.is_ended:
        return own
    last = jobs.latest(Home.find().path)
    return last if last is not None and not last.is_ended else own


def show_work(on_done: Callable[[Job], None] | None = None) -> None:
    """Show the work under way and how the last piece of it ended; nothing where there was none.

    Parameters
    ----------
    on_done : callable, optional
        Draws what a finished job brought, below the line that says so.
    """
    job = current()
    if job is None:
        return
    if not job.is_ended:
        _watch(job)
    elif job.state == "failed":
        _show_failure(job)
    else:
        _show_end(job)
        if on_done is not None:
            on_done(job)


@st.fragment(run_every=1.0)
def _watch(job: Job) -> None:
    """How far it has come, drawn anew every second; at its end the whole page is drawn anew."""
    if job.is_ended:
        st.rerun(scope="app")
    title, at, share = job.progress
    waits = "Waits for other work to end" if job.state == "waiting" else title
    with st.container(border=True):
        st.write(f":material/hourglass_top: **{escape(job.title)}.** {escape(waits)} ...")
        st.progress(share if share is not None else 0.0, text=escape(at) or "Starting")
        st.caption("This goes on if you leave the page. What you see meanwhile is the build before.")


def _show_end(job: Job) -> None:
    built = next(
        (a.said[-1] for a in reversed(job.answers) if a.said and a.said[-1].startswith("Built ")), ""
    )
    st.success(f"{escape(job.title)}: done. {escape(built)}", icon=":material/task_alt:")


def _show_failure(job: Job) -> None:
    st.error(f"{escape(job.title)}: not done. {escape(job.trouble)}", icon=":material/error:")
    kept = "What was loaded or saved is kept; the build before is still shown."
    kept = kept if _is_stored(job) else "Nothing was changed."
    st.caption(f"{kept} Reference {job.reference}: the server's log has the details under it.")


def _is_stored(job: Job) -> bool:
    """Whether a failed job got as far as storing something: a step before the last answer, or the load within one."""
    if len(job.answers) > 1:
        return True
    reported = bool(job.answers) and isinstance(job.answers[0].as_json(), dict)
    return "--build" in job.steps[0].args and (reported or job.progress[0] != job.steps[0].title)
