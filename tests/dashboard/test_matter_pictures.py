"""What stands on the page about one matter: the chart its claim rests on, and every section however long the others."""

from __future__ import annotations

import re

import polars as pl
import pytest

from dashboard.exports.matter_pictures import picture_matter
from dashboard.exports.report import Report, Section, lay_out
from dashboard.questions import findings, fleet
from dashboard.questions.filters import ALL_VANS
from dashboard.questions.warehouse import Warehouse, open_warehouse
from tests.conftest import Demo


@pytest.fixture(scope="module")
def opened(demo: Demo) -> Warehouse:
    return open_warehouse(demo.home)


@pytest.fixture(scope="module")
def found(opened: Warehouse) -> pl.DataFrame:
    return findings.list_findings(opened, fleet.list_shown_vans(opened, ALL_VANS)["van"].to_list())


@pytest.mark.parametrize(
    ("kind", "shows"),
    [
        ("van_level", "siblings"),
        ("van_change", "recent scans less earlier ones"),
        ("van_drift", "Climbs away"),
        ("reading_frozen", "over time"),
        ("code_persistent", "Strips over time"),
        ("reader_bias", "Yard tablet"),
        ("repair_effect", "EGR valve"),
    ],
)
def test_every_kind_has_the_chart_its_claim_rests_on(
    opened: Warehouse, found: pl.DataFrame, kind: str, shows: str
) -> None:
    row = found.filter((pl.col("kind") == kind) & (pl.col("tier") == "finding")).row(0, named=True)
    chart, key = picture_matter(opened, row) or pytest.fail(f"no chart for {kind}")
    assert shows in f"{chart.alt} {chart.spec}"
    assert key
    if row["van"] is not None:
        assert row["van"] in f"{chart.alt} {chart.data}"


def test_unsteadiness_is_drawn_as_unsteadiness_and_not_as_level(
    opened: Warehouse, found: pl.DataFrame
) -> None:
    row = found.filter(pl.col("movement") == "spread").row(0, named=True)
    drawn = picture_matter(opened, row)
    assert drawn is not None
    assert "scatter within a scan" in str(drawn[0].spec)


@pytest.mark.parametrize("n", [1, 9, 60])
def test_no_section_crowds_another_out_and_nothing_stands_in_the_foot(n: int) -> None:
    sections = tuple(
        Section(title, tuple(f"{title} {k} " + "and so on " * 9 for k in range(lines)))
        for title, lines in (("Asked", 2), ("Standing", n), ("Done", 3), ("Cost", 1))
    )
    page = lay_out(Report("A page", "facts", ("Lead.",), sections, foot=("Foot.",)))
    for title, lines in (("Asked", 2), ("Standing", 1), ("Done", 3), ("Cost", 1)):
        assert f"• {title} {lines - 1}" in page
    assert (n == 60) == ("more lines on the dashboard" in page)
    written = [float(y) for y in re.findall(r'<text x="[\d.]+" y="([\d.]+)"', page)]
    rule = max(float(y) for y in re.findall(r'<line x1="40.0" x2="555.0" y1="([\d.]+)"', page))
    assert sum(y > rule for y in written) == 2  # the foot's own line and the caveat
