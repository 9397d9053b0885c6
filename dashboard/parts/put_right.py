"""A scan given to the wrong van, time or odometer, and names nobody knows: put right by entries, asked twice."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl
import streamlit as st

from dashboard.charts.words import clean_text
from dashboard.parts.plain import escape
from dashboard.parts.processes import Step
from dashboard.parts.view import View
from dashboard.parts.work import BUILD, start
from dashboard.questions import fleet, records
from dashboard.questions.filters import ALL_VANS
from dashboard.questions.warehouse import Warehouse
from pipeline.counted import count_of
from pipeline.errors import nearest
from pipeline.settings import Home

_DRAFT = "right_draft"


@dataclass(frozen=True)
class Draft:
    """What will be said once it is confirmed.

    Parameters
    ----------
    title : str
        What is done, as the job is called.
    lines : tuple of str
        What changes, line by line.
    args : tuple of str
        The command.
    """

    title: str
    lines: tuple[str, ...]
    args: tuple[str, ...]


@dataclass(frozen=True)
class Right:
    """What a person says is right of a scan; None where it stays as it stands."""

    van: str | None
    at: dt.datetime | None
    odometer_km: float | None
    why: str
    who: str


def draft_correction(scan: dict[str, Any], right: Right, zone: dt.tzinfo) -> Draft | None:
    """Return the correction of a scan, or None where nothing is different.

    Parameters
    ----------
    scan : dict
        A row of `list_scans`, its time naive UTC.
    right : Right
        What is right, the time naive and local.
    zone : tzinfo
        The fleet's time zone.
    """
    lines, options = [], []
    if right.van is not None and right.van != scan["van"]:
        lines.append(f"Van: {scan['van']} becomes {right.van}")
        options.append(f"--van={right.van}")
    was = local_time(scan["scanned_at"], zone)
    if right.at is not None and right.at != was:
        lines.append(f"Read at: {was:%d %b %Y, %H:%M} becomes {right.at:%d %b %Y, %H:%M}")
        options.append(f"--at={right.at.isoformat(timespec='seconds')}")
    before = scan["odometer_km"]
    if right.odometer_km is not None and (before is None or abs(right.odometer_km - before) >= 0.5):
        said = "none" if before is None else f"{before:,.0f} km"
        lines.append(f"Odometer: {said} becomes {right.odometer_km:,.0f} km")
        options.append(f"--odometer-km={right.odometer_km:g}")
    if not lines:
        return None
    told = (f"--why={right.why.strip()}", f"--who={right.who.strip()}")
    args = ("correct", *options, *told, "--", str(scan["reader"]), str(scan["scan_id"]))
    return Draft("Corrected; compare afresh", tuple(lines), args)


def local_time(at: dt.datetime, zone: dt.tzinfo) -> dt.datetime:
    """Return a naive UTC time as naive local time, to the minute."""
    return at.replace(tzinfo=dt.UTC, second=0, microsecond=0).astimezone(zone).replace(tzinfo=None)


def show_put_right(view: View, home: Home) -> None:
    """Draw the names nobody knows and the form for one scan, and what waits to be confirmed."""
    register = fleet.list_shown_vans(view.warehouse, ALL_VANS).filter(pl.col("cohort_id").is_not_null())
    vans = sorted(register["van"].to_list())
    _show_unknown(view.warehouse, vans)
    st.header("Put a scan right", anchor=False)
    st.write(
        "For a scan saved under the wrong van, at the wrong time or with a wrong odometer. The file stays as it is."
    )
    van = st.selectbox(
        "Van it stands under",
        view.vans,
        index=None,
        key="right_van",
        format_func=clean_text,
        placeholder="Choose",
    )
    if van is not None:
        _show_scan(view.warehouse, home, van, vans)
    _confirm()


def _show_scan(warehouse: Warehouse, home: Home, van: str, vans: Sequence[str]) -> None:
    zone = home.settings.zone
    scans = records.list_scans(warehouse, [van]).to_dicts()
    number = st.selectbox(
        "Scan",
        range(len(scans)),
        index=None,
        key=f"right_scan_{van}",
        format_func=lambda n: _name(scans[n], zone),
        placeholder="Choose",
    )
    if number is None:
        return
    scan = scans[number]
    key = f"right_{scan['reader']}_{scan['scan_id']}"
    with st.form(f"{key}_form", enter_to_submit=False, border=False):
        options = list(vans) if van in vans else [van, *vans]
        right_van = st.selectbox(
            "Right van", options, index=options.index(van), key=f"{key}_van", format_func=clean_text
        )
        at = st.datetime_input(
            "Right time",
            value=local_time(scan["scanned_at"], zone),
            step=dt.timedelta(minutes=1),
            format="DD/MM/YYYY",
            key=f"{key}_at",
        )
        odometer = st.number_input(
            "Right odometer, km",
            value=scan["odometer_km"],
            min_value=0.0,
            step=1.0,
            format="%.0f",
            key=f"{key}_odometer",
        )
        why = st.text_input("Why", key=f"{key}_why", max_chars=300)
        who = st.text_input("Who says so", key="entry_who", max_chars=80)
        looked = st.form_submit_button("Look it over", width="stretch")
    if looked:
        draft = draft_correction(scan, Right(right_van, at, odometer, why, who), zone)
        if draft is None:
            st.info("Nothing is different from what stands there.", icon=":material/info:")
        elif not why.strip():
            st.error("Say why; it is kept with the correction.", icon=":material/block:")
        else:
            st.session_state[_DRAFT] = draft


def _name(scan: dict[str, Any], zone: dt.tzinfo) -> str:
    odometer = f", {scan['odometer_km']:,.0f} km" if scan["odometer_km"] is not None else ""
    return clean_text(
        f"{local_time(scan['scanned_at'], zone):%d %b %Y, %H:%M}, {scan['reader']}, {scan['scan_id']}{odometer}"
    )


def _say_stranger(row: dict[str, Any]) -> str:
    """Say a name nobody knows, with how often it stands in scans, work and notes."""
    counts = [count_of(row["n_scans"], "scan")] if row["n_scans"] else []
    counts += [count_of(row["n_entries"], "entry")] if row["n_entries"] else []
    return ", ".join((clean_text(row["van"]), *counts))


def _show_unknown(warehouse: Warehouse, vans: Sequence[str]) -> None:
    """Names in files that are no van of the register, and which van each is."""
    unknown = records.list_unknown_vans(warehouse).to_dicts()
    st.header("Names nobody knows", anchor=False)
    if not unknown:
        st.write("Every van named in scans, work and notes is in the register.")
        return
    st.write(
        "These names stand in scans, work or notes and are no van of the register. Say which van is meant, or add it to"
        " the register."
    )
    names = [row["van"] for row in unknown]
    name = st.selectbox(
        "Name", names, index=None, key="right_name", placeholder="Choose",
        format_func=lambda n: _say_stranger(unknown[names.index(n)]),
    )  # fmt: skip
    if name is None:
        return
    near = nearest(name, vans)
    with st.form(f"right_alias_{name}", enter_to_submit=False, border=False):
        if near is not None:
            st.caption(f"The nearest name of the register is {escape(near)}.")
        van = st.selectbox(
            "This is van", list(vans), index=None, key=f"right_alias_van_{name}", format_func=clean_text
        )
        why = st.text_input(
            "Why (plate changed, typing error ...)", key=f"right_alias_why_{name}", max_chars=300
        )
        looked = st.form_submit_button("Look it over", width="stretch")
    if looked and (van is None or not why.strip()):
        st.error("Say which van, and why.", icon=":material/block:")
    elif looked and van is not None:
        n = unknown[names.index(name)]["n_scans"]
        lines = (
            f"{count_of(n, 'scan')} under “{name}” will count for van {van}",
            "So will later files that use the name",
        )
        args = ("alias", f"--van={van}", f"--why={why.strip()}", "--", name)
        st.session_state[_DRAFT] = Draft("Named; compare afresh", lines, args)


def _confirm() -> None:
    """Show what will change and do it when told to a second time."""
    draft = st.session_state.get(_DRAFT)
    if not isinstance(draft, Draft):
        return
    with st.container(border=True):
        st.header("This will change", anchor=False)
        st.markdown("\n".join(f"- {escape(line)}" for line in draft.lines))
        st.caption("It is kept as an entry in the journal; the files and their originals stay as they are.")
        left, right = st.columns(2)
        with left:
            if st.button("Save it", type="primary", width="stretch", key="right_save"):
                del st.session_state[_DRAFT]
                start(draft.title, (Step("Saving", draft.args, 120.0), BUILD))
                st.rerun()
        with right:
            if st.button("Leave it", width="stretch", key="right_leave"):
                del st.session_state[_DRAFT]
                st.rerun()
