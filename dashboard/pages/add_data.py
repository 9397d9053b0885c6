"""Add data: upload, look at what would be taken and refused, confirm; answer what waiting files ask."""

from __future__ import annotations

from typing import Literal

import streamlit as st

from dashboard.parts.describe import draw_description
from dashboard.parts.entry_choices import offered
from dashboard.parts.fault import guarded
from dashboard.parts.jobs import Job
from dashboard.parts.links import link_to
from dashboard.parts.load_report import show_report
from dashboard.parts.plain import escape
from dashboard.parts.roles import may
from dashboard.parts.trial import TITLE, Trial, begin, current_trial, end, look_again
from dashboard.parts.uploads import MOST_BYTES, clear_old, drop, keep_uploads, move_to_inbox
from dashboard.parts.waiting import draw_waiting
from dashboard.parts.work import current, show_work, start_load_and_build
from pipeline.counted import count_of
from pipeline.settings import Home

_ROUND = "add_round"
KINDS = ["csv", "tsv", "txt", "xlsx", "xlsm", "ods", "json", "jsonl", "ndjson", "parquet", "zip", "pdf"]


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
        options = (
            *(("--van", van.strip()) if van.strip() else ()),
            *(("--layout", layout) if layout else ()),
        )
        begin(Trial(keep_uploads(home, given), options))
        st.session_state[_ROUND] = st.session_state.get(_ROUND, 0) + 1
        st.rerun()


def _confirm(home: Home, trial: Trial) -> None:
    """Show what would be taken and refused, and take or drop it; a file of an unknown kind is described first."""
    for line in trial.kept.refused:
        st.error(f"Refused: {escape(line)}", icon=":material/block:")
    unknown = trial.unknown
    proposal = trial.proposals.get(unknown) if unknown is not None else None
    if unknown is not None and proposal is None:
        look_again(trial, unknown)
        st.rerun()
    if unknown is not None and proposal is not None:
        draw_description(trial, unknown, proposal, offered(home))
    files = trial.report or []
    st.header("What would happen", anchor=False)
    show_report(files, is_trial=True, unknown=unknown.name if unknown is not None else None)
    taken = sum(f["taken"] for f in files)
    asked = sum(bool(f["questions"]) for f in files)
    left, right = st.columns(2)
    with left:
        label = f"Take {count_of(taken, 'row')}" + (f", ask about {count_of(asked, 'file')}" if asked else "")
        label = label if taken else "Let it wait in the inbox" if trial.kept.is_apart and asked else label
        kind: Literal["primary", "secondary"] = "primary" if taken else "secondary"
        if st.button(label, type=kind, width="stretch", disabled=not (taken or asked)):
            _take(home, trial)
    with right:
        if st.button("Drop them" if trial.kept.is_apart else "Leave it waiting", width="stretch"):
            drop(trial.kept)
            end()
            st.rerun()


def _take(home: Home, trial: Trial) -> None:
    moved = move_to_inbox(home, trial.kept)
    end()
    start_load_and_build("Load and compare", *map(str, moved), *trial.options)
    st.rerun()


def _show_loaded(job: Job) -> None:
    """What the last load brought."""
    report = next(
        (a.as_json() for a, s in zip(job.answers, job.steps, strict=False) if s.args[0] == "load"), None
    )
    if isinstance(report, dict) and report.get("files"):
        with st.expander("What was taken"):
            show_report(report["files"], is_trial=False)
    if len(job.answers) == len(job.steps):
        link_to("look", "See what needs a look", icon=":material/search:")


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
    trial, tried = current_trial()
    if trial is not None and tried is not None and not tried.is_ended:
        show_work()
        return
    if trial is not None and trial.report is not None:
        _confirm(home, trial)
        return
    if trial is not None:
        for line in trial.kept.refused:
            st.error(f"Refused: {escape(line)}", icon=":material/block:")
        drop(trial.kept)
    job = current()
    show_work(_show_loaded if job is not None and job.title != TITLE else None)
    if trial is not None:
        end()
    _upload(home)
    draw_waiting(home)


show()
