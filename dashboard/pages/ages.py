"""Age and mileage: any reading against age, kilometres, date or another reading."""

from __future__ import annotations

from functools import partial

import streamlit as st

from dashboard.charts.age_words import CONFOUNDED, associate, say_association
from dashboard.charts.ages import draw_ages
from dashboard.charts.words import CAVEAT, Reading
from dashboard.exports.age_pictures import AGES_KEY, picture_ages
from dashboard.parts.links import (
    choose_reading,
    choose_van,
    link_to_van,
    list_readings,
    most_telling_reading,
    name_stray,
)
from dashboard.parts.plain import escape
from dashboard.parts.screen import file_stem, offer_downloads, pick_key, picked, remember_pick, show_chart
from dashboard.parts.view import View, page
from dashboard.questions import findings
from dashboard.questions.ages import Against, list_age_points
from pipeline.counted import count_of

AGAINST = {"Age": "age", "Odometer": "odometer", "Date": "date", "Another reading": "other"}
DOTS = {"One dot a van": "van", "One dot a scan": "scan"}


def take_pick(key: str) -> None:
    """A click on a dot chooses its van."""
    van = picked(key, "van")
    if van is not None:
        st.session_state["age_van"] = van
        remember_pick("age_chart", key, van)


def choose_against(readings: dict[str, Reading], first: Reading) -> tuple[Against | None, Reading | None]:
    """Draw the choice of what the reading is held against; None where the second reading is not known."""
    word = st.segmented_control(
        "Against", list(AGAINST), default="Odometer", key="age_against", bind="query-params", required=True
    )
    kind = AGAINST.get(word or "", "odometer")
    if kind != "other":
        return Against(kind), None
    # A scan holds the other reading in the same state, or in another one of the same visit.
    titles = sorted(readings, key=lambda t: (readings[t].state != first.state, t))
    titles = [t for t in titles if readings[t].parameter != first.parameter]
    is_stray = name_stray("age_other", titles, "No van of this fleet was ever read for")
    title = st.selectbox(
        "Other reading",
        titles,
        index=None,
        key="age_other",
        bind="query-params",
        placeholder="Choose the other reading",
    )
    if is_stray or title is None:
        return None, None
    other = readings[title]
    return Against("other", other.parameter, other.state), other


_HELD = {
    "age": "a known age",
    "odometer": "an odometer reading",
    "date": "a dated scan of the last year",
    "other": "the other reading",
}
_LACKS = {
    "age": "Write the model year, or the day it came into service, into the register; until then look by date.",
    "odometer": "Write down the odometer at every scan; until then look by age or date.",
}


def show_points(
    view: View, reading: Reading, against: Against, other: Reading | None, van: str | None
) -> None:
    """Draw the chart with what can be said of it."""
    dots = DOTS.get(st.session_state.get("age_dots") or "", "van")
    asked = (view.warehouse, reading.parameter, reading.state, against)
    points = list_age_points(*asked, dots, view.vans)
    if points.is_empty():
        lacks = _LACKS.get(against.kind, "Choose another reading, or show all vans.")
        st.info(
            f"No van shown here has both {escape(reading.title)} and {_HELD[against.kind]}. {lacks}",
            icon=":material/search_off:",
        )
        return
    path = list_age_points(*asked, "scan", [van] if van else [])
    with st.container(border=True):
        if against.kind == "date":
            st.markdown(
                f"**{escape(reading.title)} over the calendar, {count_of(points['van'].n_unique(), 'van')}.**"
            )
        else:
            per_van = points if dots == "van" else list_age_points(*asked, "van", view.vans)
            st.markdown(f"**{escape(say_association(associate(per_van), against.kind))}**")
        if against.kind in ("age", "odometer"):
            st.write(CONFOUNDED)
        st.caption(CAVEAT)
    key = pick_key("age_chart", van)
    show_chart(
        draw_ages(points, path, reading, against.kind, other, van, view.theme),
        key=key,
        on_pick=partial(take_pick, key),
    )
    st.caption(
        f"{AGES_KEY} The band is that of the vans shown; narrow the filters to one model to compare like with like."
    )
    if van and path.is_empty():
        st.caption(escape(f"Van {van} has no scan with both values."))
    offer_downloads(
        partial(picture_ages, view.warehouse, reading, against, other, dots, van, view.filters),
        points,
        file_stem(reading.title, "against", other.title if other else against.kind),
        key="age_save",
    )
    if van:
        link_to_van(f"All readings of van {escape(van)}", van)


@page("Age and mileage")
def show(view: View) -> None:
    """Any reading against age, kilometres, date or another reading."""
    readings = list_readings(view)
    if not readings:
        st.info(
            "No reading has been compared yet. Load more scans, then run `kinbay build`.",
            icon=":material/inbox:",
        )
        return
    st.write("Does a reading go with how old a van is or how far it has run?")
    found = findings.list_findings(view.warehouse, view.vans)
    left, right = st.columns([3, 2], vertical_alignment="bottom")
    notes = st.empty()
    with left:
        reading = choose_reading(readings, most_telling_reading(readings, found))
    with right:
        van = choose_van(view, "age_van", placeholder="Choose a van, or click a dot", notes=notes)
    if reading is None:
        return
    left, right = st.columns([3, 2], vertical_alignment="bottom")
    with left:
        against, other = choose_against(readings, reading)
    with right:
        st.segmented_control(
            "Dots", list(DOTS), default="One dot a van", key="age_dots", bind="query-params", required=True
        )
    if against is None:
        st.info("Choose the other reading.", icon=":material/arrow_upward:")
        return
    show_points(view, reading, against, other, van)


show()
