"""Add data: upload, look at what would be taken and refused, confirm; answer what waiting files ask."""

from __future__ import annotations

from typing import Any

import streamlit as st

from dashboard.charts.words import count_of
from dashboard.parts.fault import guarded
from dashboard.parts.jobs import Job, Step
from dashboard.parts.load_report import show_report
from dashboard.parts.plain import escape
from dashboard.parts.roles import may
from dashboard.parts.uploads import MOST_BYTES, Kept, clear_old, drop, keep_uploads, move_to_inbox
from dashboard.parts.waiting import draw_waiting
from dashboard.parts.work import BUILD, current, show_work, start
from pipeline.settings import Home

_KEPT, _ROUND, _OPTIONS = "add_kept", "add_round", "add_options"
KINDS = ["csv", "tsv", "txt", "xlsx", "xlsm", "ods", "json", "jsonl", "ndjson", "parquet", "zip", "pdf"]
TRIAL = "Try the files"


def _upload(home: Home) -> None:
    """Take files from the browser and set a trial load going."""
    given = st.file_uploader(
        f"Files from readers, spreadsheets, or a zip of them (each at most {MOST_BYTES // 2**20} MB)",
        type=KINDS,
        accept_multiple_files=True,
        key=f"add_files_{st.session_state.get(_ROUND, 0)}",
    )
    left, right = st.columns(2)
    with left:
        van = st.text_input("Van, where the files name none", key="add_van", max_chars=60)
    with right:
        names = sorted(p.stem for p in home.layouts.glob("*.toml"))
        layout = st.selectbox(
            "Layout, where it is not found by itself", names, index=None, key="add_layout",
            placeholder="Found by itself",
        )  # fmt: skip
    if st.button("Look at the files", type="primary", disabled=not given, width="stretch"):
        kept = keep_uploads(home, given)
        options = (
            *(("--van", van.strip()) if van.strip() else ()),
            *(("--layout", layout) if layout else ()),
        )
        st.session_state[_KEPT], st.session_state[_OPTIONS] = kept, options
        st.session_state[_ROUND] = st.session_state.get(_ROUND, 0) + 1
        if kept.files:
            start(
                TRIAL,
                (Step("Reading", ("load", *map(str, kept.files), "--trial", "--json", *options), 600.0),),
            )
        st.rerun()


def _confirm(home: Home, kept: Kept, job: Job) -> None:
    """Show what would be taken and refused, and take or drop it."""
    for line in kept.refused:
        st.error(f"Refused: {escape(line)}", icon=":material/block:")
    report = job.answers[-1].as_json() if job.answers else None
    files: list[dict[str, Any]] = report["files"] if isinstance(report, dict) else []
    st.header("What would happen", anchor=False)
    show_report(files, is_trial=True)
    taken = sum(f["taken"] for f in files)
    asked = sum(bool(f["questions"]) for f in files)
    left, right = st.columns(2)
    with left:
        label = f"Take {count_of(taken, 'row')}" + (f", ask about {count_of(asked, 'file')}" if asked else "")
        if st.button(label, type="primary", width="stretch", disabled=not (taken or asked)):
            moved = move_to_inbox(home, kept)
            options = st.session_state.get(_OPTIONS, ())
            del st.session_state[_KEPT]
            load = Step("Loading", ("load", *map(str, moved), "--json", *options), 1800.0)
            start("Load and compare", (load, BUILD))
            st.rerun()
    with right:
        if st.button("Drop them", width="stretch"):
            drop(kept)
            del st.session_state[_KEPT]
            st.session_state.pop("work_job", None)
            st.rerun()


def _show_loaded(job: Job) -> None:
    """What the last load brought."""
    report = next(
        (a.as_json() for a, s in zip(job.answers, job.steps, strict=False) if s.args[0] == "load"), None
    )
    if isinstance(report, dict) and report.get("files"):
        with st.expander("What was taken"):
            show_report(report["files"], is_trial=False)


@guarded
def show() -> None:
    """Upload, look, confirm, answer."""
    st.title("Add data", anchor=False)
    if not may("enter"):
        st.info("You may look, but not add data. Ask the lead for the right.", icon=":material/lock:")
        return
    home = Home.find().ensure()
    clear_old(home)
    st.write("Nothing is stored before you have seen what would be taken and refused.")
    kept, job = st.session_state.get(_KEPT), current()
    is_trial = job is not None and job.title == TRIAL
    if kept is not None and not (is_trial and job is not None and not job.is_ended):
        if job is not None and is_trial and job.state == "done":
            _confirm(home, kept, job)
            return
        for line in kept.refused:
            st.error(f"Refused: {escape(line)}", icon=":material/block:")
        drop(kept)
        del st.session_state[_KEPT]
    show_work(None if is_trial else _show_loaded)
    if job is None or job.is_ended or not is_trial:
        _upload(home)
        draw_waiting(home)


show()
