"""Originals: every accepted file byte for byte under its content's hash, and beside it how it was read.

`originals/<sha256><ending>` is the file. `originals/<sha256>.about.json` says what it was called, by which layout,
for which van and with which answers it was read, and in which batch: enough to read it again. It is written
anew only when a withdrawn file is taken in once more. A redacted copy (see forgetting) takes its original's place.
"""

from __future__ import annotations

import hashlib
import json
import re
import uuid
from dataclasses import asdict, dataclass, field
from datetime import datetime
from pathlib import Path

from pipeline.durable import put_in_place, write_json
from pipeline.errors import KinbayError
from pipeline.settings import Home

_BLOCK = 2**20
INCOMING = ".incoming-"
ABOUT = ".about.json"


@dataclass(frozen=True)
class Acceptance:
    """How an original was read.

    Parameters
    ----------
    file_id : str
        SHA-256 of the content, hexadecimal.
    file : str
        What the person called it.
    suffix : str
        Ending of the original in `originals/`.
    layout, van : str or None
        As given to the load.
    batch_id : int
        The batch that took it in.
    position : int
        Its place within the batch.
    loaded_at : str
        ISO 8601, UTC.
    labels, units, facts : dict
        Answers that were used, by the question's subject.
    folder : str
        The last folders the file came from, for layouts that read them.
    is_entry : bool
        Whether it is an entry of the journal, which is kept there and not copied.
    """

    file_id: str
    file: str
    suffix: str
    layout: str | None
    van: str | None
    batch_id: int
    position: int
    loaded_at: str
    labels: dict[str, str] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    facts: dict[str, str] = field(default_factory=dict)
    folder: str = ""
    is_entry: bool = False

    @property
    def moment(self) -> datetime:
        """When it was taken in, naive UTC."""
        return datetime.fromisoformat(self.loaded_at.removesuffix("Z"))


@dataclass(frozen=True)
class Staged:
    """A copy of a file inside the home, whose content cannot change any more."""

    path: Path
    file_id: str
    suffix: str
    size_bytes: int


def stage(home: Home, path: Path, suffix: str) -> Staged:
    """Copy a file into the home and hash what was copied: what is read is what is kept."""
    ending = suffix if re.fullmatch(r"\.[a-z0-9]{1,10}", suffix) else ""
    copy = home.originals / f"{INCOMING}{uuid.uuid4().hex}{ending}"
    digest, size = hashlib.sha256(), 0
    with path.open("rb") as source, copy.open("xb") as target:
        while block := source.read(_BLOCK):
            digest.update(block)
            target.write(block)
            size += len(block)
    return Staged(copy, digest.hexdigest(), ending, size)


def keep(home: Home, staged: Staged, acceptance: Acceptance) -> None:
    """Give a staged copy its name among the originals and say how it was read; both are durable after this."""
    place = home.originals / f"{staged.file_id}{staged.suffix}"
    if not acceptance.is_entry and not place.exists():
        put_in_place(staged.path, place)
        place.chmod(0o444)
    write_json(home.originals / f"{staged.file_id}{ABOUT}", asdict(acceptance))


def clear_staged(home: Home) -> None:
    """Remove copies that an interrupted load left behind."""
    for path in home.originals.glob(f"{INCOMING}*"):
        path.unlink(missing_ok=True)


def list_accepted(home: Home) -> list[Acceptance]:
    """Return every acceptance in the order in which the files were taken in.

    Raises
    ------
    KinbayError
        Where one of these files is damaged.
    """
    found = []
    for path in home.originals.glob(f"*{ABOUT}"):
        try:
            found.append(Acceptance(**json.loads(path.read_text(encoding="utf-8"))))
        except (ValueError, TypeError) as error:
            raise KinbayError(
                "How an original was read cannot be told", path.name, "Restore that file from a backup."
            ) from error
    return sorted(found, key=lambda a: (a.batch_id, a.position))


def original_of(home: Home, acceptance: Acceptance) -> Staged:
    """Find an original and make sure that its content is what it was.

    Raises
    ------
    KinbayError
        Where it is missing or changed.
    """
    path = home.originals / f"{acceptance.file_id}{acceptance.suffix}"
    if acceptance.is_entry:
        path = home.journal / acceptance.file.rsplit("/", 1)[-1]
    if not path.exists():
        raise KinbayError(
            "An original is missing", f"{acceptance.file}, {path.name}", "Restore it from a backup."
        )
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    if digest != acceptance.file_id:
        raise KinbayError(
            "An original was changed", f"{acceptance.file}, {path.name}", "Restore it from a backup."
        )
    return Staged(path, acceptance.file_id, acceptance.suffix, path.stat().st_size)
