"""Decisions on screen: which matters they quiet, which are back and why, and the form that writes one."""

from __future__ import annotations

import csv
import datetime as dt
import io
import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import streamlit as st

from dashboard.charts.matter_words import say_then_and_now
from dashboard.parts import work
from dashboard.parts.fault import note_fault
from dashboard.parts.plain import escape
from dashboard.parts.roles import may, person
from pipeline import decisions
from pipeline.decisions import Decision
from pipeline.durable import write_text
from pipeline.errors import KinbayError
from pipeline.journal import utc_now
from pipeline.settings import Home

_WORK = ("replaced", "repaired", "adjusted", "cleared", "relearned", "charged")
_RELEARN = {"not needed": "not_needed", "done": "done", "not known": "unknown"}
_MEANINGS = {
    "known_normal": "All vans of the group do this and it is meant.",
    "watch_until": "Off the list until that day, unless it gets worse.",
    "to_the_bay": "Somebody looks at it in the bay.",
    "done": "Work was done. The next scans say whether it held.",
    "not_a_fault": "Looked at, and there is nothing to mend.",
}


@dataclass(frozen=True)
class Standing:
    """What was decided about a matter last, and why it is back all the same."""

    decision: Decision | None = None
    back: str = ""

    @property
    def is_quiet(self) -> bool:
        """Whether a decision keeps the matter off the list."""
        return self.decision is not None and not self.back


def standings(matters: Iterable[dict[str, Any]]) -> dict[str, Standing]:
    """Return how each matter stands by what was decided, by id."""
    kept = decisions.newest(decisions.read_decisions(Home.find()))
    today = utc_now().date()
    found = {}
    for row in matters:
        decision = kept.get(row["finding_id"])
        back = decisions.say_return(decision, row, today) if decision else ""
        found[row["finding_id"]] = Standing(decision, back)
    return found


def say_decision(decision: Decision) -> str:
    """Say a decision in one line, escaped."""
    return (
        f"**{decision.at:%d %b %Y}** {escape(decision.who)}: {escape(decision.words)}. {escape(decision.why)}"
    )


def show_history(row: dict[str, Any]) -> None:
    """Every decision about a matter, newest first, the newest with the evidence it was made on beside today's."""
    own = [d for d in decisions.read_decisions(Home.find()) if d.finding_id == row["finding_id"]]
    for number, decision in enumerate(reversed(own)):
        st.markdown(f":material/gavel: {say_decision(decision)}")
        if number == 0:
            st.caption(escape(say_then_and_now(decision.evidence, row)))


def show_said() -> None:
    """Say once that a decision was kept."""
    said = st.session_state.pop("decided_said", None)
    if said:
        st.success(said, icon=":material/task_alt:")


def offer_decision(row: dict[str, Any], standing: Standing, build_id: str) -> None:
    """Draw the form that decides about a matter, for those who may."""
    if not may("decide"):
        st.caption("Deciding is for those with that role.")
        return
    key = f"decide_{row['finding_id']}"
    holder = st.popover(
        "Decide", icon=":material/gavel:", key=key, on_change="rerun", width="content", type="secondary"
    )
    if not holder.open:
        return
    with holder:
        choices = [*_MEANINGS, *(["open"] if standing.decision else [])]
        choice = st.selectbox(
            "Decision", choices, format_func=lambda c: decisions.CHOICES[c], key=f"{key}_choice"
        )
        st.caption(_MEANINGS.get(choice, "Back on the list."))
        until = _ask_until(key) if choice == "watch_until" else None
        done = _ask_work(row, key) if choice == "done" else None
        who = _ask_who(key)
        why = st.text_area("Why", key=f"{key}_why", max_chars=600, height=80)
        if st.button("Keep this decision", key=f"{key}_keep"):
            _keep(row, choice, who, why, until, done, build_id)


def _ask_who(key: str) -> str:
    """The name under the decision: that of the account one signed in with, else what the person writes."""
    name = person()
    if name:
        st.caption(f"Decided by {escape(name)}.")
        return name
    return str(st.text_input("Who", st.session_state.get("decided_who", ""), key=f"{key}_who", max_chars=80))


def _ask_until(key: str) -> dt.date:
    tomorrow = utc_now().date() + dt.timedelta(days=1)
    return st.date_input(
        "Until", tomorrow + dt.timedelta(days=27), min_value=tomorrow, key=f"{key}_until", format="DD/MM/YYYY"
    )


def _ask_work(row: dict[str, Any], key: str) -> dict[str, Any]:
    """The work record that goes with `done`."""
    return {
        "what": st.selectbox("What was done", _WORK, key=f"{key}_what"),
        "part": st.text_input("Part", key=f"{key}_part", max_chars=80).strip(),
        "relearn": _RELEARN[st.selectbox("Relearn", list(_RELEARN), key=f"{key}_relearn")],
        "code": row["code"] or "",
        "van": row["van"] or "",
    }


def _keep(
    row: dict[str, Any],
    choice: str,
    who: str,
    why: str,
    until: dt.date | None,
    done: dict[str, Any] | None,
    build_id: str,
) -> None:
    """Write the decision, and the work before it: a decision that says done without its record is worth nothing."""
    if not may("decide"):
        return
    home, now = Home.find(), utc_now()
    try:
        decisions.check(choice, who, why, until, now.date())
        if done and done["van"]:
            write_work(home, {**done, "note": why.strip()}, now)
        decisions.decide(home, row, choice, who=who, why=why, at=now, until=until, build_id=build_id)
    except (KinbayError, OSError) as error:
        note_fault(error)
        what = error.what if isinstance(error, KinbayError) else "It could not be written"
        st.error(f"{escape(what)}. Nothing was kept.", icon=":material/error:")
        return
    st.session_state["decided_who"] = who.strip()
    said = f"Kept: {escape(decisions.CHOICES[choice])}. {escape(row['claim'])}"
    if done and done["van"]:
        work.start_load_and_build("Load the work and build")
        said += " The work record is being loaded; the comparison then starts afresh from it."
    st.session_state["decided_said"] = said
    st.rerun()


def write_work(home: Home, done: dict[str, Any], at: dt.datetime) -> str:
    """Leave one row of work in the inbox as a tidy file of its own; return the file's name."""
    columns = ("van", "at", "what", "part", "code", "relearn", "note")
    row = {**done, "at": f"{at.isoformat(timespec='seconds')}Z"}
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerows([columns, [row[name] for name in columns]])
    home.inbox.mkdir(parents=True, exist_ok=True)
    name = f"work-{at:%Y%m%dT%H%M%S}-{uuid.uuid4().hex[:6]}.csv"
    write_text(home.inbox / name, out.getvalue())
    return name
