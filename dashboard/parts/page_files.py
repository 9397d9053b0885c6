"""The pages by the names they have in code, each a file of its own."""

from __future__ import annotations

from pathlib import Path

_FOLDER = Path(__file__).parents[1] / "pages"
PAGES = {
    "look": _FOLDER / "needs_a_look.py",
    "reading": _FOLDER / "one_reading.py",
    "age": _FOLDER / "ages.py",
    "shares": _FOLDER / "shares.py",
    "van": _FOLDER / "one_van.py",
    "parking": _FOLDER / "parking.py",
    "codes": _FOLDER / "codes.py",
    "repairs": _FOLDER / "repairs.py",
    "costs": _FOLDER / "costs.py",
    "readers": _FOLDER / "readers.py",
    "data": _FOLDER / "data.py",
    "add": _FOLDER / "add_data.py",
    "enter": _FOLDER / "write_scan.py",
    "month": _FOLDER / "month.py",
    "help": _FOLDER / "how_to_read.py",
}
