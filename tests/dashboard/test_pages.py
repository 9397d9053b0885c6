"""The pages as a person meets them: wording, filters, links, empty and error states, hostile names."""

from __future__ import annotations

import re
from pathlib import Path
from urllib.parse import parse_qs

import duckdb
import polars as pl
import pytest
from streamlit.testing.v1 import AppTest

import dashboard
from dashboard.charts.words import CAVEAT
from dashboard.parts.page_files import PAGES
from tests.dashboard import fleet as invented
from tests.dashboard.fleet import HOSTILE_VAN, Fleet
from tests.dashboard.shown import open_page, read_page

BOXES = {"age": "age_van", "reading": "reading_van"}
UNBUILT = {"add": "Add data", "enter": "Write down a scan", "help": "How to read this"}
FIRST_LINES = {
    "look": "stand out",
    "reading": "outside",
    "age": "Does a reading go with how old a van is",
    "shares": "Is a difference the van's own",
    "van": "Choose a van above",
    "parking": "readings differ",
    "codes": "codes on the vans shown",
    "repairs": "Work on the vans shown",
    "costs": "entries have a cost",
    "readers": "readers on the vans shown",
    "data": "scans of 31 vans",
    "add": "Nothing is stored before you have seen",
    "enter": "For readers that cannot export",
    "month": "5 of 31 vans stand out from their siblings",
    "help": "Each van is compared with its siblings",
}


def _id_of(claim: str) -> str:
    """The id of the finding whose claim holds these words."""
    found = invented.build_tables()["findings"].filter(pl.col("claim").str.contains(claim, literal=True))
    return str(found["finding_id"][0])


