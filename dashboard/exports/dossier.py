"""A dossier for the maker or supplier: what a whole group of vans shows, van by van, with counts and caveats."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import Any

import polars as pl

from dashboard.charts.code_names import Code
from dashboard.charts.palette import PRINT
from dashboard.charts.words import CAVEAT, Reading, clean_text, count_of, format_number
from dashboard.exports.handout import TIERS
from dashboard.exports.sheet import Sheet, convert
from dashboard.questions import findings, fleet
from dashboard.questions.warehouse import Warehouse
from pipeline.errors import KinbayError

KINDS = ("code_fleetwide", "cohort_offset")
A4 = (595, 842)
_FOOT = 120  # points kept free at the bottom of each page
_SHARES = [0.08, 0.22, 0.13, 0.1, 0.12, 0.09, 0.13, 0.13]
_LIMITS = (
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
    heads : list of str
        Heads of the table, ">" in front of those set to the right.
    rows : list of list of str
        One row per van of the group.
    rivals, cautions : list of str
        What else it could be; what to mind.
    next_check, origin : str
        What to do next; data date and build.
    """

    title: str
    facts: str
    claim: str
    certainty: str
    heads: list[str]
    rows: list[list[str]]
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


def _van_row(van: dict[str, Any], finding: dict[str, Any], reading: Reading | None) -> list[str]:
    km = "–" if van["odometer_km"] is None else format_number(van["odometer_km"], 0)
    start = [clean_text(van["van"]), clean_text(van["vin"]) or "–", _day(van["in_service"]), km]
    if finding["code"] is not None:
        words = {"with": "has it", "without": "has it not"}
        stands = words.get(van["code_standing"] or "", "not known")
        counts = f"{van['code_n_present'] or 0} of {van['code_n_scans'] or 0}"
        return [*start, stands, counts, _day(van["code_first_seen"]), _day(van["code_last_seen"])]
    value = (
        "not read" if van["reading_value"] is None or reading is None else reading.say(van["reading_value"])
    )
    return [*start, value, str(van["reading_n_scans"] or 0), "", _day(van["last_scan_at"])]


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
    group = " ".join(
        clean_text(row[k]) for k in ("make", "model", "engine", "model_year") if row[k] is not None
    )
    if row["code"] is not None:
        subject = f"code {Code(row['module'] or '', row['code'], '', 'other').short}"
        heads = [
            "Van",
            "Chassis number",
            "In service",
            ">Km",
            ">Now",
            ">Scans",
            ">First seen",
            ">Last seen",
        ]
    else:
        subject = reading.title if reading is not None else "reading"
        heads = ["Van", "Chassis number", "In service", ">Km", ">Mean", ">Scans", "", ">Last scan"]
    km = [v for v in vans["odometer_km"].to_list() if v is not None]
    driven = f", {format_number(min(km), 0)} to {format_number(max(km), 0)} km" if km else ""
    return Dossier(
        title=f"{group}: {subject}",
        facts=f"{count_of(vans.height, 'van')} of the group in this fleet{driven};"
        f" {count_of(int(vans['n_scans'].fill_null(0).sum()), 'scan')}.",
        claim=clean_text(row["claim"]),
        certainty=f"{TIERS.get(row['tier'], row['tier'])}; {_say_interval(row, reading)};"
        f" {count_of(row['n_vans'], 'van')} counted; seen {_day(row['first_seen'])} to {_day(row['last_seen'])}.",
        heads=heads,
        rows=[_van_row(v, row, reading) for v in vans.iter_rows(named=True)],
        rivals=[clean_text(r) for r in row["rival_list"]],
        cautions=[clean_text(c) for c in row["caution_list"]],
        next_check=clean_text(row["next_check"]),
        origin=f"Data to {build['data_to']:%d %b %Y}, build {build['build_id']}, finding {row['finding_id']}.",
    )


