"""PDF reports as lines of text with page and line: the text layer only, read beside this process."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from pipeline.errors import KinbayError

MOST_BYTES = 32 * 2**20
WAIT_S = 60.0
_SCRIPT = Path(__file__).with_name("pdf_words.py")
_REFUSALS = {
    "locked": ("The PDF is locked with a password", "Save it without a password and load it again."),
    "long": (
        "The PDF has too many pages or too much text for a report",
        "Save the pages of one report and load them.",
    ),
    "picture": (
        "The PDF has no text, only pictures",
        "Have the reader save text, a table or a PDF with text; or write the scan down by hand.",
    ),
    "damaged": ("The PDF cannot be read", "Save it anew with the program it came from."),
    "heavy": (
        "The PDF takes too much memory or time to read",
        "Print it to a new PDF, or save the report as text.",
    ),
}


@dataclass(frozen=True)
class PdfText:
    """The text layer of a PDF.

    Parameters
    ----------
    lines : tuple[str, ...]
        All lines in order, blank ones too.
    pages : tuple[int, ...]
        The number (from 1) of the first line of each page.
    """

    lines: tuple[str, ...]
    pages: tuple[int, ...]


def is_pdf(path: Path) -> bool:
    """Whether a file begins as PDF files do, whatever its name."""
    with path.open("rb") as file:
        return b"%PDF-" in file.read(1024)


def read_pdf(path: Path) -> PdfText:
    """Read the text layer of a PDF in a process of its own, within limits of size, time and memory.

    Raises
    ------
    KinbayError
        Where the file is too large, locked, damaged, too heavy, or has no text layer.
    """
    found = path.stat()
    if found.st_size > MOST_BYTES:
        raise KinbayError("The PDF is too large for a report", remedy=f"Keep to {MOST_BYTES // 2**20} MiB.")
    return _read(path, found.st_mtime_ns, found.st_size)


@lru_cache(maxsize=4)
def _read(path: Path, _changed_ns: int, _size: int) -> PdfText:
    command = [sys.executable, "-I", str(_SCRIPT), str(path)]
    try:
        done = subprocess.run(
            command, capture_output=True, timeout=WAIT_S, check=False, stdin=subprocess.DEVNULL
        )
    except subprocess.TimeoutExpired:
        raise _refusal("heavy") from None
    try:
        answer = json.loads(done.stdout)
    except ValueError:
        raise _refusal("heavy" if done.returncode else "damaged") from None
    if "pages" not in answer:
        raise _refusal(str(answer.get("refusal")))
    lines: list[str] = []
    starts: list[int] = []
    for page in answer["pages"]:
        starts.append(len(lines) + 1)
        lines += page
    return PdfText(tuple(lines), tuple(starts))


def _refusal(word: str) -> KinbayError:
    what, remedy = _REFUSALS.get(word, _REFUSALS["damaged"])
    return KinbayError(what, remedy=remedy)
