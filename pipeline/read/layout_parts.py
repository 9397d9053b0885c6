"""The tables of a layout file, each checked by itself."""

from __future__ import annotations

import codecs
import re
from typing import Literal
from zoneinfo import available_timezones

import polars as pl
from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from pipeline.errors import nearest

SPECIAL_TIMES = ("epoch_s", "epoch_ms", "day_number")


class Part(BaseModel):
    """A table of a layout; keys that it does not know are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Match(Part):
    """How a file of this kind is recognised; all that is given must hold."""

    headers: tuple[str, ...] = ()
    file_name: str | None = None
    text: str | None = None

    @model_validator(mode="after")
    def _says_something(self) -> Match:
        if not (self.headers or self.file_name or self.text):
            raise ValueError("give headers, file_name or text")
        return self


class File(Part):
    """How the file is written."""

    format: Literal["csv", "xlsx", "ods", "json_lines", "json", "parquet", "text"] | None = None
    encoding: str = "utf-8"
    delimiter: str = Field(default=",", pattern=r"^[\x09\x20-\x21\x23-\x7e]$")
    decimal: Literal[".", ","] = "."
    thousands: Literal["", ".", ",", " ", "'"] = ""
    skip_rows: int = Field(default=0, ge=0, le=1000)
    find_header: bool = False
    names: tuple[str, ...] = ()
    unit_row: bool = False
    units_in_headers: bool = False
    units_in_cells: bool = False
    short_rows: bool = False
    sheet: str | None = None
    records: tuple[str, ...] = ()
    by_column: bool = False
    missing: tuple[str, ...] = ()
    ignore: tuple[str, ...] = ()

    @field_validator("encoding")
    @classmethod
    def _known_encoding(cls, value: str) -> str:
        try:
            return codecs.lookup(value).name
        except LookupError:
            raise ValueError("no such encoding; utf-8, cp1252, latin-1 and utf-16 are common") from None

    @model_validator(mode="after")
    def _marks_differ(self) -> File:
        if self.decimal == self.thousands:
            raise ValueError("decimal and thousands are the same mark")
        if self.names and (self.unit_row or self.find_header):
            raise ValueError("a file without a header (names) has no unit_row and no find_header")
        return self

    @field_validator("ignore")
    @classmethod
    def _usable(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        for pattern in value:
            check_expression(pattern)
        return value


class Time(Part):
    """How times are written."""

    formats: tuple[str, ...] = ()
    scan_gap_min: float = Field(default=60, gt=0)
    zone: str | None = None

    @field_validator("zone")
    @classmethod
    def _known_zone(cls, value: str | None) -> str | None:
        if value is not None and value not in available_timezones():
            hint = nearest(value, available_timezones())
            raise ValueError(f"no such time zone{f'; did you mean {hint}?' if hint else ''}")
        return value

    @field_validator("formats")
    @classmethod
    def _one_order(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        turned = {re.sub(r"%([dm])", lambda m: "%m" if m[1] == "d" else "%d", f) for f in value}
        if turned & {f for f in value if "%d" in f and "%m" in f}:
            raise ValueError("two formats differ only in the order of day and month: keep the right one")
        return value


class Wide(Part):
    """A column that holds one reading."""

    column: str
    parameter: str
    unit: str | None = None
    low: str | None = None
    high: str | None = None
    mark: str | None = None


class FreezeFrame(Part):
    """A column that holds one reading beside a code."""

    column: str
    parameter: str
    unit: str | None = None


class Long(Part):
    """The columns of a file with one row per reading."""

    parameter: str
    value: str
    unit: str | None = None
    low: str | None = None
    high: str | None = None
    mark: str | None = None
    labels: dict[str, str] = Field(default_factory=dict)
    units: dict[str, str] = Field(default_factory=dict)
    pids: bool = False
    bytes: bool = False


class Extract(Part):
    """Several facts packed in one cell: an expression whose named groups become columns."""

    column: str
    pattern: str
    optional: bool = False

    @field_validator("pattern")
    @classmethod
    def _has_names(cls, value: str) -> str:
        group_names(value)
        return value


class Line(Part):
    """One kind of line of a text report; without `table` it says something about the lines below it."""

    pattern: str
    table: str | None = None
    begins_scan: bool = False
    module_answers: bool = False

    @field_validator("pattern")
    @classmethod
    def _usable(cls, value: str) -> str:
        check_expression(value)
        return value


class Skip(Part):
    """Rows that are no data (totals, remarks): by the words or an expression of one column."""

    column: str
    words: tuple[str, ...] = ()
    pattern: str | None = None

    @model_validator(mode="after")
    def _says_something(self) -> Skip:
        if not self.words and self.pattern is None:
            raise ValueError("give words or pattern")
        if self.pattern is not None:
            check_expression(self.pattern)
        return self


class Codes(Part):
    """How codes stand in a cell."""

    split: str | None = Field(default=None, min_length=1, max_length=5)
    also: tuple[str, ...] = ()


class Only(Part):
    """Which rows of a mixed file belong to a table."""

    column: str
    words: tuple[str, ...] = Field(min_length=1)


def check_expression(pattern: str) -> None:
    """Refuse an expression that cannot be used; the engine runs in linear time, so none can run away.

    Raises
    ------
    ValueError
        Saying what is wrong with it.
    """
    try:
        pl.Series([""]).str.contains(pattern)
    except pl.exceptions.PolarsError as error:
        raise ValueError(
            f"the expression {pattern!r} cannot be used: {str(error).splitlines()[-1]}"
        ) from None


def group_names(pattern: str) -> list[str]:
    """Return the names of an expression's groups.

    Raises
    ------
    ValueError
        Where the expression cannot be used, or names no group.
    """
    check_expression(pattern)
    names = re.findall(r"(?<!\\)\(\?P?<([A-Za-z_]\w*)>", pattern)
    if not names:
        raise ValueError(f"the expression {pattern!r} needs groups with names: (?P<code>...)")
    return names
