"""A person's name in files: whether a file holds it, and the same file with the name replaced.

Text formats are redacted where the name stands, and no other byte is touched. Workbooks, Parquet files and PDFs are
only looked into: they cannot be changed in place without becoming another file.
"""

from __future__ import annotations

import contextlib
import json
import mmap
import re
import unicodedata
import zipfile
from collections.abc import Callable
from html import escape
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.errors import KinbayError
from pipeline.read.delimited import marked_encoding
from pipeline.read.pdf_text import is_pdf, read_pdf

PLACEHOLDER = "removed"
SHORTEST, LONGEST, INITIALS_BELOW = 2, 80, 4
_CELL_STARTS, _CELL_ENDS = r"(?<![^,;|\t\r\n\"\ufeff])", r"(?![^,;|\t\r\n\"])"
_MARKS = {"utf-8-sig": "utf-8"}
_FIXED = frozenset(
    [
        "kind",
        "at",
        "file_id",
        "choice",
        "finding_id",
        "build_id",
        "van",
        "reader",
        "scan_id",
        "code",
        "module",
        "parameter",
        "state",
        "names",
        "replaces",
        "entry",
        "alias",
    ]
)
"""Keys of journal entries that point at something; a name is never replaced there."""


class Name:
    """A person's name as it may stand in files: whole words only, upper and lower case as given.

    Initials are looked for as whole cells only: within a sentence two or three letters may be another word.

    Parameters
    ----------
    person : str
        The name.

    Raises
    ------
    KinbayError
        Where it is too short or too long to be told from other words.
    """

    def __init__(self, person: str) -> None:
        given = " ".join(person.split())
        if not SHORTEST <= len(given) <= LONGEST or given == PLACEHOLDER:
            raise KinbayError(
                f"A name has {SHORTEST} to {LONGEST} letters",
                remedy="Give it in full, as it stands in the files.",
            )
        plain = {unicodedata.normalize(form, given) for form in ("NFC", "NFD")}
        quoted = {n.replace('"', '""') for n in plain} | {json.dumps(n)[1:-1] for n in plain}
        self.spellings = tuple(
            sorted(plain | quoted | {escape(n, quote=False) for n in plain}, key=len, reverse=True)
        )
        before, after = (_CELL_STARTS, _CELL_ENDS) if len(given) < INITIALS_BELOW else (r"(?<!\w)", r"(?!\w)")
        self._pattern = re.compile(f"{before}(?:{'|'.join(map(re.escape, self.spellings))}){after}")

    def stands_in(self, text: str) -> bool:
        """Say whether a text holds the name."""
        return self._pattern.search(text) is not None

    def replace(self, text: str) -> tuple[str, int]:
        """Return a text without the name, and at how many places it stood."""
        return self._pattern.subn(PLACEHOLDER, text)

    def replace_within(self, value: Any, key: str = "") -> Any:
        """Return a value of a journal entry without the name; what points at something stays."""
        if isinstance(value, str):
            return value if key in _FIXED else self.replace(value)[0]
        if isinstance(value, list):
            return [self.replace_within(one, key) for one in value]
        if isinstance(value, dict):
            return {k: self.replace_within(one, k) for k, one in value.items()}
        return value


def is_text(path: Path) -> bool:
    """Whether a file is text that may be redacted: no workbook, Parquet file or PDF."""
    with path.open("rb") as file:
        start = file.read(4096)
    if start.startswith((b"PK\x03\x04", b"PAR1")) or is_pdf(path):
        return False
    return marked_encoding(start[:4]) is not None or b"\0" not in start


def may_hold(path: Path, name: Name, stated: str | None = None) -> bool:
    """Whether a name's bytes stand in a file, in any usual encoding; looked for without reading the file whole."""
    if not path.stat().st_size:
        return False
    wanted = set()
    for encoding in ("utf-8", "cp1252", "utf-16-le", "utf-16-be", stated or "utf-8"):
        for spelling in name.spellings:
            with contextlib.suppress(UnicodeError, LookupError):
                wanted.add(spelling.encode(encoding))
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
        return any(content.find(one) >= 0 for one in wanted)


def redact(path: Path, name: Name, stated: str | None = None) -> tuple[bytes, int]:
    """Return the bytes of a text file without a name, and at how many places it stood.

    Parameters
    ----------
    path : Path
        The file; read whole.
    name : Name
        The name.
    stated : str, optional
        The encoding that its layout states.
    """
    content = path.read_bytes()
    encoding = _encoding(content, stated)
    text, places = name.replace(content.decode(encoding))
    return (text.encode(encoding), places) if places else (content, 0)


def _encoding(content: bytes, stated: str | None) -> str:
    """The first encoding that gives the same bytes back; Latin-1 always does."""
    marked = marked_encoding(content[:4])
    if marked == "utf-16":
        marked = "utf-16-le" if content[:2] == b"\xff\xfe" else "utf-16-be"
    for encoding in (marked, "utf-8", stated, "cp1252"):
        if not encoding:
            continue
        plain = _MARKS.get(encoding, encoding)
        try:
            if content.decode(plain).encode(plain) == content:
                return plain
        except (UnicodeError, LookupError):
            continue
    return "latin-1"


def packed_holds(path: Path, name: Name) -> bool:
    """Whether a workbook, Parquet file or PDF holds a name; one that cannot be looked into counts as not."""
    look = (
        _look_into_pdf if is_pdf(path) else _look_into_zip if zipfile.is_zipfile(path) else _look_into_parquet
    )
    try:
        return look(path, name.stands_in)
    except (KinbayError, OSError, zipfile.BadZipFile, pl.exceptions.PolarsError, RuntimeError):
        return False


def _look_into_pdf(path: Path, holds: Callable[[str], bool]) -> bool:
    return holds("\n".join(read_pdf(path).lines))


def _look_into_zip(path: Path, holds: Callable[[str], bool]) -> bool:
    with zipfile.ZipFile(path) as book:
        return any(
            holds(book.read(m).decode("utf-8", "replace")) for m in book.namelist() if not m.endswith("/")
        )


def _look_into_parquet(path: Path, holds: Callable[[str], bool]) -> bool:
    frame = pl.read_parquet(path)
    texts = [c for c, kind in frame.schema.items() if kind == pl.String]
    return any(holds(value) for c in texts for value in frame[c].drop_nulls().unique().to_list())
