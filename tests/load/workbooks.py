"""The smallest workbooks that hold what a test needs, written part by part (ECMA-376, ODF 1.2)."""

from __future__ import annotations

import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from xml.sax.saxutils import escape

Cell = str | int | float | None | tuple[str, str]
_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006"


def _xlsx_cell(place: str, cell: Cell) -> str:
    """A text, a number, a date by its serial number (`("date", "46083.5")`) or a formula with its value."""
    if cell is None:
        return ""
    if isinstance(cell, tuple):
        kind, value = cell
        if kind == "date":
            return f'<c r="{place}" s="1"><v>{value}</v></c>'
        return f'<c r="{place}"><f>1+1</f><v>{value}</v></c>'
    if isinstance(cell, str):
        return f'<c r="{place}" t="inlineStr"><is><t>{escape(cell)}</t></is></c>'
    return f'<c r="{place}"><v>{cell!r}</v></c>'


def write_xlsx(path: Path, sheets: Mapping[str, Sequence[Sequence[Cell]]]) -> Path:
    """Write a workbook; an empty row stays an empty row."""
    numbers = range(1, len(sheets) + 1)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as book:
        kinds = "".join(
            f'<Override PartName="/xl/worksheets/sheet{n}.xml" '
            'ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.worksheet+xml"/>'
            for n in numbers
        )
        book.writestr(
            "[Content_Types].xml",
            f'<Types xmlns="{_PACKAGE}/content-types">'
            '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
            '<Override PartName="/xl/workbook.xml" '
            'ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/>'
            '<Override PartName="/xl/styles.xml" '
            'ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.styles+xml"/>'
            f"{kinds}</Types>",
        )
        book.writestr(
            "_rels/.rels",
            f'<Relationships xmlns="{_PACKAGE}/relationships"><Relationship Id="r1" '
            f'Type="{_OFFICE}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        )
        names = "".join(
            f'<sheet name="{escape(name)}" sheetId="{n}" r:id="r{n}"/>'
            for n, name in zip(numbers, sheets, strict=True)
        )
        book.writestr(
            "xl/workbook.xml",
            f'<workbook xmlns="{_MAIN}" xmlns:r="{_OFFICE}"><sheets>{names}</sheets></workbook>',
        )
        links = "".join(
            f'<Relationship Id="r{n}" Type="{_OFFICE}/worksheet" Target="worksheets/sheet{n}.xml"/>'
            for n in numbers
        )
        book.writestr(
            "xl/_rels/workbook.xml.rels",
            f'<Relationships xmlns="{_PACKAGE}/relationships">{links}'
            f'<Relationship Id="r99" Type="{_OFFICE}/styles" Target="styles.xml"/></Relationships>',
        )
        book.writestr(
            "xl/styles.xml",
            f'<styleSheet xmlns="{_MAIN}"><fonts count="1"><font/></fonts><fills count="1"><fill/></fills>'
            '<borders count="1"><border/></borders><cellStyleXfs count="1"><xf/></cellStyleXfs>'
            '<cellXfs count="2"><xf numFmtId="0"/><xf numFmtId="22" applyNumberFormat="1"/></cellXfs></styleSheet>',
        )
        for n, rows in zip(numbers, sheets.values(), strict=True):
            lines = "".join(
                f'<row r="{r}">{"".join(_xlsx_cell(f"{chr(64 + c)}{r}", cell) for c, cell in enumerate(row, 1))}</row>'
                for r, row in enumerate(rows, 1)
            )
            book.writestr(
                f"xl/worksheets/sheet{n}.xml",
                f'<worksheet xmlns="{_MAIN}"><sheetData>{lines}</sheetData></worksheet>',
            )
    return path


def write_ods(path: Path, sheets: Mapping[str, Sequence[Sequence[str | float | None]]]) -> Path:
    """Write an open document spreadsheet."""
    names = 'xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0" '
    names += 'xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" '
    names += 'xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0"'

    def cell(value: str | float | None) -> str:
        if value is None:
            return "<table:table-cell/>"
        if isinstance(value, str):
            return f'<table:table-cell office:value-type="string"><text:p>{escape(value)}</text:p></table:table-cell>'
        return f'<table:table-cell office:value-type="float" office:value="{value!r}"><text:p>{value}</text:p></table:table-cell>'

    tables = "".join(
        f'<table:table table:name="{escape(name)}">'
        + "".join(f"<table:table-row>{''.join(map(cell, row))}</table:table-row>" for row in rows)
        + "</table:table>"
        for name, rows in sheets.items()
    )
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as book:
        book.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        kind = "urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"
        book.writestr(
            "META-INF/manifest.xml",
            f'<m:manifest xmlns:m="{kind}"><m:file-entry m:full-path="content.xml" m:media-type="text/xml"/></m:manifest>',
        )
        book.writestr(
            "content.xml",
            f"<office:document-content {names}><office:body><office:spreadsheet>{tables}"
            "</office:spreadsheet></office:body></office:document-content>",
        )
    return path
