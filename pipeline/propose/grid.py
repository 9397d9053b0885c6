"""The first rows of a file as plain cells, with how it is written: encoding, delimiter, format."""

from __future__ import annotations

import codecs
import csv
import io
from collections import Counter
from dataclasses import dataclass

from pipeline.errors import KinbayError
from pipeline.read.delimited import marked_encoding
from pipeline.read.json_document import find_records, open_json, read_document, record_places
from pipeline.read.json_lines import is_json_lines, open_json_lines
from pipeline.read.parquet import open_parquet
from pipeline.read.sheets import Sheet
from pipeline.read.sources import Source
from pipeline.read.spreadsheets import open_workbook

HEAD_BYTES = 4 * 2**20
MOST_ROWS = 20_000
MOST_PLACES = 12
MOST_NESTED = 256 * 2**20
DELIMITERS = (";", "\t", "|", ",")
_LINES_FOR_DELIMITER = 300


@dataclass(frozen=True)
class Grid:
    """The first rows of one table of a file.

    Parameters
    ----------
    rows : list of list of str
        Cells of every line from the first on, blank lines too; a keyed format has its keys as the first row.
    file : dict
        `[file]` keys of the layout that were found out: format, encoding, delimiter, sheet, records.
    is_keyed : bool
        Whether the first row is known to be the header (JSON, Parquet).
    lines : list of str
        Lines of a text file as they stand.
    """

    rows: list[list[str]]
    file: dict[str, object]
    is_keyed: bool = False
    lines: tuple[str, ...] = ()


def read_grids(source: Source) -> list[Grid]:
    """Read the first rows of every table of a file.

    Raises
    ------
    KinbayError
        Where the file is empty or cannot be read at all.
    """
    if source.format in {"xlsx", "ods"}:
        return _workbook(source)
    if source.format == "parquet":
        return [_keyed(open_parquet(source.path, source.name), {"format": "parquet"})]
    if source.format == "json_lines":
        return _json(source)
    return [_text(source)]


def _json(source: Source) -> list[Grid]:
    """A table per list of objects in the document; lines of plain objects are one table."""
    if is_json_lines(source.path):
        plain = _keyed(open_json_lines(source.path), {"format": "json_lines"})
        if source.path.stat().st_size > MOST_NESTED or not any(_is_nested(r) for r in plain.rows[1:50]):
            return [plain]
    document = read_document(source.path)
    if find_records(document) or isinstance(document, list):
        tables = record_places(document)[:MOST_PLACES]
        return [_keyed(open_json(source.path, p), {"format": "json", "records": list(p)}) for p in tables]
    for key, node in [("", document), *(document.items() if isinstance(document, dict) else ())]:
        if isinstance(node, dict) and any(isinstance(v, list) for v in node.values()):
            sheet = open_json(source.path, [key], by_column=True)
            return [_keyed(sheet, {"format": "json", "records": [key], "by_column": True})]
    raise KinbayError("The document holds no list of records", source.name, "Give rows as a list of objects.")


def _is_nested(row: list[str]) -> bool:
    return any(cell.lstrip().startswith(("{", "[{")) for cell in row)


def _keyed(sheet: Sheet, file: dict[str, object]) -> Grid:
    rows = [list(sheet.header)]
    for piece in sheet.pieces():
        cells = piece.frame.drop("line").head(MOST_ROWS - len(rows))
        rows += [[c or "" for c in row] for row in cells.iter_rows()]
        if len(rows) >= MOST_ROWS:
            break
    return Grid(rows, file, is_keyed=True)


def _workbook(source: Source) -> list[Grid]:
    """Every sheet from its first row on: a header of no names keeps all rows as data."""
    found = []
    for sheet in open_workbook(source.path, source.name, names=("1",)):
        rows: list[list[str]] = []
        for piece in sheet.pieces():
            for line, *cells in piece.frame.head(MOST_ROWS).iter_rows():
                rows += [[] for _ in range(line - len(rows) - 1)]
                rows.append([c or "" for c in cells])
        file: dict[str, object] = {"format": source.format}
        if sheet.name:
            file["sheet"] = sheet.name
        found.append(Grid(rows, file))
    if not found:
        raise KinbayError("The workbook holds no rows", source.name, "Give a sheet with a header and rows.")
    if len(found) == 1:
        found[0].file.pop("sheet", None)
    return found


def _text(source: Source) -> Grid:
    with source.path.open("rb") as file:
        head = file.read(HEAD_BYTES)
    is_whole = len(head) < HEAD_BYTES
    encoding, text = decode_head(head, is_whole=is_whole)
    if not text.strip():
        raise KinbayError("The file is empty", source.name, "Give a file with a header and rows.")
    if not is_whole:
        text = text[: text.rfind("\n") + 1]
    lines = text.split("\n")
    delimiter = find_delimiter(lines)
    found: dict[str, object] = {"format": "csv"} if source.format != "csv" else {}
    if encoding not in {"utf-8", "utf-8-sig"}:
        found["encoding"] = encoding
    if delimiter != ",":
        found["delimiter"] = delimiter
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    rows: list[list[str]] = []
    try:
        for row in reader:
            while len(rows) < reader.line_num - 1 and len(rows) < MOST_ROWS:
                if not row or reader.line_num - 1 == len(rows):
                    break
                rows.append([])
            rows.append(row)
            if len(rows) >= MOST_ROWS:
                break
    except csv.Error as error:
        raise KinbayError(
            "The text cannot be split into cells", str(error), "Check the quotation marks."
        ) from error
    return Grid(rows, found, lines=tuple(lines))


def decode_head(head: bytes, *, is_whole: bool) -> tuple[str, str]:
    """Return the encoding of a file's first bytes and their text with LF line ends.

    Raises
    ------
    KinbayError
        Where it is no text.
    """
    marked = marked_encoding(head[:4])
    if marked is None and head[1:200:2].count(0) > 60:
        marked = "utf-16-le"
    for encoding in [marked] if marked else ["utf-8", "cp1252", "latin-1"]:
        decoder = codecs.getincrementaldecoder(encoding)()
        try:
            text = decoder.decode(head, final=is_whole)
        except UnicodeDecodeError:
            continue
        if "\x00" in text or _share_of_controls(text) > 0.01:
            break
        return encoding, text.replace("\r\n", "\n").replace("\r", "\n")
    raise KinbayError("This is not a text file", remedy="Give a CSV, XLSX, ODS, JSON, Parquet or text file.")


def _share_of_controls(text: str) -> float:
    part = text[:20_000]
    return sum(1 for c in part if ord(c) < 32 and c not in "\t\r\n\f") / max(1, len(part))


def find_delimiter(lines: list[str]) -> str:
    """Return the mark that parts most lines into the same number of cells, more than one."""
    sample = [line for line in lines[:_LINES_FOR_DELIMITER] if line.strip()]

    def score(mark: str) -> tuple[float, int]:
        try:
            counts = Counter(len(row) for row in csv.reader(sample, delimiter=mark) if row)
        except csv.Error:
            return 0.0, 0
        wide = {n: c for n, c in counts.items() if n > 1}
        if not wide:
            return 0.0, 0
        usual = max(wide, key=lambda n: wide[n])
        return round(wide[usual] / len(sample), 1), min(usual, 3)

    return max(DELIMITERS, key=score) if any(score(d)[1] for d in DELIMITERS) else ","