def _lay_notes(sheet: Sheet, dossier: Dossier) -> None:
    for title, lines in (("Could also be", dossier.rivals), ("Cautions", dossier.cautions)):
        if lines:
            sheet.write(title, size=12, bold=True, gap=2)
            for line in lines:
                sheet.write(line, size=9.5, indent=8, gap=2)
    sheet.write("Next check", size=12, bold=True, gap=2)
    sheet.write(dossier.next_check, size=9.5, indent=8)
    sheet.rule()
    sheet.write(_LIMITS, size=8.5, colour=PRINT.faint, gap=2)
    sheet.write(dossier.origin, size=8.5, colour=PRINT.faint, gap=2)
    sheet.write(CAVEAT, size=9, bold=True)


def lay_out(dossier: Dossier) -> str:
    """Return the dossier as one SVG sheet, A4 wide and as long as its vans need."""
    sheet = Sheet(width=A4[0])
    sheet.write(dossier.title, size=18, bold=True, gap=3)
    sheet.write(dossier.facts, size=9.5, colour=PRINT.faint, gap=6)
    sheet.box([(dossier.claim, 11, True), (dossier.certainty, 9.5, False)])
    sheet.table(dossier.heads, dossier.rows, _SHARES, size=8)
    _lay_notes(sheet, dossier)
    return sheet.as_svg(height=max(float(A4[1]), sheet.y + sheet.margin))


def print_pdf(dossier: Dossier) -> bytes:
    """Return the dossier as PDF."""
    return convert(lay_out(dossier), "pdf")


_STYLE = (
    "body{font:16px/1.5 system-ui,sans-serif;color:#0A0F14;max-width:52rem;margin:2rem auto;padding:0 1rem}"
    "h1{font-size:1.5rem;margin:0}h2{font-size:1.1rem;margin:1.4rem 0 .3rem}.faint{color:#4A5763}"
    ".box{background:#F0F4F7;border-left:4px solid #0B6AA6;padding:.7rem 1rem;margin:1rem 0}"
    ".wide{overflow-x:auto}table{border-collapse:collapse;width:100%;font-size:.9rem}"
    "th,td{text-align:left;padding:.25rem .5rem;border-bottom:1px solid #D5DDE3}@media print{body{margin:0}}"
)


def _text(text: object) -> str:
    return escape(clean_text(text))


def _items(title: str, lines: list[str]) -> str:
    return f"<h2>{title}</h2><ul>{''.join(f'<li>{_text(line)}</li>' for line in lines)}</ul>" if lines else ""


def print_html(dossier: Dossier) -> bytes:
    """Return the dossier as one HTML file that asks for nothing from anywhere."""
    head = "".join(f"<th scope='col'>{_text(h.lstrip('>'))}</th>" for h in dossier.heads)
    body = "".join(f"<tr>{''.join(f'<td>{_text(c)}</td>' for c in row)}</tr>" for row in dossier.rows)
    policy = "default-src 'none'; style-src 'unsafe-inline'"
    return (
        f"<!doctype html><html lang='en'><head><meta charset='utf-8'><title>{_text(dossier.title)}</title>"
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">'
        "<meta name='viewport' content='width=device-width, initial-scale=1'>"
        f"<style>{_STYLE}</style></head><body><main><h1>{_text(dossier.title)}</h1>"
        f"<p class='faint'>{_text(dossier.facts)}</p>"
        f"<div class='box'><strong>{_text(dossier.claim)}</strong><p>{_text(dossier.certainty)}</p></div>"
        f"<div class='wide' tabindex='0'><table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>"
        f"{_items('Could also be', dossier.rivals)}{_items('Cautions', dossier.cautions)}"
        f"<h2>Next check</h2><p>{_text(dossier.next_check)}</p>"
        f"<p class='faint'>{_LIMITS} {_text(dossier.origin)}</p><p><strong>{CAVEAT}</strong></p></main></body></html>"
    ).encode()


def cohort_findings(found: pl.DataFrame) -> pl.DataFrame:
    """Return the findings of which a dossier can be made."""
    return found.filter(pl.col("kind").is_in(KINDS))
