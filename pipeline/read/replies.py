"""Replies of control units as a terminal or a bus log shows them: bytes into readings, freeze frames and codes.

Services 01, 02, 03, 07 and 0A of SAE J1979 / ISO 15031-5 and 19 02 of ISO 14229-1, written as plain bytes
(`41 0C 1A F8`), with CAN identifier and length before them (`7E8 04 41 0C 1A F8`, ISO 15765-4), or with header
and checksum around them (ISO 9141-2, ISO 14230-2). From memory of the standards. What does not add up is named
with its line and never half read.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

import polars as pl

from pipeline import vocabulary
from pipeline.read.sheets import BROKEN_SCHEMA

FEEDS = ("readings", "codes", "freeze_frames")
NO_BYTES = "This is no reply in hexadecimal"
NOT_KNOWN = "No reading is known for this identifier, or its scaling is not settled"
TOO_SHORT = "The reply is shorter or longer than its reading"
IN_PARTS = "This is one part of a longer reply"
REFUSED = "The control unit refused the request"
NO_CODE = "The reply that says which code set this freeze frame (42 02) is not in the file"
IS_VIN = "This is the vehicle identification number {}, not a reading"
NOT_FED = "The layout does not feed {}"
_LOOK = "Compare the line with the reader's screen, or leave it out."
REMEDIES = {
    NOT_KNOWN: "Only the identifiers of docs/readings.md are decoded; the line was left out.",
    IN_PARTS: "Have the reader join the parts into one line.",
    REFUSED: "Nothing to do, unless the van should answer.",
    NO_CODE: "Read the freeze frame again with identifier 02.",
}
_WRITTEN = re.compile(
    r"^>?\s*(?:(?P<id>[0-9A-F]{3}|18DA[0-9A-F]{4})(?:\s*#\s*|\s+))?(?P<bytes>(?:[0-9A-F]{2}\s*)+)$",
    re.IGNORECASE,
)
_CODE_SERVICES = {0x43, 0x47, 0x4A, 0x59}
_SERVICES = {0x41, 0x42, 0x49, 0x7F} | _CODE_SERVICES
_PADDING = ({0x00}, {0x55}, {0xAA}, {0xFF})
_SUPPORTED = 0x20
"""Identifiers 00, 20, 40 ... say which others are supported: four bytes, no reading."""


@dataclass
class Reply:
    """What one reply says.

    Parameters
    ----------
    control_unit : str
        The CAN identifier it came from, else empty.
    readings : list of tuple of str
        Reading and value in the reading's own unit, as text.
    frames : list of tuple of int, str, str
        Number of the freeze frame, reading and value.
    frame_codes : dict[int, str]
        The code that set a freeze frame, as `0x0401`.
    codes : str
        A reply of codes, its bytes parted by spaces; spelled later.
    problem : tuple of str
        Reason and remedy where it, or the rest of it, cannot be read; else empty.
    """

    control_unit: str = ""
    readings: list[tuple[str, str]] = field(default_factory=list)
    frames: list[tuple[int, str, str]] = field(default_factory=list)
    frame_codes: dict[int, str] = field(default_factory=dict)
    codes: str = ""
    problem: tuple[str, ...] = ()

    def refuse(self, reason: str) -> None:
        """Note why the reply, or the rest of it, is not read."""
        self.problem = (reason, REMEDIES.get(reason, _LOOK))


def read_reply(text: str) -> Reply:
    """Read one reply.

    >>> read_reply("41 0C 1A F8").readings, read_reply("7E8#04410C1AF8000000").readings
    ([('engine_speed', '1726.0')], [('engine_speed', '1726.0')])
    >>> read_reply("7E8#034105").problem[0]
    'The reply is shorter or longer than its reading'
    """
    reply, written = Reply(), _WRITTEN.match(text.strip())
    if written is None:
        reply.refuse(NO_BYTES)
        return reply
    reply.control_unit = (written["id"] or "").upper()
    data = bytes.fromhex(re.sub(r"\s", "", written["bytes"]))
    payload = _of_frame(data, reply) if written["id"] else _of_line(data)
    if payload is not None:
        _read(payload, reply)
    elif not reply.problem:
        reply.refuse(NO_BYTES)
    return reply


def _of_frame(data: bytes, reply: Reply) -> bytes | None:
    """The payload of a CAN frame by its length byte (ISO 15765-2)."""
    kind, size = data[0] >> 4, data[0] & 0x0F
    if kind in (1, 2):
        reply.refuse(IN_PARTS)
        return None
    if kind or not 1 <= size <= 7 or len(data) <= size:
        reply.refuse(TOO_SHORT)
        return None
    return data[1 : 1 + size]


def _of_line(data: bytes) -> bytes | None:
    """The payload of a line without CAN identifier: header and checksum or a length byte taken off."""
    if len(data) >= 6 and sum(data[:-1]) & 0xFF == data[-1]:
        if data[:2] == b"\x48\x6b":
            return data[3:-1]
        if data[0] & 0x80 and data[0] & 0x3F == len(data) - 4:
            return data[3:-1]
    if data[0] in _SERVICES:
        return data
    if len(data) > data[0] and data[0] <= 7 and len(data) > 1 and data[1] in _SERVICES:
        return data[1 : 1 + data[0]]
    return None


def _read(payload: bytes, reply: Reply) -> None:
    service, rest = payload[0], payload[1:]
    if service in _CODE_SERVICES:
        reply.codes = payload.hex(" ").upper()
    elif service == 0x7F:
        reply.refuse(REFUSED)
    elif service == 0x49:
        text = bytes(b for b in rest[2:] if b)
        is_vin = rest[:1] == b"\x02" and len(text) == 17 and text.isalnum()
        reply.refuse(IS_VIN.format(text.decode("ascii")) if is_vin else NOT_KNOWN)
    elif service == 0x41:
        _read_items(rest, reply, has_frame=False)
    elif service == 0x42:
        _read_items(rest, reply, has_frame=True)
    else:
        reply.refuse(NO_BYTES)


def _read_items(rest: bytes, reply: Reply, *, has_frame: bool) -> None:
    """Identifier, number of the frame in service 02, data; several in one CAN reply."""
    head, is_first = 2 if has_frame else 1, True
    while rest:
        if not is_first and any(set(rest) == padding for padding in _PADDING):
            return
        pid, frame = rest[0], rest[1] if has_frame and len(rest) > 1 else 0
        size = _size(pid, has_frame=has_frame)
        if size is None:
            reply.refuse(NOT_KNOWN)
            return
        data = rest[head : head + size]
        if len(data) < size:
            reply.refuse(TOO_SHORT)
            return
        _note(pid, frame, data, reply, has_frame=has_frame)
        rest, is_first = rest[head + size :], False


def _size(pid: int, *, has_frame: bool) -> int | None:
    if pid % _SUPPORTED == 0:
        return 4
    if has_frame and pid == 0x02:
        return 2
    known = vocabulary.by_pid().get(f"{pid:02X}")
    return known.size if known is not None and known.is_certain else None


def _note(pid: int, frame: int, data: bytes, reply: Reply, *, has_frame: bool) -> None:
    if pid % _SUPPORTED == 0:
        return
    if has_frame and pid == 0x02:
        if any(data):
            reply.frame_codes[frame] = f"0x{data.hex().upper()}"
        return
    known = vocabulary.by_pid()[f"{pid:02X}"]
    value = vocabulary.decode_pid_bytes(known.key, data.hex())
    if value is None:
        reply.refuse(NOT_KNOWN)
    elif has_frame:
        reply.frames.append((frame, known.key, value))
    else:
        reply.readings.append((known.key, value))


@dataclass(frozen=True)
class Decoded:
    """Rows by tidy table that the replies of a file give, and the lines that are not read (`BROKEN_SCHEMA`)."""

    tables: dict[str, pl.DataFrame]
    unread: pl.DataFrame


def decode_replies(wide: pl.DataFrame, feeds: Sequence[str]) -> Decoded:
    """Turn the column `reply` into rows of readings, codes and freeze frames.

    Parameters
    ----------
    wide : pl.DataFrame
        `line`, `reply` and what is known of each row's scan, as text; each different reply is read once.
    feeds : sequence of str
        Tables that the layout feeds.
    """
    given = wide.filter(pl.col("reply").str.strip_chars() != "")
    read = {text: read_reply(text) for text in given["reply"].unique().to_list()}
    tables = {
        "readings": _rows(
            given, [(t, p, v) for t, r in read.items() for p, v in r.readings], ("parameter", "value")
        ),
        "codes": _with_module(
            _rows(
                given, [(t, r.codes, r.control_unit) for t, r in read.items() if r.codes], ("code", "_module")
            )
        ),
    }
    tables["freeze_frames"], lost = _frames(given, read)
    problems = [(t, *r.problem) for t, r in read.items() if r.problem]
    unread = [_rows(given, problems, ("reason", "remedy")), lost]
    for table in FEEDS:
        if table not in feeds and len(tables[table]):
            unread.append(
                _refused(tables.pop(table), NOT_FED.format(table), "Add it to feeds in the layout.")
            )
    broken = pl.concat([u.select("line", pl.col("reply").alias("value"), "reason", "remedy") for u in unread])
    return Decoded(
        {t: rows.drop("reply") for t, rows in tables.items() if t in feeds},
        broken.select(BROKEN_SCHEMA.keys()).unique(maintain_order=True).sort("line", maintain_order=True),
    )


def _rows(given: pl.DataFrame, found: Sequence[tuple[str, ...]], names: tuple[str, ...]) -> pl.DataFrame:
    """Rows of the file whose reply says something, once for each thing it says."""
    schema = dict.fromkeys(("reply", *names), pl.String)
    said = pl.DataFrame(list(found), schema=schema, orient="row")
    kept = given.drop(n for n in names if n in given.columns)
    return kept.join(said, on="reply", how="inner", maintain_order="left_right")


def _with_module(rows: pl.DataFrame) -> pl.DataFrame:
    """The control unit's CAN identifier stands for the module where the file names none."""
    own = pl.when(pl.col("_module") != "").then("_module")
    known = pl.col("module") if "module" in rows.columns else pl.lit(None, pl.String)
    return rows.with_columns(module=pl.coalesce(known, own)).drop("_module")


def _refused(rows: pl.DataFrame, reason: str, remedy: str) -> pl.DataFrame:
    return rows.with_columns(reason=pl.lit(reason), remedy=pl.lit(remedy))


def _frames(given: pl.DataFrame, read: dict[str, Reply]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Freeze frames with the code that set them, which another reply of the same scan and control unit says."""
    scan = [c for c in ("scan_id", "van", "reader", "scanned_at") if c in given.columns]
    key = [*scan, "_module", "_frame"]
    frames = [(t, r.control_unit, str(n), p, v) for t, r in read.items() for n, p, v in r.frames]
    rows = _rows(given, frames, ("_module", "_frame", "parameter", "value"))
    told = [(t, r.control_unit, str(n), c) for t, r in read.items() for n, c in r.frame_codes.items()]
    codes = _rows(given, told, ("_module", "_frame", "code")).select(*key, "code").unique(key, keep="last")
    joined = rows.drop("code", strict=False).join(
        codes, on=key, how="left", nulls_equal=True, maintain_order="left"
    )
    lost = _refused(joined.filter(pl.col("code").is_null()), NO_CODE, REMEDIES[NO_CODE])
    kept = _with_module(joined.filter(pl.col("code").is_not_null()))
    return kept.drop("_frame"), lost
