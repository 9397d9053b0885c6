"""Files on trial: what would be taken of them, and how a file of an unknown kind would be read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import streamlit as st

from dashboard.parts.jobs import Job
from dashboard.parts.processes import Step
from dashboard.parts.uploads import Kept
from dashboard.parts.work import start

TITLE = "Try the files"
_TRIAL, _JOB = "add_trial", "add_trial_job"


@dataclass
class Trial:
    """Files of one session that are looked at and not stored yet.

    Parameters
    ----------
    kept : Kept
        The files.
    options : tuple of str
        Options for `kinbay load`.
    report : list of dict or None
        `files` of `kinbay load --trial --json`; None before the first look.
    proposals : dict
        What `kinbay layout --json` said, by path; None where it could say nothing.
    """

    kept: Kept
    options: tuple[str, ...] = ()
    report: list[dict[str, Any]] | None = None
    proposals: dict[Path, dict[str, Any] | None] = field(default_factory=dict)

    @property
    def unknown(self) -> Path | None:
        """The first file of a kind nobody knows, of which a proposal can be had."""
        lost = {f["file"] for f in self.report or () if f["questions"] and not f["table"] and not f["layout"]}
        found = (p for p in self.kept.files if p.name in lost and p.suffix.lower() != ".zip")
        return next((p for p in found if self.proposals.get(p, {}) is not None), None)


def begin(trial: Trial) -> None:
    """Look at files, in a process of its own."""
    st.session_state[_TRIAL] = trial
    if trial.kept.files:
        st.session_state[_JOB] = start(TITLE, (_try_step(trial),))


def look_again(trial: Trial, file: Path, answers: Sequence[str] = ()) -> None:
    """Propose how a file is to be read, with these answers, and look at all files anew."""
    told = [part for one in answers for part in ("--answer", one)]
    layout = Step(
        "Looking at the columns", ("layout", str(file), "--json", "--bounded", "--ask-columns", *told), 120
    )
    st.session_state[_JOB] = start(TITLE, (layout, _try_step(trial)))


def _try_step(trial: Trial) -> Step:
    files = map(str, trial.kept.files)
    return Step("Reading", ("load", *files, "--trial", "--json", *trial.options), 600)


def current_trial() -> tuple[Trial | None, Job | None]:
    """Return the trial of this session and its last job, whose answers are in the trial by then."""
    trial: Trial | None = st.session_state.get(_TRIAL)
    job: Job | None = st.session_state.get(_JOB)
    if trial is not None and job is not None and job.is_ended:
        collect(trial, job)
    return trial, job


def collect(trial: Trial, job: Job) -> None:
    """Take over what the commands of a job said."""
    for step, answer in zip(job.steps, job.answers, strict=False):
        said = answer.as_json() if answer.is_done else None
        if step.args[0] == "layout":
            trial.proposals[Path(step.args[1])] = said if isinstance(said, dict) else None
        elif isinstance(said, dict):
            trial.report = said["files"]


def end() -> None:
    """Forget the trial."""
    for key in (_TRIAL, _JOB, "work_job"):
        st.session_state.pop(key, None)