@pytest.mark.parametrize("page", list(PAGES))
def test_every_page_says_in_its_first_line_what_matters(
    fleet: Fleet, page: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_page(fleet.home, page, monkeypatch)
    assert not at.exception
    assert not at.error
    first = (*at.info, *at.markdown) if page == "van" else at.markdown
    assert FIRST_LINES[page] in first[0].value


def test_the_count_stands_beside_what_chance_would_raise_and_the_caveat(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_page(fleet.home, "look", monkeypatch)
    assert at.markdown[0].value.startswith(
        "**7 matters stand out: 6 of single vans (on 5 vans), 1 of many vans at once or of a reader.** 616 comparisons"
    )
    assert "chance alone would raise about 0.2 of them" in at.markdown[0].value
    assert CAVEAT in read_page(at)
    assert "Data to 30 Sep 2026" in read_page(at)


def test_a_finding_has_claim_figures_sureness_rivals_next_check_and_caution(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_page(fleet.home, "look", monkeypatch)
    label = next(e.label for e in at.main.expander if "9\\.99" in e.label)
    assert label.startswith("▼ **Reads 9\\.99 °C lower than its 11 siblings")
    line = "Stands out · −10.0 °C (95 %: −10.3 to −9.7) · 11 siblings, 13 scans. Next check: Read it again on this van"
    assert line in read_page(at)
    assert "**Caution.** Hot coolant is under pressure." in read_page(at)
    at.session_state[f"look_{_id_of('9.99')}"] = True
    text = read_page(at.run())
    for part in (
        "Van 047",
        "Van 047 reads 9.99 °C lower than its 11 siblings",
        "Stands out against its siblings. Difference −10.0 °C (95 % interval −10.3 to −9.7). 11 siblings, 13 scans, 25 Oct 2025 to 23 Sep 2026.",
        "Holds even if healthy siblings vary wildly",
        "**Next check.** Read it again",
        "- another model year of the same part",
        "**Caution.** Hot coolant is under pressure: do not open until cold.",
    ):
        assert part in text


def test_the_list_is_short_at_first_and_goes_on_when_asked(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_page(fleet.home, "look", monkeypatch)
    beside = ["What changed", "Not seen, not answered"]
    assert [h.value for h in at.main.header][8:] == beside
    at.button(key="look_more").click().run()
    assert len(at.main.header) > 8 + len(beside)
    assert "Yard tablet reads 1.4 °C above" in read_page(at)


def test_findings_are_grouped_by_van_and_a_caution_is_said_once_a_van(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_page(fleet.home, "look", monkeypatch)
    at.button(key="look_more").click().run()
    heads = [h.value for h in at.main.header]
    assert heads.count("Van 047") == 1
    cautions = [c.value for c in at.caption if "Hot coolant" in c.value]
    found = invented.build_tables()["findings"].filter(pl.col("tier").is_in(["finding", "likely"]))
    warned = found.filter(pl.col("cautions").str.contains("Hot coolant"))
    assert warned.height > warned["van"].n_unique()
    assert len(cautions) == warned["van"].n_unique()


def test_watch_is_shown_when_asked_for(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    at = open_page(fleet.home, "look", monkeypatch, look_sure="Watch")
    assert "Went back 41,000 km" in read_page(at)
    assert "9.99" not in read_page(at)


def test_nothing_to_show_is_not_called_healthy(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    at = open_page(fleet.home, "look", monkeypatch, look_sure="Not enough evidence")
    assert "no proof that all is well" in at.info[0].value


def test_filters_narrow_every_page_and_are_named(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    at = open_page(fleet.home, "look", monkeypatch, model="Ostrey Pell", depot=["Mill Lane"])
    assert "vans shown: Ostrey Pell; Mill Lane" in read_page(at)
    assert "Van 047" not in read_page(at)
    at = open_page(fleet.home, "data", monkeypatch, model="Ostrey Pell", depot=["Mill Lane"])
    assert "of 6 vans" in at.markdown[0].value


@pytest.mark.parametrize("page", ["look", "reading", "van", "parking", "codes", "readers", "data", "help"])
def test_filters_that_leave_nothing_offer_a_way_out(
    fleet: Fleet, page: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_page(fleet.home, page, monkeypatch, model="Ostrey Pell", model_year="2014", age=["8", "9"])
    assert "No van matches these filters" in at.info[0].value
    at.button(key="clear_from_page").click().run()
    assert not at.info or "No van matches" not in at.info[0].value
    assert "model" not in at.query_params


def test_the_verdict_has_value_difference_interval_range_and_n(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_page(
        fleet.home, "reading", monkeypatch, reading_van="047", reading="Engine coolant temperature, warm idle"
    )
    text = read_page(at)
    assert "▼ **Van 047 reads below its siblings.**" in text
    assert "75.5 °C from 13 scans; −10.3 °C against its siblings (95 % interval −11.4 to −9.1)." in text
    assert "A healthy sibling would fall between 82.3 and 89.2 °C; 11 siblings." in text
    assert "Blue handheld shows 80.0 to 98.0 °C as its own limit: 1 of 12 vans" in text


def test_change_is_told_as_change(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    at = open_page(
        fleet.home,
        "reading",
        monkeypatch,
        reading_van="051",
        reading="Injection quantity, warm idle",
        reading_measure="Change",
    )
    assert "▲ **Van 051 has risen more than its siblings.**" in read_page(at)


def test_a_van_that_cannot_be_judged_says_why(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    at = open_page(
        fleet.home, "reading", monkeypatch, reading_van="082", reading="Engine coolant temperature, warm idle"
    )
    assert "✚ **Van 082 is not judged here: only 2 siblings have this reading; 3 are needed.**" in read_page(
        at
    )


def test_the_reading_that_tells_most_is_put_into_the_address(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_page(fleet.home, "reading", monkeypatch, reading_van="047", depot="Mill Lane")
    assert at.query_params["reading"] == "Engine coolant temperature, steady cruise"
    assert at.selectbox(key="reading").value == "Engine coolant temperature, steady cruise"
    assert at.selectbox(key="reading_van").value == "047"


def test_an_address_that_asks_for_what_is_not_there_is_answered(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_page(fleet.home, "reading", monkeypatch, reading="Wing flutter, warm idle")
    assert "No van of this fleet was ever read for “Wing flutter, warm idle”" in read_page(at)
    assert not at.error
    at = open_page(fleet.home, "van", monkeypatch, van="<b>999</b>")
    assert "Among the vans shown there is none called “<b>999</b>”" in read_page(at)
    assert not at.error


def test_a_van_never_read_for_a_reading_is_told_apart_from_a_healthy_one(
    own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    tables = invented.build_tables()
    gone = (pl.col("van") == "041") & (pl.col("parameter") == "coolant_temp")
    for name in ("sibling_scores", "scan_levels"):
        tables[name] = tables[name].filter(~gone)
    invented.publish(own_fleet.home, build=2, tables=tables)
    at = open_page(
        own_fleet.home,
        "reading",
        monkeypatch,
        reading_van="041",
        reading="Engine coolant temperature, warm idle",
    )
    assert "Van 041 was never read for Engine coolant temperature, warm idle" in read_page(at)
    assert "Not scanned is not the same as no fault." in read_page(at)


def test_one_van_shows_counts_codes_work_notes_and_conflicts(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = read_page(open_page(fleet.home, "van", monkeypatch, van="047"))
    assert "2 of 22 comparisons stand out" in text
    assert "Tarnwell Bracken 22 2.2D 2014 · Mill Lane" in text
    assert "replaced thermostat" in text
    assert "slow to warm up, heater weak (driver)" in text
    assert "No code is on record. That counts only for modules that were asked and answered." in text
    assert "Records that contradict each other" in read_page(
        open_page(fleet.home, "van", monkeypatch, van="061")
    )


def test_one_van_is_followed_through_time(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    at = open_page(fleet.home, "van", monkeypatch, van="047")
    assert "1 of 2 readings followed month by month moves away from the siblings." in read_page(at)
    assert "1 more has too few scans to be followed." in read_page(at)
    rows = next(f.value for f in at.dataframe if "course" in f.value).to_dict("records")
    assert [r["course"] for r in rows] == ["▼ Falls away", "● No drift shown", "✚ Not followed"]
    assert (rows[0]["pace"], rows[0]["total"]) == ("−0.55", "−9.0 (−11.5 to −6.6)")
    assert rows[0]["edge"].startswith("about ")
    assert "to later" in rows[0]["edge"]
    assert "fits less well" in rows[0]["step"]
    assert not isinstance(rows[1]["edge"], str)
    assert "Over time, against the siblings" not in read_page(
        open_page(fleet.home, "van", monkeypatch, van="061")
    )


def test_a_state_narrows_the_readings_of_a_van(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    everything = open_page(fleet.home, "van", monkeypatch, van="047").dataframe[0].value
    cruise = (
        open_page(fleet.home, "van", monkeypatch, van="047", van_state="steady cruise").dataframe[0].value
    )
    assert len(everything) == 11
    assert len(cruise) == 2


def test_data_lists_refusals_with_remedies_and_contradictions(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_page(fleet.home, "data", monkeypatch)
    assert "1 row refused; 1 contradiction" in at.markdown[0].value
    tables = [frame.value for frame in at.dataframe]
    assert any(
        "Write one decimal point." in str(t.get("remedy", pl.Series()).tolist())
        for t in tables
        if "remedy" in t
    )
    assert any("odometer went back" in str(t["detail"].tolist()) for t in tables if "detail" in t)


@pytest.mark.parametrize("page", list(PAGES))
def test_hostile_names_and_notes_are_shown_letter_by_letter(
    fleet: Fleet, page: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_page(fleet.home, page, monkeypatch, **{BOXES.get(page, "van"): HOSTILE_VAN})
    assert not at.exception
    shown = [*at.markdown, *at.caption, *at.info, *at.error, *at.header, *at.warning]
    for element in shown:
        assert not re.search(r"(?<!\\)<(img|script)|(?<!\\)\]|http:/|\u202e", element.value)
    if page == "van":
        assert "evil <script>x</script>" in read_page(at)


@pytest.mark.parametrize("page", list(PAGES))
def test_without_a_build_a_page_takes_data_in_explains_or_says_what_to_do(
    tmp_path: Path, page: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_page(tmp_path, page, monkeypatch)
    if page in UNBUILT:
        assert at.title[0].value == UNBUILT[page]
    else:
        assert at.title[0].value == "No fleet to show yet"
        assert [code.value for code in at.code] == ["kinbay demo", "kinbay load\nkinbay build"]
        ways = [link.proto.page for link in at.main.get("page_link")]
        assert ways[:2] == ["add_data", "write_scan"]
    assert not at.error
    assert not at.exception


def _damage(home: Path, statement: str) -> None:
    with duckdb.connect(str(home / "warehouse" / "marts-000001.duckdb")) as connection:
        connection.execute(statement)


@pytest.mark.parametrize(
    ("page", "statement"),
    [
        ("look", "drop table findings"),
        ("reading", "alter table sibling_scores drop column verdict"),
        ("van", "drop table work"),
        ("parking", "drop table exposure_overlaps"),
        ("readers", "drop table module_coverage"),
        ("codes", "drop table code_prevalence"),
        ("data", "drop table rejects"),
        ("help", "drop table cautions"),
        ("look", "drop table builds"),
    ],
)
def test_a_build_of_another_version_says_what_to_run(
    own_fleet: Fleet,
    page: str,
    statement: str,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    _damage(own_fleet.home, statement)
    at = open_page(
        own_fleet.home, page, monkeypatch, van="047", reading="Engine coolant temperature, warm idle"
    )
    assert not at.exception
    assert "built by another version" in read_page(at)
    assert "kinbay build" in [code.value for code in at.code]
    assert not at.error
    _assert_told_without_its_inside(at, own_fleet.home, caplog)


def test_a_fault_shows_a_reference_and_neither_path_nor_traceback(
    own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    _damage(
        own_fleet.home,
        "alter table rejects rename to kept;"
        " create view rejects as select * from kept where error('no page') is null",
    )
    at = open_page(own_fleet.home, "data", monkeypatch)
    assert not at.exception
    assert "could not answer" in read_page(at)
    assert "Nothing was changed" in read_page(at)
    _assert_told_without_its_inside(at, own_fleet.home, caplog)


def _assert_told_without_its_inside(at: AppTest, home: Path, caplog: pytest.LogCaptureFixture) -> None:
    text = read_page(at)
    reference = next(c.value for c in at.caption if c.value.startswith("Reference"))
    assert reference.split()[1].rstrip(":") in caplog.text
    for hidden in (str(home), "Traceback", ".sql", "duckdb"):
        assert hidden not in text


def test_a_new_build_is_shown_without_a_restart(own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    at = open_page(own_fleet.home, "data", monkeypatch)
    assert "of 31 vans" in at.markdown[0].value
    tables = invented.build_tables()
    tables["vans"] = tables["vans"].filter(pl.col("van") != "041")
    invented.publish(own_fleet.home, build=2, tables=tables)
    at.run()
    assert "of 30 vans" in at.markdown[0].value
    assert any("b0000002" in c.value for c in at.sidebar.caption)


def test_a_van_without_findings_or_cells_has_an_empty_state(
    own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    tables = invented.build_tables()
    tables["sibling_scores"] = tables["sibling_scores"].filter(pl.col("van") != "041")
    invented.publish(own_fleet.home, build=2, tables=tables)
    text = read_page(open_page(own_fleet.home, "van", monkeypatch, van="041"))
    assert "Nothing can be said yet" in text
    assert "No reading of this van has been compared" in text


def test_where_nothing_could_be_compared_no_page_says_that_all_is_well(
    own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    tables = invented.build_tables()
    tables["findings"] = tables["findings"].clear()
    tables["sibling_scores"] = tables["sibling_scores"].with_columns(
        pl.lit(None, pl.Float64).alias("p"), pl.lit("not_judged").alias("verdict")
    )
    invented.publish(own_fleet.home, build=2, tables=tables)
    look = read_page(open_page(own_fleet.home, "look", monkeypatch))
    assert "No van could be compared yet" in look
    assert "Nothing stands out" not in look
    reading = open_page(own_fleet.home, "reading", monkeypatch)
    assert "No van can be judged here yet" in read_page(reading)


def test_the_line_of_a_single_scan_has_a_scale_with_height(
    own_fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A table shows a line as an invalid number where its scale begins and ends at the same value."""
    tables = invented.build_tables()
    tables["scan_levels"] = tables["scan_levels"].with_columns(pl.lit(88.0).alias("value"))
    invented.publish(own_fleet.home, build=2, tables=tables)
    at = open_page(own_fleet.home, "reading", monkeypatch, reading="Engine coolant temperature, warm idle")
    (line,) = re.findall(r'"line_chart"[^}]*', at.dataframe[0].proto.columns)
    assert '"y_min": 87.0' in line
    assert '"y_max": 89.0' in line


def test_links_carry_the_choice_and_leave_the_filters_to_their_boxes(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_page(fleet.home, "look", monkeypatch, model="Tarnwell Bracken 22")
    for opened in at.expander:
        at.session_state[str(opened.key)] = True
    at.run()
    links = [(link.proto.page, parse_qs(link.proto.query_string)) for link in at.main.get("page_link")]
    readings = [query for page, query in links if page == "one_reading"]
    assert readings[0] == {
        "reading": ["Engine coolant temperature, steady cruise"],
        "reading_van": ["047"],
        "reading_measure": ["Level"],
    }
    assert any(query["reading_measure"] == ["Change"] for query in readings)
    assert next(query for page, query in links if page == "one_van") == {"van": ["047"]}


def test_the_van_chosen_on_one_page_is_chosen_on_the_next(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = open_page(fleet.home, "van", monkeypatch, van="047")
    at.query_params.clear()
    at.switch_page(str(PAGES["reading"])).run()
    assert at.selectbox(key="reading_van").value == "047"
    assert at.query_params["reading_van"] == "047"
    at.selectbox(key="reading_van").set_value(None).run()
    assert at.selectbox(key="reading_van").value is None


def test_no_module_of_the_dashboard_hides_one_of_the_standard_library() -> None:
    """Streamlit puts the folder first on the path: `statistics.py` in it would be found instead."""
    import sys

    folder = Path(dashboard.__file__).parent
    own = {path.stem for path in folder.glob("*.py")} | {
        path.name for path in folder.iterdir() if path.is_dir()
    }
    assert not own & set(sys.stdlib_module_names)
