"""Files that a person uploads: kept apart from the inbox until they were looked at, under names that do no harm."""

from __future__ import annotations

import re
import secrets
import shutil
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Protocol

from dashboard.charts.words import clean_text
from pipeline.durable import put_in_place
from pipeline.errors import KinbayError
from pipeline.settings import Home

MOST_FILES = 50
MOST_BYTES = 50 * 2**20
KEPT_SECONDS = 86_400
SUFFIX = ".question.toml"
_FOLDER = ".uploads"
_BLOCK = 2**20


class Upload(Protocol):
    """What the browser sent."""

    name: str
    size: int

    def seek(self, offset: int, whence: int = 0) -> int:
        """Go to a place in the content."""

    def read(self, size: int = -1) -> bytes:
        """Read on."""


@dataclass(frozen=True)
class Kept:
    """Uploaded files on trial: the folder that holds them, and those that were refused, with the reason."""

    folder: Path
    files: tuple[Path, ...]
    refused: tuple[str, ...] = ()

    @property
    def is_apart(self) -> bool:
        """Whether they lie in a folder of their own; else they wait in the inbox already."""
        return self.folder.parent.name == _FOLDER


def safe_name(name: str) -> str:
    """Return a file name without path, control characters and leading points; letters and marks stay.

    >>> safe_name("../../etc/passwd")
    'passwd'
    """
    last = clean_text(name).replace("\\", "/").rsplit("/", 1)[-1].replace("\x00", "")
    bare = re.sub(r'[<>:"|?*\s]+', " ", last).strip(" .~$")
    stem, dot, ending = bare.rpartition(".")
    return f"{stem[:100]}{dot}{ending[:10]}" if dot else bare[:100] or "file"


def keep_uploads(home: Home, given: Iterable[Upload]) -> Kept:
    """Write uploaded files into a folder of their own, each in full or not at all.

    Raises
    ------
    KinbayError
        Where the home cannot be written.
    """
    folder = home.inbox / _FOLDER / secrets.token_hex(8)
    refused, files = [], []
    try:
        folder.mkdir(parents=True)
        for number, one in enumerate(given):
            if fault := _fault(number, one):
                refused.append(f"{clean_text(one.name)}: {fault}")
                continue
            files.append(_write(folder, safe_name(one.name), one))
    except OSError as error:
        raise KinbayError(
            "The uploaded files cannot be kept", "inbox", "See whether the disk is full, then try again."
        ) from error
    return Kept(folder, tuple(files), tuple(refused))


def _fault(number: int, one: Upload) -> str:
    if number >= MOST_FILES:
        return f"more than {MOST_FILES} files at once; pack them into a zip."
    if one.size == 0:
        return "the file is empty."
    if one.size > MOST_BYTES:
        return f"larger than {MOST_BYTES // 2**20} MB; put it into the inbox folder and run kinbay load."
    if safe_name(one.name).endswith(SUFFIX):
        return "a file of questions is no data; answer the questions on this page."
    return ""


def _write(folder: Path, name: str, one: Upload) -> Path:
    target, beside = folder / name, folder / f".{secrets.token_hex(8)}.part"
    stem, number = target.stem, 1
    while target.exists():
        number += 1
        target = folder / f"{stem} {number}{target.suffix}"
    one.seek(0)
    with beside.open("xb") as file:
        _copy(one, file)
    put_in_place(beside, target)
    return target


def _copy(one: Upload, file: BinaryIO) -> None:
    while block := one.read(_BLOCK):
        file.write(block)


def move_to_inbox(home: Home, kept: Kept) -> list[Path]:
    """Put the files into the inbox with the answers beside them, from where they are loaded.

    A name that is taken gets a number.
    """
    if not kept.is_apart:
        return list(kept.files)
    moved = []
    for file in kept.files:
        target, number = home.inbox / file.name, 1
        while target.exists():
            number += 1
            target = home.inbox / f"{file.stem} {number}{file.suffix}"
        answers = file.with_name(file.name + SUFFIX)
        if answers.exists():
            answers.rename(target.with_name(target.name + SUFFIX))
        file.rename(target)
        moved.append(target)
    drop(kept)
    return moved


def drop(kept: Kept) -> None:
    """Forget uploaded files that nobody wants loaded; what waits in the inbox stays there."""
    if kept.is_apart:
        shutil.rmtree(kept.folder, ignore_errors=True)


def clear_old(home: Home) -> None:
    """Remove uploads that were left a day ago."""
    for folder in (home.inbox / _FOLDER).glob("*"):
        if time.time() - folder.stat().st_mtime > KEPT_SECONDS:
            shutil.rmtree(folder, ignore_errors=True)
