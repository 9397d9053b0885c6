"""A printed A4 sheet for a scan written down by hand at the van: the same fields as the form, boxes to write in."""

from __future__ import annotations

from collections.abc import Sequence

from dashboard.charts.palette import PRINT
from dashboard.exports.document import write_pdf
from dashboard.exports.sheet import A4, Sheet
from pipeline import vocabulary

READINGS = ("supply_voltage", "coolant_temp", "engine_speed", "air_mass_flow", "rail_pressure")
MOST_READINGS = 14
CODE_ROWS, CODE_BOXES, BOX = 8, 7, 20.0
STATUSES = ("present", "stored", "pending")


def _field(sheet: Sheet, label: str, x: float, y: float, width: float) -> None:
    """A label above a frame to write in."""
    sheet.put(label, x, y, size=8.5, colour=PRINT.faint)
    sheet.frame(x, y + 3, width, 24)


def _row(sheet: Sheet, labels: Sequence[tuple[str, float]]) -> None:
    """Fields side by side; widths are shares of the sheet."""
    sheet.y += 11
    x = sheet.margin
    for label, share in labels:
        width = sheet.inner * share
        _field(sheet, label, x, sheet.y, width - 8)
        x += width
    sheet.y += 32


def _tick(sheet: Sheet, label: str, x: float, y: float) -> None:
    sheet.frame(x, y - 8, 9, 9)
    sheet.put(label, x + 13, y, size=8.5)


def _lay_codes(sheet: Sheet) -> None:
    """A row a code: the module, a box a character, and the status to tick."""
    sheet.write(
        "Codes: the module, then one character a box, and the failure type where one is shown (P0401-00)",
        size=8.5,
        gap=6,
    )
    for _ in range(CODE_ROWS):
        y = sheet.y
        sheet.frame(sheet.margin, y, 110, BOX)
        for place in range(CODE_BOXES):
            gap = 8 if place >= 5 else 0
            sheet.frame(sheet.margin + 122 + place * BOX + gap, y, BOX, BOX)
        for place, status in enumerate(STATUSES):
            _tick(sheet, status, sheet.margin + 288 + place * 58, y + 14)
        _tick(sheet, "lamp", sheet.margin + 288 + 3 * 58, y + 14)
        sheet.y += BOX + 6


def _lay_readings(sheet: Sheet, readings: Sequence[str]) -> None:
    """A row a reading, in two columns: its name and unit, a frame for the value, a tick for out of range."""
    sheet.write(
        "Readings: the value as shown; tick where the reader shows it as out of range", size=8.5, gap=6
    )
    half = sheet.inner / 2
    for number, key in enumerate(readings[:MOST_READINGS]):
        known = vocabulary.parameter(key)
        x = sheet.margin + (number % 2) * half
        unit = f", {known.unit}" if known.unit != "1" else ""
        sheet.put(f"{known.name}{unit}"[:44], x, sheet.y + 16, size=8)
        sheet.frame(x + half - 96, sheet.y, 66, 24)
        sheet.frame(x + half - 24, sheet.y + 8, 9, 9)
        if number % 2 or number == min(len(readings), MOST_READINGS) - 1:
            sheet.y += 30
    sheet.y += 2


def lay_out_sheet(reader: str | None = None, readings: Sequence[str] = ()) -> str:
    """Return the sheet as SVG.

    Parameters
    ----------
    reader : str, optional
        Printed in its field; without it the field is empty.
    readings : sequence of str
        Keys of the readings asked for; without any a short list of common ones.
    """
    sheet = Sheet(width=A4[0], margin=36)
    sheet.write("Scan sheet", size=18, bold=True, gap=0)
    sheet.write(
        "One sheet a scan. Copy it into “Write down a scan” later.", size=9, colour=PRINT.faint, gap=2
    )
    _row(sheet, [("Van", 0.2), ("Reader", 0.34), ("Date", 0.24), ("Time", 0.22)])
    if reader:
        sheet.put(reader, sheet.margin + sheet.inner * 0.2 + 6, sheet.y - 9, size=10)
    _row(
        sheet,
        [("Odometer (km or miles: say which)", 0.4), ("Battery at rest, V", 0.3), ("Days it had stood", 0.3)],
    )
    sheet.y += 12
    sheet.put("Engine while reading", sheet.margin, sheet.y, size=8.5, colour=PRINT.faint)
    sheet.y += 17
    states = [s for s in vocabulary.states() if s.is_comparable]
    for number, state in enumerate(states):
        _tick(sheet, state.name, sheet.margin + (number % 4) * sheet.inner / 4, sheet.y)
        if number % 4 == 3 or number == len(states) - 1:
            sheet.y += 17
    sheet.y += 2
    _lay_codes(sheet)
    _row(sheet, [("Modules that answered", 0.5), ("Modules asked that stayed silent", 0.5)])
    _lay_readings(sheet, list(readings) or list(READINGS))
    _row(sheet, [("Note", 0.7), ("Who read it", 0.3)])
    sheet.write(
        "A hot engine, belts, fans, fuel under pressure, exhaust gas and batteries hurt: follow the maker's procedure.",
        size=8, colour=PRINT.faint, gap=0,
    )  # fmt: skip
    return sheet.as_svg(height=A4[1])


def print_sheet(reader: str | None = None, readings: Sequence[str] = ()) -> bytes:
    """Return the sheet as PDF, made without any request to anywhere."""
    return write_pdf("Sheet for a scan written by hand", [lay_out_sheet(reader, readings)])
