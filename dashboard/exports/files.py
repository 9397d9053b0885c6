"""Charts and handouts written to a file, for the command line."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from dashboard.charts.frame import Chart
from dashboard.exports import dossier_print, report
from dashboard.exports.age_pictures import picture_ages
from dashboard.exports.brief import write_brief
from dashboard.exports.code_pictures import find_code, picture_code_shares, picture_code_strips
from dashboard.exports.cost_pictures import picture_costs
from dashboard.exports.dossier import is_about_a_group, write_dossier
from dashboard.exports.drift_pictures import find_drift, picture_drift
from dashboard.exports.exposure_pictures import (
    find_contrast,
    picture_exposure,
    picture_exposure_shifts,
)
from dashboard.exports.handout import print_html, print_pdf
from dashboard.exports.matter_page import write_matter
from dashboard.exports.month import read_month, write_month
from dashboard.exports.picture import KINDS, Caption, draw_picture
from dashboard.exports.reader_pictures import choose_two, picture_agreement, picture_biases
from dashboard.exports.reading_pictures import find_reading, picture_series, picture_siblings, picture_van
from dashboard.exports.repair_pictures import find_repair, picture_repair
from dashboard.exports.share_pictures import picture_shares
from dashboard.exports.van_facts import find_van
from dashboard.questions import exposures, fleet, readers
from dashboard.questions.ages import Against
from dashboard.questions.filters import ALL_VANS, Filters
from dashboard.questions.warehouse import Warehouse, open_warehouse
from pipeline.errors import KinbayError
from pipeline.settings import Home


@dataclass(frozen=True)
class Asked:
    """What a chart is to show; None where the person did not say.

    Parameters
    ----------
    van : str, optional
        The chosen van; charts of one van need it.
    parameter, state : str, optional
        Keys of the reading; without them, the reading most vans are judged on. For kind van, `state` narrows the
        readings.
    code : str, optional
        The code; of several modules the one with most vans.
    attribute : str, optional
        The exposure, such as parking; without it, the one that stands out most.
    against, other, dots : str
        For kind age: what the reading is held against (age, odometer, date, other), the key of the other reading, and
        whether a dot is a van or a scan.
    filters : Filters
        Which vans are shown; siblings stay whole.
    """

    van: str | None = None
    parameter: str | None = None
    state: str | None = None
    code: str | None = None
    attribute: str | None = None
    against: str = "odometer"
    other: str | None = None
    dots: str = "van"
    filters: Filters = ALL_VANS

    def need_van(self, kind: str) -> str:
        """Return the van.

        Raises
        ------
        KinbayError
            Where none was named.
        """
        if self.van is None:
            raise KinbayError(f"The chart {kind!r} needs a van", remedy="Name one with --van.")
        return self.van


Picture = tuple[Chart, Caption]


def _siblings(warehouse: Warehouse, asked: Asked) -> Picture:
    reading = find_reading(warehouse, asked.parameter, asked.state)
    return picture_siblings(warehouse, reading, asked.van, asked.filters)


def _van(warehouse: Warehouse, asked: Asked) -> Picture:
    return picture_van(warehouse, asked.need_van("van"), "level", asked.state)


def _series(warehouse: Warehouse, asked: Asked) -> Picture:
    van = asked.need_van("series")
    return picture_series(warehouse, van, find_reading(warehouse, asked.parameter, asked.state))


def _drift(warehouse: Warehouse, asked: Asked) -> Picture:
    """One reading of a van against its siblings through time; the surest where none is named."""
    van = asked.need_van("drift")
    return picture_drift(warehouse, van, find_drift(warehouse, van, asked.parameter, asked.state))


def _age(warehouse: Warehouse, asked: Asked) -> Picture:
    """One reading against age, kilometres, date or another reading of the same state."""
    reading = find_reading(warehouse, asked.parameter, asked.state)
    drawn = (asked.dots, asked.van, asked.filters)
    if asked.other is not None:
        other = find_reading(warehouse, asked.other, reading.state)
        return picture_ages(warehouse, reading, Against("other", other.parameter, other.state), other, *drawn)
    if asked.against == "other":
        raise KinbayError(
            "The other reading is not named",
            remedy="Name its key with --other, as in --other engine_load.",
        )
    return picture_ages(warehouse, reading, Against(asked.against), None, *drawn)


def _codes(warehouse: Warehouse, asked: Asked) -> Picture:
    """All codes group by group, or one code over the shown vans, or on one of them."""
    if asked.code is None:
        return picture_code_shares(warehouse, asked.filters)
    shown = (
        [asked.van]
        if asked.van is not None
        else fleet.list_shown_vans(warehouse, asked.filters)["van"].to_list()
    )
    return picture_code_strips(warehouse, find_code(warehouse, asked.code, shown), asked.filters, shown)


def _exposure(warehouse: Warehouse, asked: Asked) -> Picture:
    """All readings tested against an exposure, or one of them van by van."""
    contrast = find_contrast(exposures.list_exposure_effects(warehouse), asked.attribute)
    if asked.parameter is None:
        return picture_exposure_shifts(warehouse, contrast)
    reading = find_reading(warehouse, asked.parameter, asked.state)
    return picture_exposure(warehouse, contrast, reading, asked.filters)


def _repair(warehouse: Warehouse, asked: Asked) -> Picture:
    """One piece of work in one reading; what did not hold first where little is named."""
    return picture_repair(warehouse, find_repair(warehouse, asked.van, asked.parameter, asked.state))


def _costs(warehouse: Warehouse, asked: Asked) -> Picture:
    return picture_costs(warehouse, asked.filters, asked.van)


def _shares(warehouse: Warehouse, asked: Asked) -> Picture:
    return picture_shares(warehouse, asked.state or "warm_idle")


def _readers(warehouse: Warehouse, asked: Asked) -> Picture:
    """A reader against the reference in all readings, or how the two agree in one."""
    two = choose_two(readers.list_reader_effects(warehouse), readers.list_reader_meetings(warehouse))
    if asked.parameter is None:
        return picture_biases(warehouse, two[0])
    return picture_agreement(
        warehouse, two, find_reading(warehouse, asked.parameter, asked.state), asked.filters
    )


# Kind of chart -> who draws it. A new kind is one entry here and one in `dashboard.cli.ChartKind`.
CHARTS: dict[str, Callable[[Warehouse, Asked], Picture]] = {
    "siblings": _siblings,
    "van": _van,
    "series": _series,
    "age": _age,
    "drift": _drift,
    "codes": _codes,
    "repair": _repair,
    "costs": _costs,
    "exposure": _exposure,
    "readers": _readers,
    "shares": _shares,
}


def _suffix(out: Path, allowed: tuple[str, ...]) -> str:
    kind = out.suffix.lower().lstrip(".")
    if kind not in allowed:
        raise KinbayError(
            "This kind of file cannot be written", out.name, f"End it in .{', '.join(allowed)}."
        )
    return kind


def chart_file(home_path: Path, kind: str, asked: Asked, out: Path) -> None:
    """Write a titled chart to `out` (.png, .svg or .pdf).

    Parameters
    ----------
    home_path : Path
        The home whose published build is drawn.
    kind : str
        A key of `CHARTS`.
    asked : Asked
        What the chart is to show.
    out : Path
        The file to write.

    Raises
    ------
    KinbayError
        Where nothing is built, a name is unknown, or the file's ending is not one of the three.
    """
    suffix = _suffix(out, KINDS)
    warehouse = open_warehouse(Home(home_path))
    if asked.van is not None:
        find_van(warehouse, asked.van)
    chart, caption = CHARTS[kind](warehouse, asked)
    out.write_bytes(draw_picture(chart, caption, suffix))


def handout_file(
    home_path: Path,
    out: Path,
    *,
    van: str | None = None,
    finding: str | None = None,
    month: str | None = None,
) -> None:
    """Write one page for a manager to `out` (.pdf or .html): about a van, a finding or a month.

    Raises
    ------
    KinbayError
        Where not exactly one of the three is named, nothing is built, the name is unknown, or the file's ending
        is neither.
    """
    suffix = _suffix(out, ("pdf", "html"))
    if sum(asked is not None for asked in (van, finding, month)) != 1:
        raise KinbayError(
            "A handout is about one van, one finding or one month",
            remedy="Name one with --van, --finding or --month.",
        )
    home = Home(home_path)
    warehouse = open_warehouse(home)
    if van is not None:
        brief = write_brief(warehouse, van)
        out.write_bytes(print_pdf(brief) if suffix == "pdf" else print_html(brief))
        return
    if finding is not None and is_about_a_group(warehouse, finding):
        written = write_dossier(warehouse, finding)
        as_pdf = suffix == "pdf"
        out.write_bytes(dossier_print.print_pdf(written) if as_pdf else dossier_print.print_html(written))
        return
    if finding is not None:
        page = write_matter(warehouse, home, finding)
    else:
        page = write_month(warehouse, home, read_month(month or ""))
    out.write_bytes(report.print_pdf(page) if suffix == "pdf" else report.print_html(page))
