"""Reads the text layer of a PDF, page by page, as JSON on standard output: run on its own, within limits.

Imports nothing of the project, so that a hostile file meets a small, short-lived process that has nothing open.
"""

from __future__ import annotations

import contextlib
import json
import logging
import sys
from pathlib import Path

MOST_PAGES = 200
MOST_CHARACTERS = 4_000_000
MEMORY_BYTES = 1_500 * 2**20
CPU_SECONDS = 40
LEAST_CHARACTERS = 8


def _limit() -> None:
    """Hold this process to its memory and time, where the system can."""
    with contextlib.suppress(ImportError, ValueError, OSError):
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
        resource.setrlimit(resource.RLIMIT_CPU, (CPU_SECONDS, CPU_SECONDS))


def read_pages(file: Path) -> dict[str, object]:
    """Return `pages` (lines by page), or `refusal` with a word for why there are none."""
    from pypdf import PdfReader
    from pypdf.errors import PdfReadError, PyPdfError

    try:
        reader = PdfReader(file)
        if reader.is_encrypted:
            return {"refusal": "locked"}
        if len(reader.pages) > MOST_PAGES:
            return {"refusal": "long"}
        pages, size = [], 0
        for page in reader.pages:
            text = page.extract_text(extraction_mode="layout") or ""
            size += len(text)
            if size > MOST_CHARACTERS:
                return {"refusal": "long"}
            pages.append([line.rstrip() for line in text.splitlines()])
    except (
        PdfReadError,
        PyPdfError,
        ValueError,
        KeyError,
        TypeError,
        AttributeError,
        IndexError,
        RecursionError,
    ):
        return {"refusal": "damaged"}
    except (MemoryError, OSError):
        return {"refusal": "heavy"}
    if sum(len(line.strip()) for lines in pages for line in lines) < LEAST_CHARACTERS:
        return {"refusal": "picture"}
    return {"pages": pages}


def main() -> None:
    """Read the file that the first argument names."""
    _limit()
    logging.disable(logging.CRITICAL)
    print(json.dumps(read_pages(Path(sys.argv[1]))))  # noqa: T201 - the answer to the process that started this one


if __name__ == "__main__":
    main()
