"""A dossier for the maker or supplier: what a whole group of vans shows, van by van, with counts and caveats."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from dashboard.charts.code_names import Code
from dashboard.charts.frame import Chart
from dashboard.charts.matter_words import TIERS
from dashboard.charts.words import Reading, clean_text, format_number
from dashboard.exports.code_pictures import find_code, picture_code_strips
from dashboard.exports.reading_pictures import picture_siblings
from dashboard.questions import findings, fleet
from dashboard.questions.filters import ALL_VANS, Filters
from dashboard.questions.warehouse import Warehouse
from pipeline.counted import count_of
from pipeline.errors import KinbayError

KINDS = ("code_fleetwide", "cohort_offset")
_CODE_HEADS = (
    "Van",
    "Chassis number",
    "In service",
    ">Km",
    "Now",
    ">Scans",
    "First seen",
    ">At km",
    "Last seen",
)
_CODE_SHARES = (0.07, 0.21, 0.12, 0.09, 0.11, 0.08, 0.12, 0.09, 0.11)
_READING_HEADS = ("Van", "Chassis number", "In service", ">Km", ">Mean", ">Scans", "Last scan", "Codes on it")
_READING_SHARES = (0.07, 0.21, 0.12, 0.09, 0.12, 0.07, 0.13, 0.19)
_MOST_STRIPS = 9  # as many vans over time as one page holds in letters that can be read; the table has all
LIMITS = (
    "Vans of one owner, read in a workshop: not a sample of all vans of this kind. A van whose control unit was not"
    " asked or did not answer is counted as not known, never as free of it. Readers differ in what they ask and show."
)


@dataclass(frozen=True)
class Dossier:
    """What goes on paper; texts cleaned, nothing left to look up.

    Parameters
    ----------
    title, facts, claim, certainty : str
        What it is about, the group, what is claimed, and how sure that is.
    heads, shares : tuple
        Heads of the table, ">" in front of those set to the right, and each column's share of the width.
    rows : list of list of str
        One row per van of the group.
    chart : Chart, optional
        The group's vans over time, or beside those of other model years.
    key : str
        How to read the chart.
    rivals, cautions : list of str
        What else it could be; what to mind.
    next_check, origin : str
        What to do next; data date and build.
    """

    title: str
    facts: str
    claim: str
    certainty: str
    heads: tuple[str, ...]
    shares: tuple[float, ...]
    rows: list[list[str]]
    chart: Chart | None
    key: str
    rivals: list[str]
    cautions: list[str]
    next_check: str
    origin: str


def is_about_a_group(warehouse: Warehouse, finding_id: str) -> bool:
    """Whether a finding is one that a dossier is made of; False where there is no such finding."""
    found = findings.describe_finding(warehouse, finding_id)
    return not found.is_empty() and found["kind"][0] in KINDS and found["make"][0] is not None


def find_cohort_finding(warehouse: Warehouse, finding_id: str) -> dict[str, Any]:
    """Return the finding of a whole group.

    Raises
    ------
    KinbayError
        Where there is no such finding, or it is not about a whole group.
    """
    found = findings.describe_finding(warehouse, finding_id)
    if found.is_empty():
        raise KinbayError(
            f"There is no finding {clean_text(finding_id)!r} in the newest build",
            remedy="See kinbay findings for the ids; a matter that no longer stands out has none.",
        )
    row: dict[str, Any] = found.row(0, named=True)
    if row["kind"] not in KINDS or row["make"] is None:
        raise KinbayError(
            "This finding is not about a whole group of vans",
            finding_id,
            f"A dossier is made of {' or '.join(KINDS)}: see kinbay findings --kind {KINDS[0]}.",
        )
    return row


def _say_interval(row: dict[str, Any], reading: Reading | None) -> str:
    low, high = row["interval_low"], row["interval_high"]
    if low is None:
        return "no interval"
    if row["difference"] is not None and reading is not None:
        ends = f"{reading.say(low, signed=True, unit=False)} to {reading.say(high, signed=True)}"
        return f"difference {reading.say(row['difference'], signed=True)}, 95 % interval {ends}"
    return f"share {100 * row['value']:.0f} % of vans, 95 % interval {100 * low:.0f} to {100 * high:.0f} %"


def _day(moment: Any) -> str:
    return "–" if moment is None else f"{moment:%d %b %Y}"


def _km(value: float | None) -> str:
    return "–" if value is None else format_number(value, 0)


def _van_row(van: dict[str, Any], finding: dict[str, Any], reading: Reading | None) -> list[str]:
    start = [
        clean_text(van["van"]),
        clean_text(van["vin"]) or "–",
        _day(van["in_service"]),
        _km(van["odometer_km"]),
    ]
    if finding["code"] is not None:
        words = {"with": "has it", "without": "has it not"}
        stands = words.get(van["code_standing"] or "", "not known")
        counts = f"{van['code_n_present'] or 0} of {van['code_n_scans'] or 0}"
        times = [_day(van["code_first_seen"]), _km(van["code_first_km"]), _day(van["code_last_seen"])]
        return [*start, stands, counts, *times]
    is_read = van["reading_value"] is not None and reading is not None
    value = reading.say(van["reading_value"]) if is_read and reading is not None else "not read"
    codes = ", ".join(clean_text(c) for c in van["codes_now"] or []) or "none"
    return [*start, value, str(van["reading_n_scans"] or 0), _day(van["last_scan_at"]), codes]


def _draw(warehouse: Warehouse, row: dict[str, Any], names: list[str]) -> tuple[Chart | None, str]:
    """The chart of the group with how to read it: the code over time, or the reading beside other model years."""
    if row["code"] is not None:
        code = find_code(warehouse, Code(row["module"] or "", row["code"], "", "other").short, names)
        chart, caption = picture_code_strips(warehouse, code, ALL_VANS, names, _MOST_STRIPS)
    elif row["parameter"] is not None:
        family = Filters(models=(f"{row['make']} {row['model']}",))
        chart, caption = picture_siblings(warehouse, Reading.from_row(row), None, family)
    else:
        return None, ""
    return chart, caption.key


def write_dossier(warehouse: Warehouse, finding_id: str) -> Dossier:
    """Gather what a dossier on a finding about a whole group says.

    Raises
    ------
    KinbayError
        Where there is no such finding, or it is not about a whole group.
    """
    row = find_cohort_finding(warehouse, finding_id)
    build = fleet.describe_build(warehouse).row(0, named=True)
    vans = findings.list_dossier_vans(warehouse, row)
    reading = None if row["parameter"] is None else Reading.from_row(row)
    named = [clean_text(row[k]) for k in ("make", "model", "engine", "model_year") if row[k] is not None]
    is_code = row["code"] is not None
    subject = f"code {Code(row['module'] or '', row['code'], '', 'other').short}" if is_code else "reading"
    km = [v for v in vans["odometer_km"].to_list() if v is not None]
    driven = f", {_km(min(km))} to {_km(max(km))} km" if km else ""
    chart, key = _draw(warehouse, row, vans["van"].to_list())
    return Dossier(
        title=f"{' '.join(named)}: {subject if is_code or reading is None else reading.title}",
        facts=f"{count_of(vans.height, 'van')} of the group in this fleet{driven};"
        f" {count_of(int(vans['n_scans'].fill_null(0).sum()), 'scan')}.",
        claim=clean_text(row["claim"]),
        certainty=f"{TIERS.get(row['tier'], row['tier'])}; {_say_interval(row, reading)};"
        f" {count_of(row['n_vans'], 'van')} counted; seen {_day(row['first_seen'])} to {_day(row['last_seen'])}.",
        heads=_CODE_HEADS if is_code else _READING_HEADS,
        shares=_CODE_SHARES if is_code else _READING_SHARES,
        rows=[_van_row(v, row, reading) for v in vans.iter_rows(named=True)],
        chart=chart,
        key=key,
        rivals=[clean_text(r) for r in row["rival_list"]],
        cautions=[clean_text(c) for c in row["caution_list"]],
        next_check=clean_text(row["next_check"]),
        origin=f"Data to {build['data_to']:%d %b %Y}, build {build['build_id']}, finding {row['finding_id']}.",
    )
