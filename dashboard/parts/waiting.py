"""Files that wait in the inbox: what they ask, answered on screen."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import streamlit as st

from dashboard.charts.words import clean_text
from dashboard.parts import jobs
from dashboard.parts.plain import escape
from dashboard.parts.trial import Trial, begin
from dashboard.parts.uploads import SUFFIX, Kept
from dashboard.parts.work import start_load_and_build
from pipeline.settings import Home

_LATER = "Decide later"


@dataclass(frozen=True)
class Waiting:
    """One file that waits, why, and what it asks."""

    name: str
    fault: str
    questions: tuple[dict[str, Any], ...]

    @property
    def may_be_described(self) -> bool:
        """Whether it waits for another reason than its questions, as of an unknown kind; a zip cannot be described."""
        return bool(self.fault) and not self.name.lower().endswith(".zip")


def list_waiting(home: Home) -> list[Waiting]:
    """Return the files of the inbox that have questions beside them."""
    found = []
    for path in sorted(home.inbox.rglob(f"*{SUFFIX}")):
        if any(part.startswith(".") for part in path.relative_to(home.inbox).parts):
            continue
        name = path.relative_to(home.inbox).as_posix().removesuffix(SUFFIX)
        found.append(_read(path, name))
    return found


def _read(path: Path, name: str) -> Waiting:
    try:
        told = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return Waiting(name, "Its questions cannot be read; load again to have them written anew.", ())
    asked = told.get("question", [])
    rows = (
        tuple(q for q in asked if isinstance(q, dict) and q.get("subject")) if isinstance(asked, list) else ()
    )
    return Waiting(name, str(told.get("fault", "")), rows)


def draw_waiting(home: Home) -> None:
    """Draw what waiting files ask, one box a question."""
    waiting = list_waiting(home)
    if not waiting:
        return
    st.header("Files that wait for an answer", anchor=False)
    st.caption("Nothing of these files is stored. An answer for a layout holds for its later files too.")
    for number, one in enumerate(waiting):
        with st.container(border=True):
            _draw_file(home, one, number)


def _draw_file(home: Home, one: Waiting, number: int) -> None:
    st.markdown(f"**{escape(one.name)}**")
    if one.fault:
        st.warning(escape(one.fault), icon=":material/help:")
    if one.may_be_described:
        _draw_undescribed(home, one, number)
        return
    chosen: dict[str, str] = {}
    for place, question in enumerate(one.questions):
        st.write(escape(question.get("asks", "")))
        choices = [str(c) for c in question.get("choices", ())]
        key = f"waiting_{number}_{place}_{one.name}"
        label = f"Answer for {clean_text(question['subject'])}"
        if choices:
            answer = st.selectbox(
                escape(label), choices, index=None, key=key, format_func=clean_text, placeholder=_LATER
            )
        else:
            answer = st.text_input(escape(label), key=key)
        if answer:
            chosen[str(question["subject"])] = answer
    left, right = st.columns(2)
    with left:
        if one.questions and st.button(
            "Answer and load",
            type="primary",
            key=f"waiting_go_{number}",
            width="stretch",
            disabled=not chosen,
        ):
            for subject, answer in chosen.items():
                jobs.run_now(home.path, "answer", one.name, subject, answer)
            start_load_and_build("Answered; load and compare")
            st.rerun()
    with right:
        _draw_drop(home, one, number)


def _draw_undescribed(home: Home, one: Waiting, number: int) -> None:
    left, right = st.columns(2)
    with left:
        if st.button("Look at it", type="primary", key=f"waiting_describe_{number}", width="stretch"):
            begin(Trial(Kept(home.inbox, (home.inbox / one.name,))))
            st.rerun()
    with right:
        _draw_drop(home, one, number)


def _draw_drop(home: Home, one: Waiting, number: int) -> None:
    if st.button("Take it out of the inbox", key=f"waiting_drop_{number}", width="stretch"):
        (home.inbox / one.name).unlink(missing_ok=True)
        (home.inbox / f"{one.name}{SUFFIX}").unlink(missing_ok=True)
        st.rerun()
