"""Files written so that they are either there in full or not at all."""

from __future__ import annotations

import json
import os
import uuid
from pathlib import Path
from typing import Any


def write_json(path: Path, content: dict[str, Any]) -> None:
    """Write a JSON file: beside its place first, made durable, then put in place."""
    write_text(path, json_text(content))


def json_text(content: dict[str, Any]) -> str:
    """Return the text that `write_json` writes."""
    return json.dumps(content, ensure_ascii=False, indent=1, sort_keys=True) + "\n"


def write_text(path: Path, text: str) -> None:
    """Write a UTF-8 text file in one step."""
    beside = path.with_name(f".{uuid.uuid4().hex}.part")
    try:
        beside.write_text(text, encoding="utf-8", newline="\n")
        put_in_place(beside, path)
    finally:
        beside.unlink(missing_ok=True)


def put_in_place(beside: Path, path: Path) -> None:
    """Make a finished file durable and give it its name; a file of that name is replaced."""
    with beside.open("rb+") as file:
        os.fsync(file.fileno())
    beside.replace(path)
    if os.name == "posix":
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
