"""Which files a person means: single files, folders, zips; links and disguises are refused, with a reason.

Members of a zip are unpacked under numbers of our own, so no name inside a zip ever becomes a path.
"""

from __future__ import annotations

import stat
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.counted import count_of
from pipeline.errors import KinbayError

MOST_ENTRIES = 10_000
MOST_UNPACKED_BYTES = 8 * 2**30
MOST_RATIO = 200
RATIO_COUNTS_FROM_BYTES = 10 * 2**20
QUESTION_SUFFIX = ".question.toml"
PRINTED_SHEET = "scan_sheet"
_BLOCK = 2**20
_TEXT_SUFFIXES = {".csv": "csv", ".tsv": "csv", ".tab": "csv", ".txt": "csv"}
FORMATS = _TEXT_SUFFIXES | {
    ".xlsx": "xlsx",
    ".xlsm": "xlsx",
    ".ods": "ods",
    ".jsonl": "json_lines",
    ".ndjson": "json_lines",
    ".json": "json_lines",
    ".parquet": "parquet",
    ".pq": "parquet",
    ".pdf": "pdf",
}


@dataclass(frozen=True)
class Source:
    """One file to be read.

    Parameters
    ----------
    path : Path
        Where its bytes are.
    name : str
        What reports call it; for a member of a zip, `bundle.zip/member.csv`.
    dropped : Path
        The file a person dropped: the zip itself for its members.
    folder : str
        The last folders it came from, joined by `/`, for layouts that find a van's name there.
    """

    path: Path
    name: str
    dropped: Path
    folder: str = ""

    @property
    def suffix(self) -> str:
        """The ending of the name in lower case, with its point."""
        return Path(self.name).suffix.lower()

    @property
    def format(self) -> str:
        """The format by the name's ending; text where the ending says nothing."""
        return FORMATS.get(self.suffix, "csv")


@dataclass(frozen=True)
class Refusal:
    """A file that is not read at all, and why."""

    name: str
    dropped: Path
    fault: KinbayError


def find_sources(paths: Sequence[Path], scratch: Path, inbox: Path) -> Iterator[Source | Refusal]:
    """Find every file under the given paths, folders in order of name.

    Parameters
    ----------
    paths : sequence of Path
        Files, folders or zips.
    scratch : Path
        An empty folder into which zips are unpacked.
    inbox : Path
        Links that stand in this folder are never followed, not even when they are named.

    Raises
    ------
    KinbayError
        Where a path does not exist.
    """
    for number, path in enumerate(paths):
        if not path.exists():
            raise KinbayError("There is no such file or folder", str(path), "Check the path and try again.")
        if path.is_symlink() and path.parent.resolve().is_relative_to(inbox.resolve()):
            yield _refuse_link(path, path.name)
        elif path.is_dir():
            yield from _walk(path, path, scratch / str(number))
        else:
            yield from _open(path, path.name, scratch / str(number))


def _folder_of(path: Path, member: str) -> str:
    """The last three folders of a file, the zip's own name among them for a member."""
    inner = (path.stem, *member.split("/")[:-1]) if member else ()
    return "/".join((*path.resolve().parent.parts[1:], *inner)[-3:])


def _refuse_link(path: Path, name: str) -> Refusal:
    return Refusal(name, path, KinbayError("A link is not followed", name, "Copy the file itself here."))


def _is_sheet(path: Path) -> bool:
    """Whether it is a printed scan sheet that `kinbay template` put beside the empty tables."""
    return path.name.startswith(PRINTED_SHEET) and path.suffix == ".pdf"


def _walk(folder: Path, top: Path, scratch: Path) -> Iterator[Source | Refusal]:
    for number, path in enumerate(sorted(folder.iterdir(), key=lambda p: p.name)):
        name = path.relative_to(top).as_posix()
        if path.name.startswith((".", "~$")) or path.name.endswith(QUESTION_SUFFIX) or _is_sheet(path):
            continue
        if path.is_symlink():
            yield _refuse_link(path, name)
        elif path.is_dir():
            yield from _walk(path, top, scratch / str(number))
        else:
            yield from _open(path, name, scratch / str(number))


