"""A table written in any dialect and read back by its proposal gives the same values, or asks: never others."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import KinbayError
from pipeline.normalise import Conventions, NumberMarks, normalise
from pipeline.propose import propose
from pipeline.read.recognise import recognise
from pipeline.read.sources import Source

NOW = datetime(2026, 11, 25)
UNITS = {"engine_speed": "rpm", "coolant_temp": "°C", "rail_pressure": "MPa"}
HEADERS = {
    "en": ("Vehicle", "Timestamp", "Engine speed", "Coolant temperature", "Fuel rail pressure"),
    "de": ("Fahrzeug", "Zeitstempel", "Motordrehzahl", "Kühlmitteltemperatur", "Raildruck Ist"),
    "fr": ("Véhicule", "Horodatage", "Régime moteur", "Température moteur", "Pression rail"),
    "es": ("Vehículo", "Fecha y hora", "Revoluciones", "Temperatura del motor", "Presión del raíl"),
}
DATES = [
    "%Y-%m-%dT%H:%M:%S",
    "%d.%m.%Y %H:%M:%S",
    "%m/%d/%Y %H:%M:%S",
    "%d/%m/%y %H:%M:%S",
    "%Y/%m/%d %H:%M:%S",
]


@dataclass(frozen=True)
class Dialect:
    delimiter: str
    decimal: str
    thousands: str
    encoding: str
    ends: str
    date: str
    language: str
    units: str
    preamble: int
    quotes: bool
    trailing: bool


@st.composite
def dialects(draw: st.DrawFn) -> Dialect:
    decimal = draw(st.sampled_from([".", ","]))
    return Dialect(
        draw(st.sampled_from([";", "\t", "|"] if decimal == "," else [";", "\t", "|", ","])),
        decimal,
        draw(st.sampled_from(["", "'", "\u202f", "," if decimal == "." else "."])),
        draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"])),
        draw(st.sampled_from(["\n", "\r\n", "\r"])),
        draw(st.sampled_from(DATES)),
        draw(st.sampled_from(sorted(HEADERS))),
        draw(st.sampled_from(["brackets", "row", "cells", "none"])),
        draw(st.integers(0, 3)),
        draw(st.booleans()),
        draw(st.booleans()),
    )


ROW = st.tuples(
    st.integers(0, 10**7),
    st.integers(0, 64_000).map(lambda n: n / 10),
    st.integers(-390, 1250).map(lambda n: n / 10),
    st.integers(0, 2_400_000).map(lambda n: n / 1000),
)


def _number(value: float, how: Dialect) -> str:
    text = f"{value:,.3f}".rstrip("0").rstrip(".")
    return text.replace(",", "\0").replace(".", how.decimal).replace("\0", how.thousands)


def _write(
    path: Path, rows: list[tuple[int, float, float, float]], how: Dialect
) -> dict[tuple[str, datetime], float]:
    """Write the table; return what is in it."""
    names = list(HEADERS[how.language])
    units = ["", "", *UNITS.values()]
    if how.units == "brackets":
        names = [f"{n} [{u}]" if u else n for n, u in zip(names, units, strict=True)]
    lines = [[f"Export {i}"] for i in range(how.preamble)] + [names]
    if how.units == "row":
        lines.append(units)
    given: dict[tuple[str, datetime], float] = {}
    for offset, *values in rows:
        at = datetime(2026, 1, 1) + timedelta(seconds=offset)
        cells = [
            _number(v, how) + (f" {u}" if how.units == "cells" else "")
            for v, u in zip(values, units[2:], strict=True)
        ]
        lines.append(["047", at.strftime(how.date), *cells])
        given |= {(p, at): v for p, v in zip(UNITS, values, strict=True)}
    quote = (lambda c: f'"{c}"') if how.quotes or how.thousands == how.delimiter else (lambda c: c)
    end = how.delimiter if how.trailing else ""
    text = how.ends.join(how.delimiter.join(map(quote, line)) + end for line in lines) + how.ends
    path.write_bytes(text.encode(how.encoding, errors="replace"))
    return given


@settings(max_examples=120, deadline=None)
@given(dialects(), st.lists(ROW, min_size=1, max_size=12, unique_by=lambda r: r[0]))
def test_any_dialect_comes_back_as_it_was_or_is_asked_about(
    how: Dialect, rows: list[tuple[int, float, float, float]]
) -> None:
    if how.encoding == "cp1252" and how.thousands == "\u202f":
        return
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "export.csv"
        expected = _write(path, rows, how)
        source = Source(path, path.name, path)
        try:
            found = propose(source, {("reader", "reader"): "R"})
        except KinbayError:
            return
        if not found.is_complete or found.layout is None:
            assert found.questions
            return
        (sheet,) = recognise(source, {found.name: found.layout}, found.name)
        marks = NumberMarks(found.layout.file.decimal, found.layout.file.thousands)
        for tables, _piece in sheet.tables():
            made = normalise("readings", tables["readings"], Conventions(NOW, "UTC", marks, asks_units=True))
            taken = made.rows.get("readings")
            if taken is None:
                assert made.questions
                continue
            for parameter, at, value, given_text in taken.select(
                "parameter", "at", "value", "value_given"
            ).iter_rows():
                if value is not None:
                    assert abs(expected[parameter, at] - value) < 1e-9, (given_text, how)
