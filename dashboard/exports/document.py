"""What every page that is handed over shares: one look, a language and a title, nothing live, nothing fetched."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from html import escape

from pypdf import PdfReader, PdfWriter
from pypdf.generic import BooleanObject, DictionaryObject, NameObject, TextStringObject

from dashboard.charts.frame import Chart
from dashboard.charts.words import CAVEAT, clean_text
from dashboard.exports.sheet import convert, render_chart

LANGUAGE = "en-GB"
_POLICY = "default-src 'none'; style-src 'unsafe-inline'"
_STYLE = (
    "body{font:16px/1.5 system-ui,sans-serif;color:#0A0F14;max-width:50rem;margin:2rem auto;padding:0 1rem}"
    "h1{font-size:1.6rem;line-height:1.25;margin:0}h2{font-size:1.1rem;margin:1.4rem 0 .3rem}p{margin:.3rem 0}"
    "h1,h2,p,li,td{overflow-wrap:anywhere}"
    ".faint{color:#4A5763}.box{background:#F0F4F7;border-left:4px solid #0B6AA6;padding:.7rem 1rem;margin:1rem 0}"
    "figure,.wide{margin:1rem 0;overflow-x:auto}table{border-collapse:collapse;width:100%;font-size:.9rem}"
    "th,td{text-align:left;padding:.25rem .5rem;border-bottom:1px solid #D5DDE3}.right{text-align:right}"
    "tbody th{font-weight:normal}tr,figure,li{break-inside:avoid}h2{break-after:avoid}thead{display:table-header-group}"
    "@media print{body{margin:0;max-width:none;font-size:11pt}.box{print-color-adjust:exact}figure,.wide{overflow:visible}"
    "figure svg{max-width:100%;height:auto}}"
)


def plain(text: object) -> str:
    """Return a text that no browser takes for markup, without unseen characters."""
    return escape(clean_text(text))


def write_html(title: str, parts: Iterable[str]) -> bytes:
    """Return one HTML file that asks for nothing from anywhere: the title, then the parts, then the caveat.

    Parameters
    ----------
    title : str
        Any text; it is made harmless here.
    parts : iterable of str
        HTML made by the functions of this module.
    """
    said = plain(title)
    return (
        f"<!doctype html><html lang='{LANGUAGE}'><head><meta charset='utf-8'><title>{said}</title>"
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">'
        "<meta name='viewport' content='width=device-width, initial-scale=1'>"
        f"<style>{_STYLE}</style></head><body><main><h1>{said}</h1>{''.join(parts)}"
        f"<p><strong>{CAVEAT}</strong></p></main></body></html>"
    ).encode()


def write_line(text: object, kind: str = "") -> str:
    """Return a paragraph; `kind` is empty, "faint" or "strong"."""
    if kind == "strong":
        return f"<p><strong>{plain(text)}</strong></p>"
    return f"<p class='{kind}'>{plain(text)}</p>" if kind else f"<p>{plain(text)}</p>"


def write_box(lines: Sequence[str]) -> str:
    """Return what matters most on a tinted ground, its first line strong."""
    told = "".join(write_line(line, "" if number else "strong") for number, line in enumerate(lines))
    return f"<div class='box'>{told}</div>"


def write_list(title: str, lines: Sequence[str]) -> str:
    """Return a titled list; nothing where there are no lines."""
    items = "".join(f"<li>{plain(line)}</li>" for line in lines)
    return f"<h2>{plain(title)}</h2><ul>{items}</ul>" if lines else ""


def write_figure(chart: Chart, key: str = "") -> str:
    """Return a chart as drawing with what it shows in words, and how to read it."""
    drawn = (
        f"<figure role='img' aria-label='{plain(chart.alt)}' tabindex='0'>{render_chart(chart, 640)}</figure>"
    )
    return drawn + (write_line(key, "faint") if key else "")


def write_table(name: str, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return a table; a column whose head starts with ">" is set to the right, the first cell names its row."""
    sides = [" class='right'" if head.startswith(">") else "" for head in heads]
    top = "".join(
        f"<th scope='col'{side}>{plain(head.removeprefix('>'))}</th>"
        for head, side in zip(heads, sides, strict=True)
    )
    body = "".join(
        f"<tr><th scope='row'>{plain(row[0])}</th>"
        + "".join(f"<td{side}>{plain(cell)}</td>" for cell, side in zip(row[1:], sides[1:], strict=True))
        + "</tr>"
        for row in rows
    )
    table = f"<table aria-label='{plain(name)}'><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>"
    return f"<div class='wide' tabindex='0' role='region' aria-label='{plain(name)}'>{table}</div>"


def write_pdf(title: str, pages: Iterable[str]) -> bytes:
    """Return sheets, each one SVG, as one PDF with a title and a language for those who hear it read."""
    writer = PdfWriter()
    for page in pages:
        writer.append(PdfReader(io.BytesIO(convert(page, "pdf"))))
    writer.add_metadata({"/Title": clean_text(title)})
    writer.root_object[NameObject("/Lang")] = TextStringObject(LANGUAGE)
    writer.root_object[NameObject("/ViewerPreferences")] = DictionaryObject(
        {NameObject("/DisplayDocTitle"): BooleanObject(True)}
    )
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()