def _open(path: Path, name: str, scratch: Path) -> Iterator[Source | Refusal]:
    if not stat.S_ISREG(path.stat().st_mode):
        yield Refusal(name, path, KinbayError("This is not a plain file", name, "Copy the data into a file."))
    elif path.suffix.lower() != ".zip":
        yield Source(path, name, path, _folder_of(path, ""))
    else:
        try:
            yield from list(_unpack(path, name, scratch))
        except KinbayError as fault:
            yield Refusal(name, path, fault)
        except (zipfile.BadZipFile, NotImplementedError, OSError, RuntimeError, ValueError) as error:
            advice = "Pack the files again as a plain zip, or load them one by one."
            yield Refusal(name, path, KinbayError(f"The zip cannot be unpacked: {error}", name, advice))


def _unpack(path: Path, name: str, scratch: Path) -> Iterator[Source]:
    """Unpack a zip whose every entry was found harmless; the first bad entry refuses the whole zip."""
    scratch.mkdir(parents=True)
    with zipfile.ZipFile(path) as archive:
        entries = [e for e in archive.infolist() if not e.is_dir()]
        check_archive(archive, name)
        left = MOST_UNPACKED_BYTES
        for number, entry in enumerate(entries):
            shown = entry.filename.rsplit("/", 1)[-1]
            if shown.startswith((".", "~$")) or entry.filename.startswith("__MACOSX/"):
                continue
            target = scratch / f"{number}{Path(shown).suffix[:10]}"
            left -= _copy_entry(archive, entry, target, left, name)
            yield Source(target, f"{name}/{entry.filename}", path, _folder_of(path, entry.filename))


def check_archive(archive: zipfile.ZipFile, name: str) -> None:
    """Refuse an archive whose entries are too many, too large, links, nested, locked or oddly named.

    Raises
    ------
    KinbayError
        Naming the first entry at fault.
    """
    entries = archive.infolist()
    if len(entries) > MOST_ENTRIES:
        raise KinbayError(
            f"The zip holds {count_of(len(entries), 'entry')}", name, f"Pack at most {MOST_ENTRIES:,} files."
        )
    total = sum(e.file_size for e in entries)
    packed = max(1, sum(e.compress_size for e in entries))
    if total > MOST_UNPACKED_BYTES or (total > RATIO_COUNTS_FROM_BYTES and total / packed > MOST_RATIO):
        raise KinbayError(
            f"The zip would unpack to {total / 2**20:,.0f} MiB from {packed / 2**20:,.1f} MiB",
            name,
            "Load its files one by one if they are yours.",
        )
    for entry in entries:
        if fault := _entry_fault(entry):
            raise KinbayError(
                fault, f"{name}, entry {entry.filename[:80]!r}", "Pack plain files into a new zip."
            )


def _entry_fault(entry: zipfile.ZipInfo) -> str | None:
    name = entry.filename
    parts = name.replace("\\", "/").split("/")
    if name.startswith(("/", "\\")) or ".." in parts or "\\" in name or ":" in parts[0] or "\x00" in name:
        return "The zip holds a name that leads out of its folder"
    if stat.S_ISLNK(entry.external_attr >> 16):
        return "The zip holds a link"
    if entry.flag_bits & 0x1:
        return "The zip is locked with a password"
    if Path(name).suffix.lower() in {".zip", ".7z", ".rar", ".gz", ".tar", ".xz", ".bz2"}:
        return "The zip holds another archive"
    return None


def _copy_entry(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, target: Path, left: int, name: str) -> int:
    """Unpack one entry, counting what really comes out; its stated size may lie."""
    written = 0
    with archive.open(entry) as packed, target.open("xb") as unpacked:
        while block := packed.read(_BLOCK):
            written += len(block)
            if written > min(left, entry.file_size + _BLOCK):
                raise KinbayError("The zip unpacks to more than it states", name, "Pack the files again.")
            unpacked.write(block)
    return written
