"""Reader layouts: TOML files that tell how an export reads, checked key by key."""

from __future__ import annotations

import fnmatch
import tomllib
import types
import typing
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

from pydantic import BaseModel, Field, ValidationError, model_validator

from pipeline import vocabulary
from pipeline.errors import KinbayError, nearest
from pipeline.layouts.tables import tidy_tables
from pipeline.read.headers import Places, fold_header, place_columns
from pipeline.read.layout_parts import (
    Codes,
    Extract,
    File,
    FreezeFrame,
    Line,
    Long,
    Match,
    Only,
    Part,
    Skip,
    Time,
    Wide,
    group_names,
)

PSEUDO_COLUMNS = (
    "at_date",
    "at_time",
    "at_offset_s",
    "at_offset_ms",
    "scanned_at_date",
    "scanned_at_time",
    "reply",
)


class Layout(Part):
    """One kind of export, as described in pipeline/layouts/README.md."""

    name: str = Field(pattern=r"^[\w\-]{1,60}$")
    title: str = ""
    feeds: tuple[str, ...] = Field(min_length=1)
    match: Match
    file: File = File()
    time: Time = Time()
    constants: dict[str, str] = Field(default_factory=dict)
    preamble: dict[str, str] = Field(default_factory=dict)
    file_name: dict[str, str] = Field(default_factory=dict)
    folder: dict[str, str] = Field(default_factory=dict)
    spellings: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    columns: dict[str, str] = Field(default_factory=dict)
    wide: tuple[Wide, ...] = ()
    long: Long | None = None
    freeze_frame: tuple[FreezeFrame, ...] = ()
    extract: tuple[Extract, ...] = ()
    line: tuple[Line, ...] = ()
    skip: tuple[Skip, ...] = ()
    codes: Codes = Codes()
    values: dict[str, dict[str, str]] = Field(default_factory=dict)
    only: dict[str, Only] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _names_are_known(self) -> Layout:
        for table in (*self.feeds, *self.only):
            _check_name(table, tidy_tables(), "tidy table")
        known = {c for t in self.feeds for c in tidy_tables()[t].columns} | set(PSEUDO_COLUMNS)
        grouped = [name for one in self.line for name in _groups(one.pattern)]
        given = [
            *self.constants,
            *self.preamble,
            *self.file_name,
            *self.folder,
            *self.columns.values(),
            *self.values,
            *grouped,
        ]
        given += [g for one in self.extract for g in _groups(one.pattern) if g in known]
        for column in given:
            if not ("register" in self.feeds and column in self.columns.values()):
                _check_name(column, known, "column of the tables it feeds")
        keys = {p.key for p in vocabulary.parameters()}
        readings = [w.parameter for w in self.wide] + [f.parameter for f in self.freeze_frame]
        for parameter in readings + list(self.long.labels.values() if self.long else ()):
            _check_name(parameter, keys, "reading")
        twice = [c for c in self.columns.values() if list(self.columns.values()).count(c) > 1]
        if twice:
            raise ValueError(f"two columns are read as {twice[0]}")
        if self.wide and self.long:
            raise ValueError("a layout is wide or long, not both")
        if bool(self.line) != (self.file.format == "text"):
            raise ValueError('[[line]] and [file] format = "text" belong together')
        if "readings" in self.feeds and not (
            self.wide or self.long or {"parameter", "value"} <= set(given) or "reply" in given
        ):
            raise ValueError("a layout that feeds readings needs [[wide]], [long] or a column read as reply")
        return self


def _groups(pattern: str) -> list[str]:
    try:
        return group_names(pattern)
    except ValueError:
        return []


def _check_name(name: str, known: typing.Iterable[str], what: str) -> None:
    names = list(known)
    if name not in names:
        hint = nearest(name, names)
        raise ValueError(f"{name!r} is no {what}{f'; did you mean {hint}?' if hint else ''}")


def read_layouts(folder: Path) -> dict[str, Layout]:
    """Read the layouts that ship and the fleet's own; of two with one name the fleet's own wins.

    Parameters
    ----------
    folder : Path
        The fleet's own layouts; may be missing.

    Raises
    ------
    KinbayError
        Where a layout is not usable; the file, the key and the nearest known key are named.
    """
    found: dict[str, Layout] = {}
    own = [p for p in folder.iterdir() if p.is_file()] if folder.is_dir() else []
    for place in (files("pipeline.layouts").iterdir(), own):
        for path in sorted(place, key=lambda p: p.name):
            if path.name.endswith(".toml") and not path.name.startswith("."):
                layout = _read_layout(path)
                found[layout.name] = layout
    return found


def _read_layout(path: Path | Traversable) -> Layout:
    try:
        layout = Layout.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise KinbayError(
            "A layout cannot be read", f"{path.name}: {error}", "Mend that line and try again."
        ) from error
    except ValidationError as error:
        faults = "; ".join(_say(dict(e)) for e in error.errors())
        raise KinbayError(
            "A layout is not usable", f"{path.name}: {faults}", "Mend it and try again."
        ) from error
    if f"{layout.name}.toml" != path.name:
        raise KinbayError(
            "A layout's name is not its file's", path.name, f"Call the file {layout.name}.toml."
        )
    return layout


def _say(error: dict[str, Any]) -> str:
    """One pydantic complaint in words, with the nearest known key for a stray one."""
    key = ".".join(str(part) for part in error["loc"])
    if error["type"] != "extra_forbidden":
        return (
            f"{key}: {error['msg'].removeprefix('Value error, ')}"
            if key
            else error["msg"].removeprefix("Value error, ")
        )
    hint = nearest(str(error["loc"][-1]), _keys_at(error["loc"][:-1]))
    return f"{key}: no such key{f'; did you mean {hint}?' if hint else ''}"


def _keys_at(place: tuple[int | str, ...]) -> list[str]:
    """The keys that a table of the layout may hold."""
    model: type[BaseModel] = Layout
    for part in place:
        if isinstance(part, str) and part in model.model_fields:
            model = _model_in(model.model_fields[part].annotation) or model
    return list(model.model_fields)


def _model_in(annotation: Any) -> type[BaseModel] | None:
    """The model inside an annotation such as `tuple[Wide, ...]`."""
    if isinstance(annotation, type) and not isinstance(annotation, types.GenericAlias):
        return annotation if issubclass(annotation, BaseModel) else None
    return next((m for a in typing.get_args(annotation) if (m := _model_in(a))), None)


def places_in(layout: Layout, header: tuple[str, ...]) -> Places:
    """Return where the columns of a file of this kind stand."""
    return place_columns(header, layout.spellings, parts_units=layout.file.units_in_headers)


def fits(layout: Layout, header: tuple[str, ...], file_name: str, head: str) -> bool:
    """Say whether a file with this header, name and first characters is of the layout's kind."""
    if missing_headers(layout, header):
        return False
    pattern = layout.match.file_name
    if pattern is not None and not fnmatch.fnmatch(file_name.casefold(), pattern.casefold()):
        return False
    return layout.match.text is None or layout.match.text in head


def missing_headers(layout: Layout, header: tuple[str, ...]) -> list[str]:
    """Return the header cells that the layout asks for and the file lacks."""
    if layout.file.format == "text":
        return []
    present = {n.split("#")[0] for n in places_in(layout, header).by_name}
    present |= {fold_header(c) for c in header}
    return [h for h in layout.match.headers if fold_header(h) not in present]
