"""A dossier on paper: as many A4 pages as its vans need as PDF, or one self-contained HTML file."""

from __future__ import annotations

import io
from html import escape

from pypdf import PdfReader, PdfWriter

from dashboard.charts.palette import PRINT
from dashboard.charts.words import CAVEAT, clean_text
from dashboard.exports.dossier import LIMITS, Dossier
from dashboard.exports.handout import A4
from dashboard.exports.sheet import Sheet, convert, render_chart

_FOOT = 46.0  # points kept free at the bottom of a page for its number and where the figures come from
_ROW, _SIZE = 12.0, 8.0
_HEAD = 2 * _ROW  # height of the table's head with its rule
_MOST_CHART, _LEAST_CHART = 330.0, 190.0
_KEY = 34.0  # height of the lines that say how to read the chart


def _lay_notes(sheet: Sheet, dossier: Dossier) -> None:
    for title, lines in (("Could also be", dossier.rivals), ("Cautions", dossier.cautions)):
        if lines:
            sheet.write(title, size=12, bold=True, gap=2)
            for line in lines:
                sheet.write(line, size=9.5, indent=8, gap=2)
    sheet.write("Next check", size=12, bold=True, gap=2)
    sheet.write(dossier.next_check, size=9.5, indent=8)
    sheet.rule()
    sheet.write(LIMITS, size=8.5, colour=PRINT.faint, gap=2)
    sheet.write(CAVEAT, size=9, bold=True)


def _notes_height(dossier: Dossier) -> float:
    trial = Sheet(width=A4[0])
    _lay_notes(trial, dossier)
    return trial.y - trial.margin


def _new_page(dossier: Dossier) -> Sheet:
    sheet = Sheet(width=A4[0])
    sheet.write(f"{dossier.title}, continued", size=11, bold=True, gap=6)
    return sheet


def lay_out(dossier: Dossier) -> list[str]:
    """Return the dossier as A4 pages, each one SVG: the claim and the chart, then van by van, then what weakens it."""
    floor = A4[1] - _FOOT
    sheet = Sheet(width=A4[0])
    sheet.write(dossier.title, size=18, bold=True, gap=3)
    sheet.write(dossier.facts, size=9.5, colour=PRINT.faint, gap=6)
    sheet.box([(dossier.claim, 11, True), (dossier.certainty, 9.5, False)])
    if dossier.chart is not None:
        # a short dossier fits on one page if its chart gives way
        rest = _KEY + _HEAD + _ROW * len(dossier.rows) + _notes_height(dossier)
        room = min(max(floor - sheet.y - rest, _LEAST_CHART), _MOST_CHART)
        sheet.chart(dossier.chart, scale=0.85, most_height=room)
        sheet.write(dossier.key, size=8.5, colour=PRINT.faint, gap=4)
    pages, left = [sheet], dossier.rows
    while left:
        room = int((floor - sheet.y - _HEAD) // _ROW)
        if room < min(4, len(left)):
            sheet = _new_page(dossier)
            pages.append(sheet)
            continue
        sheet.table(list(dossier.heads), left[:room], list(dossier.shares), size=_SIZE)
        left = left[room:]
    if sheet.y + _notes_height(dossier) > floor:
        sheet = _new_page(dossier)
        pages.append(sheet)
    _lay_notes(sheet, dossier)
    for number, page in enumerate(pages, 1):
        page.put(dossier.origin, page.margin, A4[1] - 24, size=8, colour=PRINT.faint)
        where = f"Page {number} of {len(pages)}"
        page.put(where, A4[0] - page.margin, A4[1] - 24, size=8, colour=PRINT.faint, end=True)
    return [page.as_svg(height=A4[1]) for page in pages]


def print_pdf(dossier: Dossier) -> bytes:
    """Return the dossier as PDF, one A4 page after the other."""
    writer = PdfWriter()
    for page in lay_out(dossier):
        writer.append(PdfReader(io.BytesIO(convert(page, "pdf"))))
    writer.add_metadata({"/Title": dossier.title})
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


_STYLE = (
    "body{font:16px/1.5 system-ui,sans-serif;color:#0A0F14;max-width:52rem;margin:2rem auto;padding:0 1rem}"
    "h1{font-size:1.5rem;margin:0}h2{font-size:1.1rem;margin:1.4rem 0 .3rem}.faint{color:#4A5763}"
    ".box{background:#F0F4F7;border-left:4px solid #0B6AA6;padding:.7rem 1rem;margin:1rem 0}"
    "figure{margin:0;overflow-x:auto}.wide{overflow-x:auto}table{border-collapse:collapse;width:100%;font-size:.9rem}"
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
    chart = ""
    if dossier.chart is not None:
        drawn = render_chart(dossier.chart, 640)
        chart = (
            f"<figure role='img' aria-label='{_text(dossier.chart.alt)}'>{drawn}</figure>"
            f"<p class='faint'>{_text(dossier.key)}</p>"
        )
    policy = "default-src 'none'; style-src 'unsafe-inline'"
    return (
        f"<!doctype html><html lang='en'><head><meta charset='utf-8'><title>{_text(dossier.title)}</title>"
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">'
        "<meta name='viewport' content='width=device-width, initial-scale=1'>"
        f"<style>{_STYLE}</style></head><body><main><h1>{_text(dossier.title)}</h1>"
        f"<p class='faint'>{_text(dossier.facts)}</p>"
        f"<div class='box'><strong>{_text(dossier.claim)}</strong><p>{_text(dossier.certainty)}</p></div>{chart}"
        f"<div class='wide' tabindex='0'><table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>"
        f"{_items('Could also be', dossier.rivals)}{_items('Cautions', dossier.cautions)}"
        f"<h2>Next check</h2><p>{_text(dossier.next_check)}</p>"
        f"<p class='faint'>{LIMITS} {_text(dossier.origin)}</p><p><strong>{CAVEAT}</strong></p></main></body></html>"
    ).encode()
